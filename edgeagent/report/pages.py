"""From gathered stories to pages: what the templates are given, and the filling of them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any

import jinja2
import msgspec
from markupsafe import Markup
from msgspec import UNSET

from edgeagent import __version__
from edgeagent.codec.plain_text import count_text
from edgeagent.model import Disposition, Verdict
from edgeagent.model.reasons import Code
from edgeagent.model.records import (
    Body,
    JudgedValue,
    PartDisposition,
    Quarantine,
    Release,
    given,
    reasons_of,
)
from edgeagent.report import words
from edgeagent.report.closeness import has_limit, order_key, place
from edgeagent.report.evidence import Evidence, alignment_values
from edgeagent.report.gather import MeasuredFile, PartKey, PartStory, TypedRecord
from edgeagent.report.period import Period, StandingDecision, parts_to_link
from edgeagent.report.pictures.draw_period import series_picture
from edgeagent.report.templates import environment_of
from edgeagent.rules.sentences import sentence, sentences

SENTENCES_MAX = 6
HARMONIC_ROWS_MAX = 12
SERIES_MAX = 16
PARTS_MAX = 2000
"""Parts of a period that are listed one by one."""
UNKNOWN_MAX = 20
_END_PERCENT = 2.0
_URGENCY = {Verdict.NONCONFORMING: 0, Verdict.INCONCLUSIVE: 1, Verdict.CAUTION: 2}
_OF_VALUES = frozenset(
    {Code.OUTSIDE_LIMIT, Code.UNDECIDABLE, Code.OUTSIDE_UNTRUSTED, Code.NEAR_LIMIT, Code.NO_VALUE}
)
"""Reasons that speak of a value, which has its own sentence."""


@dataclass(frozen=True, slots=True)
class ScaleRow:
    """One characteristic on the common scale; places in percent of the scale's width, None where unknown.

    ``over`` is True for a value that lies beyond the scale's end. A row may stand for ``of`` conforming
    instances, such as grooves: ``c`` is then the nearest to its limit, ``others`` the places of the rest.
    """

    feature: str
    c: JudgedValue
    share: str
    at: float | None
    low: float | None
    high: float | None
    caution: float | None
    over: bool
    others: tuple[float, ...] = ()
    of: int = 1


@dataclass(frozen=True, slots=True)
class DecisionSentence:
    """One sentence on the decision; ``c`` is the characteristic that it speaks of, if any."""

    feature: str
    text: str
    c: JudgedValue | None = None
    later: bool = False


@cache
def _environment() -> jinja2.Environment:
    environment = environment_of("edgeagent.report")
    environment.filters |= {
        "unit": words.unit_text,
        "limits": words.limits_text,
        "judged": words.verdict_text,
        "sources": words.uncertainty_sources,
        "measured": words.judged_value_text,
        "named": lambda c: words.name_text(c.name, c.instance),
        "which": lambda c: words.instance_text(c.name, c.instance),
        "feature": words.feature_text,
        "reasons": lambda body: sentences(reasons_of(body)),
        "moment": words.time_text,
        "exact": lambda value: "" if value is None else repr(value),
        "bare": lambda value: "" if value is None else words.value_text(value),
        "svg": Markup,
        "counted": count_text,
        "verbatim": lambda body: bytes(body.body).decode("utf-8", "replace"),
    }
    environment.globals["UNKNOWN_MAX"] = UNKNOWN_MAX
    environment.tests["release"] = lambda body: isinstance(body, Release)
    environment.tests["quarantine"] = lambda body: isinstance(body, Quarantine)
    environment.tests["disposition"] = lambda body: isinstance(body, PartDisposition)
    return environment


def _render(template: str, **context: Any) -> str:
    style = (_environment().loader.get_source(_environment(), "style.css"))[0]  # type: ignore[union-attr]
    return _environment().get_template(template).render(style=Markup(style), version=__version__, **context)


def story_page(story: PartStory, seen: Mapping[int, Evidence], *, file: str | None = None) -> str:
    """The page on a part, or on one file where ``file`` names it."""
    reach, rows, hidden = scale_rows(story.measured)
    decision = _decision(story, file)
    standing = story.disposition if file is None else None
    return _render(
        "part.html.j2",
        story=story,
        seen=seen,
        file=file,
        decision=decision,
        standing=standing,
        whys=_list_sentences(story, standing, accepted=decision in ("accept", "passed")),
        sentences_max=SENTENCES_MAX,
        rows=rows,
        limit_at=on_scale(1.0, reach),
        zero_at=on_scale(0.0, reach),
        hidden=hidden,
        judged_count=hidden + sum(row.of for row in rows),
        values={m.record.seq: _values(m, rows) for m in story.measured},
        alignment={m.record.seq: alignment_values(m.result) for m in story.measured},
        headers=_headers(story),
    )


def _decision(story: PartStory, file: str | None) -> str:
    if story.quarantined:
        return "quarantine"
    if file is not None:
        body = story.measured[0].body
        if body.trace.of_artefact is not None:
            return "passed" if body.disposition == Disposition.ACCEPT else "failed"
        return body.disposition.value
    return "undecided" if story.disposition is None else story.disposition.body.disposition.value


def _headers(story: PartStory) -> list[tuple[str, str]]:
    """What the traces carried along for a reader: each distinct text once."""
    found: dict[tuple[str, str], None] = {}
    for measured in story.measured:
        trace = measured.body.trace
        for key in ("instrument", "operator", "order", "remark"):
            value = given(getattr(trace, key), "")
            if value:
                found.setdefault((key, value))
        for key, raw in given(trace.extra, {}).items():
            found.setdefault((key, str(msgspec.json.decode(raw))))
    return list(found)


def scale_rows(measured: Sequence[MeasuredFile]) -> tuple[float, list[ScaleRow], int]:
    """Rows sorted by closeness, the scale's end in limits, and how many further undulations were left out.

    Instances that conform and share their limits also share a row.
    """
    groups: dict[tuple[Any, ...], list[tuple[str, JudgedValue]]] = {}
    hidden = 0
    for one in measured:
        harmonics = 0
        for i, c in enumerate(c for c in one.result.characteristics if has_limit(c)):
            harmonics += c.name == "harmonic_amplitude"
            if c.name == "harmonic_amplitude" and harmonics > HARMONIC_ROWS_MAX:
                hidden += 1
                continue
            # What does not conform must not hide behind a worse neighbour
            alone = i if c.verdict != Verdict.CONFORMING else -1
            key = (one.feature, c.name, c.lower, c.upper, alone)
            groups.setdefault(key, []).append((one.feature, c))
    rows = [sorted(group, key=lambda pair: order_key(pair[1])) for group in groups.values()]
    rows.sort(key=lambda group: order_key(group[0][1]))
    places = [p.at for group in rows if (p := place(group[0][1])) is not None]
    # The limit always inside the scale, and one value far off does not press the rest together
    reach = min(max(1.25, 1.06 * max(places, default=0.0)), 2.0)
    return reach, [_row(group, reach) for group in rows], hidden


def on_scale(at: float, reach: float) -> float:
    """Percent of a bar's width for a place; the ends leave room for half a mark."""
    return round(_END_PERCENT + (100.0 - 2 * _END_PERCENT) * min(max(at, 0.0), reach) / reach, 3)


def share_text(at: float) -> str:
    """A place in percent of the limit, never rounded onto the limit from one side of it."""
    if at >= 10:
        return f"{at:.0f} times" if at < 1e4 else "far over"
    digits = 1
    while digits < 6 and at != 1 and float(f"{100 * at:.{digits}f}") == 100:
        digits += 1
    return f"{100 * at:.{digits}f} %"


def _row(group: Sequence[tuple[str, JudgedValue]], reach: float) -> ScaleRow:
    feature, c = group[0]
    found = place(c)
    if found is None:
        share = "no value" if c.value is None else "no scale"
        return ScaleRow(feature, c, share, None, None, None, None, over=False, of=len(group))

    def percent(at: float | None) -> float | None:
        return None if at is None else on_scale(at, reach)

    return ScaleRow(
        feature,
        c,
        share_text(found.at),
        percent(found.at),
        percent(found.low),
        percent(found.high),
        percent(found.caution),
        over=found.at > reach,
        others=tuple(on_scale(p.at, reach) for _, other in group[1:] if (p := place(other)) is not None),
        of=len(group),
    )


def _values(measured: MeasuredFile, rows: Sequence[ScaleRow]) -> list[tuple[str, list[JudgedValue]]]:
    """Values without a row of their own (no limit, or one row for several), the set-up's left out."""
    shown = {id(row.c) for row in rows} | {id(c) for c in alignment_values(measured.result)}
    found: dict[str, list[JudgedValue]] = {}
    for c in measured.result.characteristics:
        if id(c) not in shown and c.name != "harmonic_amplitude":
            found.setdefault(c.name, []).append(c)
    return list(found.items())


def _list_sentences(
    story: PartStory, standing: TypedRecord[PartDisposition] | None, *, accepted: bool
) -> list[DecisionSentence]:
    """Sentences on the decision: what does not conform, from the worst down, then what is in doubt.

    Of an accepted part: what lies in a caution zone.
    """
    ranked: list[tuple[tuple[float, ...], DecisionSentence]] = []
    for measured in story.measured:
        later = standing is not None and measured.record.seq > standing.seq
        ranked += _of_values(measured, later, accepted=accepted)
        ranked += _of_checks(measured, later)
    ranked += [((1, -1), DecisionSentence("", f"{reason}.")) for reason in _own_reasons(story, standing)]
    ranked += [((0,), DecisionSentence("", f"{r.body.reason}.")) for r in story.quarantined]
    ranked.sort(key=lambda pair: (pair[1].later, pair[0]))
    return [sentence for _, sentence in ranked]


def _of_values(
    measured: MeasuredFile, later: bool, *, accepted: bool
) -> Iterator[tuple[tuple[float, ...], DecisionSentence]]:
    """Sentences on the values of one file that do not clearly conform, each with its rank."""
    for c in measured.result.characteristics:
        urgency = _URGENCY.get(c.verdict)
        # A caution is worth a sentence only where nothing worse kept the part from being accepted
        if urgency is not None and (urgency < _URGENCY[Verdict.CAUTION] or accepted):
            rank = (urgency, *(order_key(c) if c.value is not None else (3,)))
            yield rank, DecisionSentence(measured.feature, words.sentence(c), c, later)


def _of_checks(measured: MeasuredFile, later: bool) -> Iterator[tuple[tuple[float, ...], DecisionSentence]]:
    """Sentences on the failed checks of one file, and its reasons that speak of neither check nor value."""
    failed = [q for q in measured.result.quality if not q.ok]
    for q in failed:
        text = f"{q.check.replace('_', ' ')}: {q.note}."
        yield (1, 2), DecisionSentence(measured.feature, text, None, later)
    reasons = reasons_of(measured.body)
    if any(reason.code == Code.RECORDED for reason in reasons):
        # From before reasons had codes: they are those of checks and values, unless there are none of these
        explained = failed or any(c.verdict in _URGENCY for c in measured.result.characteristics)
        reasons = () if explained else reasons
    for reason in reasons:
        if reason.code not in (*_OF_VALUES, Code.CHECK_FAILED, Code.MORE):
            yield (1, 2), DecisionSentence(measured.feature, f"{sentence(reason)}.", None, later)


def _own_reasons(story: PartStory, standing: TypedRecord[PartDisposition] | None) -> Iterator[str]:
    """Reasons of the disposition that no file has given: the gate, missing traces, a re-measurement."""
    if standing is None:
        return
    body, features = standing.body, {m.feature for m in story.measured}
    if body.reason_codes is not UNSET:
        own = (r for r in body.reason_codes if r.feature not in features and r.code != Code.MORE)
        yield from (sentence(r) for r in own)
        return
    # From before reasons had codes: what the record says beside its sentences
    if body.gate is not UNSET:
        yield body.gate
    if body.missing:
        yield f"missing {', '.join(body.missing)}"
    if body.remeasured:
        yield f"re-measured: {', '.join(given(body.remeasured, ()))}"


def period_page(period: Period, links: Mapping[PartKey, str]) -> str:
    """The page on a period; ``links`` holds the relative addresses of the parts' pages."""
    counts = period.counts
    total = sum(counts.values())
    by_part: dict[str, dict[str, int]] = {}
    for (part, _), record in period.standing.items():
        row = by_part.setdefault(part, {"accept": 0, "hold": 0, "reject": 0})
        row[record.disposition.value] += 1
    shown = period.series[:SERIES_MAX]
    return _render(
        "period.html.j2",
        period=period,
        links=links,
        counts=counts,
        total=total,
        share=f"{100.0 * counts['accept'] / total:.1f}" if total else "",
        listed=_listed(period),
        by_part=by_part,
        pictures=[series_picture(s, f"s{i}") for i, s in enumerate(shown)],
        unseen=period.series[SERIES_MAX:],
        ages={k: words.span_text(period.as_of - _time(r)) for k, r in period.held.items()},
        waiting={
            k: words.span_text(period.as_of - max(_time(r) for r in files.values()))
            for k, files in period.undecided.items()
        },
        most=max((len(r.parts) for r in period.reasons), default=1),
    )


def _listed(period: Period) -> list[tuple[PartKey, StandingDecision]]:
    """The parts of the period by number and serial; of very many those not accepted and the newest accepted."""
    kept = parts_to_link(period, PARTS_MAX)
    return sorted((key, period.standing[key]) for key in kept if key in period.standing)


def _time(record: TypedRecord[Body]) -> datetime:
    return datetime.fromisoformat(record.time)
