"""From journal records to Sparkplug metrics: the node's own, and those of each instrument as a device."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import datetime

from edgeagent.model import Verdict
from edgeagent.model.records import (
    Acknowledgement,
    AnyBody,
    JudgedValue,
    Measurement,
    PartDisposition,
    Quarantine,
    Recovery,
    Verification,
    given,
)
from edgeagent.model.sparkplug import DataType, Metric, MetricProperty, MetricValue
from edgeagent.rules.sparkplug.topics import topic_id

NODE = None
"""In place of a device: the edge node itself."""
EVERY_DEVICE = ""
"""In place of a device: all of them."""
ACKNOWLEDGE = "Acknowledge"
"""Written by the host: the record number of a reject, a hold or a quarantine."""
QUALITY = "Quality"
"""The one property that the specification defines (6.4.9.1)."""
GOOD, BAD = 192, 0
_TEXT_MAX = 300
_ORDER = re.compile(r"@?\d+(\.\d+)?$")
_VERDICTS = (Verdict.UNJUDGED, Verdict.CONFORMING, Verdict.CAUTION, Verdict.INCONCLUSIVE, Verdict.NONCONFORMING)
"""From harmless to bad."""
_RECORD = DataType.INT64
_S = DataType.STRING

DEVICE_METRICS: tuple[tuple[str, DataType], ...] = (
    (ACKNOWLEDGE, DataType.INT64),
    *((f"Part/{name}", _S) for name in ("Part", "Serial", "Disposition", "Reasons")),
    ("Part/Record", _RECORD),
    *(
        (f"Measurement/{name}", _S)
        for name in ("Part", "Serial", "Artefact", "Feature", "Disposition", "Reasons")
    ),
    ("Measurement/Record", _RECORD),
    ("Measurement/Measured at", DataType.DATETIME),
    *((f"Verification/{name}", _S) for name in ("Artefact", "Outcome", "Reasons")),
    ("Verification/Record", _RECORD),
    ("Verification/Measured at", DataType.DATETIME),
)
"""What every instrument has, beside the values of what it measured."""
NODE_METRICS: tuple[tuple[str, DataType], ...] = (
    ("Alarm/What", _S),
    ("Alarm/Reason", _S),
    ("Alarm/Record", _RECORD),
)
"""What the node has from records, beside how it stands."""

Found = tuple[str | None, tuple[Metric, ...]]
"""A device's id (or NODE, EVERY_DEVICE) and its metrics."""


def metrics_of(body: AnyBody, seq: int, at_ms: int) -> tuple[Found, ...]:
    """What a record says, by device; nothing for records of the agent's own. ``at_ms`` is the record's time."""
    match body:
        case Measurement():
            return ((topic_id(body.instrument), tuple(_measurement(body, seq, at_ms))),)
        case PartDisposition():
            if not body.sources:
                return ()
            # A part measured by several instruments is decided by the trace that came last.
            newest = max(body.sources, key=lambda source: source.seq)
            return ((topic_id(newest.instrument), _disposition(body, seq, at_ms)),)
        case Verification():
            return ((topic_id(body.instrument), tuple(_verification(body, seq, at_ms))),)
        case Quarantine():
            return ((NODE, _alarm("quarantine", body.reason, seq, at_ms)),)
        case Recovery():
            return ((NODE, _alarm(body.what, body.reason, seq, at_ms)),)
        # At every device: a record belongs to one, but the host may have pressed at any.
        case Acknowledgement() if body.seq > 0:
            matched = MetricProperty("matched", DataType.BOOLEAN, body.matched)
            who = MetricProperty("who", _S, body.who)
            metric = Metric(ACKNOWLEDGE, DataType.INT64, body.seq, at_ms, properties=(matched, who))
            return ((EVERY_DEVICE, (metric,)),)
        case _:
            return ()


def _measurement(body: Measurement, seq: int, at_ms: int) -> Iterable[Metric]:
    trace = body.trace
    yield from _texts(
        "Measurement",
        at_ms,
        Part=given(trace.part, None),
        Serial=given(trace.serial, None),
        Artefact=trace.of_artefact,
        Feature=trace.feature,
        Disposition=body.disposition.value,
        Reasons=_join(body.reasons),
    )
    yield Metric("Measurement/Record", _RECORD, seq, at_ms)
    yield Metric("Measurement/Measured at", DataType.DATETIME, _ms(trace.measured_at), at_ms)
    if trace.of_artefact is None:  # the artefact's values stand in its verification
        yield from _values(trace.feature, body.characteristics, at_ms)


def _disposition(body: PartDisposition, seq: int, at_ms: int) -> tuple[Metric, ...]:
    said = _texts(
        "Part",
        at_ms,
        Part=body.part,
        Serial=body.serial,
        Disposition=body.disposition.value,
        Reasons=_join(body.reasons),
    )
    return *said, Metric("Part/Record", _RECORD, seq, at_ms)


def _verification(body: Verification, seq: int, at_ms: int) -> Iterable[Metric]:
    yield from _texts(
        "Verification",
        at_ms,
        Artefact=body.artefact,
        Outcome=body.outcome.value,
        Reasons=_join(body.reasons),
    )
    yield Metric("Verification/Record", _RECORD, seq, at_ms)
    yield Metric("Verification/Measured at", DataType.DATETIME, _ms(body.measured_at), at_ms)
    yield from _values(body.artefact, body.characteristics, at_ms)


def _alarm(what: str, reason: str, seq: int, at_ms: int) -> tuple[Metric, ...]:
    return *_texts("Alarm", at_ms, What=what, Reason=reason), Metric("Alarm/Record", _RECORD, seq, at_ms)


def _texts(folder: str, at_ms: int, **texts: str | None) -> tuple[Metric, ...]:
    return tuple(
        Metric(f"{folder}/{name}", _S, None if text is None else text[:_TEXT_MAX], at_ms)
        for name, text in texts.items()
    )


def _values(of: str, characteristics: Iterable[JudgedValue], at_ms: int) -> Iterable[Metric]:
    """One metric a characteristic; of those whose instance is an undulation, the one that is worst alone.

    Which undulation that is changes from part to part: it is a property, so that the metrics stay the same.
    """
    worst: dict[str, JudgedValue] = {}
    for one in characteristics:
        instance = f"[{one.instance}]" if one.instance and not _ORDER.match(one.instance) else ""
        name = f"Values/{given(one.feature, of)}/{one.name}{instance}"
        # A metric for each undulation would make hundreds of names that come and go with every part.
        if name not in worst or _severity(one) > _severity(worst[name]):
            worst[name] = one
    for name, one in worst.items():
        yield Metric(name, DataType.DOUBLE, one.value, at_ms, properties=_properties(one))


def _severity(one: JudgedValue) -> tuple[int, float]:
    """How bad a value is: by its verdict, then by its share of the upper limit."""
    share = one.value / one.upper if one.value is not None and one.upper else 0.0
    return _VERDICTS.index(one.verdict), share


def _properties(one: JudgedValue) -> tuple[MetricProperty, ...]:
    """Unit, limits and uncertainty; a value that could not be computed is of bad quality."""

    def double(key: str, value: float | None) -> MetricProperty:
        return MetricProperty(key, DataType.DOUBLE, value)

    texts: list[tuple[str, MetricValue]] = [("unit", one.unit), ("verdict", one.verdict.value)]
    if one.instance:
        texts.append(("instance", one.instance))
    quality = MetricProperty(QUALITY, DataType.INT32, BAD if one.value is None else GOOD)
    return (
        *(MetricProperty(key, _S, value) for key, value in texts),
        double("lower", one.lower),
        double("upper", one.upper),
        double("expanded_uncertainty", one.expanded_uncertainty),
        quality,
    )


def _join(reasons: Iterable[str]) -> str:
    return "; ".join(reasons)


def _ms(moment: str) -> int:
    """Milliseconds since 1970 UTC, 0 for a time before it (the field has no sign)."""
    return max(0, round(datetime.fromisoformat(moment).timestamp() * 1000))
