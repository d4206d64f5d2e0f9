"""From gathered stories to pages: what the templates are given, and the filling of them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import jinja2
from markupsafe import Markup

from edgeagent import __version__
from edgeagent.codec.record import Record
from edgeagent.report import words
from edgeagent.report.closeness import judged, order_key, place
from edgeagent.report.evidence import Evidence, alignment_values
from edgeagent.report.gather import Measured, PartStory
from edgeagent.report.period import PartKey, Period

SENTENCES_MAX = 6
HARMONIC_ROWS_MAX = 12
SERIES_MAX = 16
_URGENCY = {"nonconforming": 0, "inconclusive": 1, "caution": 2}


@dataclass(frozen=True, slots=True)
class Row:
    """One characteristic on the common scale; places in percent of the scale's width, None where unknown.

    ``over`` is True for a value that lies beyond the scale's end.
    """

    feature: str
    c: Mapping[str, Any]
    share: str
    at: float | None
    low: float | None
    high: float | None
    caution: float | None
    over: bool


@dataclass(frozen=True, slots=True)
class Why:
    """One sentence on the decision; ``c`` is the characteristic that it speaks of, if any."""

    feature: str
    text: str
    c: Mapping[str, Any] | None = None
    later: bool = False


def _finalized(value: object) -> object:
    """Whatever a template prints, made printable; markup of our own passes."""
    if isinstance(value, Markup):
        return value
    return words.printable(value) if isinstance(value, str) else "" if value is None else value


@cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("edgeagent.report", "."),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=_finalized,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "unit": words.unit_text,
        "limits": words.limits_text,
        "measured": words.value_with_uncertainty,
        "named": lambda c: words.name_text(c["name"], c["instance"]),
        "feature": words.feature_text,
        "moment": words.time_text,
        "exact": lambda value: "" if value is None else repr(value),
        "bare": lambda value: "" if value is None else words.value_text(value),
        "svg": Markup,
        "counted": words.count_text,
    }
    return environment


def _render(template: str, **context: Any) -> str:
    style = (_environment().loader.get_source(_environment(), "style.css"))[0]  # type: ignore[union-attr]
    return _environment().get_template(template).render(style=Markup(style), version=__version__, **context)


def story_page(story: PartStory, seen: Mapping[int, Evidence], *, file: str | None = None) -> str:
    """The page on a part, or on one file where ``file`` names it."""
    reach, rows, hidden = scale_rows(story.measured)
    standing = story.disposition if file is None else None
    return _render(
        "part.html.j2",
        story=story,
        seen=seen,
        file=file,
        decision=_decision(story, file),
        standing=standing,
        whys=list(_whys(story, standing)),
        sentences_max=SENTENCES_MAX,
        rows=rows,
        limit_at=100.0 / reach,
        hidden=hidden,
        unjudged=[(m, _unjudged(m)) for m in story.measured],
        alignment={m.record.seq: alignment_values(dict(m.result)) for m in story.measured},
        headers=_headers(story),
    )


def _decision(story: PartStory, file: str | None) -> str:
    if story.quarantined:
        return "quarantine"
    if file is not None:
        return str(story.measured[0].body["disposition"])
    return "undecided" if story.disposition is None else str(story.disposition.body["disposition"])


def _headers(story: PartStory) -> list[tuple[str, str]]:
    """What the traces carried along for a reader: each distinct text once."""
    found: dict[tuple[str, str], None] = {}
    for measured in story.measured:
        trace = measured.body["trace"]
        for key in ("instrument", "operator", "order", "remark"):
            if trace.get(key):
                found.setdefault((key, str(trace[key])))
        for key, value in trace.get("extra", {}).items():
            found.setdefault((str(key), str(value)))
    return list(found)


def scale_rows(measured: Sequence[Measured]) -> tuple[float, list[Row], int]:
    """Rows sorted by closeness, the scale's end in limits, and how many further undulations were left out."""
    every: list[tuple[str, Mapping[str, Any]]] = []
    hidden = 0
    for one in measured:
        harmonics = 0
        for c in one.result["characteristics"]:
            if not judged(c):
                continue
            harmonics += c["name"] == "harmonic_amplitude"
            if c["name"] == "harmonic_amplitude" and harmonics > HARMONIC_ROWS_MAX:
                hidden += 1
                continue
            every.append((one.feature, c))
    every.sort(key=lambda pair: order_key(pair[1]))
    places = [p.at for _, c in every if (p := place(c)) is not None]
    reach = min(max(1.25, 1.06 * max(places, default=0.0)), 2.0)
    return reach, [_row(feature, c, reach) for feature, c in every], hidden


def _row(feature: str, c: Mapping[str, Any], reach: float) -> Row:
    found = place(c)
    if found is None:
        share = "no value" if c["value"] is None else "no scale"
        return Row(feature, c, share, None, None, None, None, False)

    def percent(at: float | None) -> float | None:
        return None if at is None else round(100.0 * min(max(at, 0.0), reach) / reach, 3)

    # two decimals must not make a value on one side of the limit look as if it lay on the other
    digits = 1 if found.at < 9.95 else 0
    share = f"{100 * found.at:.{digits}f} %" if found.at < 99.95 else "> 9\u202f999 %"
    return Row(
        feature,
        c,
        share,
        percent(found.at),
        percent(found.low),
        percent(found.high),
        percent(found.caution),
        found.at > reach,
    )


def _unjudged(measured: Measured) -> list[tuple[str, list[Mapping[str, Any]]]]:
    """Values without a limit by name, the set-up's among the evidence left out."""
    setup = {(c["name"], c["instance"]) for c in alignment_values(dict(measured.result))}
    found: dict[str, list[Mapping[str, Any]]] = {}
    for c in measured.result["characteristics"]:
        if not judged(c) and (c["name"], c["instance"]) not in setup:
            found.setdefault(c["name"], []).append(c)
    return list(found.items())


def _whys(story: PartStory, standing: Record | None) -> Iterator[Why]:
    """Sentences on the decision: nonconforming, doubtful, checks, other reasons, then what comes nearest."""
    told: list[tuple[int, Why]] = []
    for measured in story.measured:
        later = standing is not None and measured.record.seq > standing.seq
        feature = measured.feature
        for c in measured.result["characteristics"]:
            rank = _URGENCY.get(c["verdict"])
            if rank is not None:
                told.append((rank, Why(feature, words.sentence(c), c, later)))
        failed = [q for q in measured.result["quality"] if not q["ok"]]
        told += [(1, Why(feature, f"{q['check'].replace('_', ' ')}: {q['note']}.", None, later)) for q in failed]
        explained = {f"{q['check']}: {q['note']}" for q in failed}
        for reason in measured.result["reasons"]:
            if reason not in explained and not _names_value(reason, measured.result["characteristics"]):
                told.append((1, Why(feature, f"{reason}.", None, later)))
    told += [(1, Why("", f"{reason}.")) for reason in _own_reasons(story, standing)]
    told += [(0, Why("", f"{r.body['reason']}.")) for r in story.quarantined]
    told.sort(key=lambda pair: (pair[1].later, pair[0]))
    yield from (why for _, why in told)


def _names_value(reason: str, characteristics: Sequence[Mapping[str, Any]]) -> bool:
    """Whether a recorded reason speaks of a value that has its own sentence."""
    names = {f"{c['name']} {c['instance']}".strip() for c in characteristics if c["verdict"] in _URGENCY}
    return any(reason.startswith(name) for name in names)


def _own_reasons(story: PartStory, standing: Record | None) -> list[str]:
    """Reasons of the disposition that no file has given: the gate, missing traces, a re-measurement."""
    if standing is None:
        return []
    features = tuple(f"{m.feature}: " for m in story.measured)
    more = [r for r in standing.body["reasons"] if not r.startswith((*features, "and "))]
    return [str(r) for r in more]


def period_page(period: Period, links: Mapping[PartKey, str]) -> str:
    """The page on a period; ``links`` holds the relative addresses of the parts' pages."""
    from edgeagent.report.draw_period import series_picture

    counts = period.counts
    total = sum(counts.values())
    first = sum(r.body["disposition"] == "accept" for r in period.fresh.values())
    by_part: dict[str, dict[str, int]] = {}
    for (part, _), record in period.standing.items():
        row = by_part.setdefault(part, {"accept": 0, "hold": 0, "reject": 0})
        row[record.body["disposition"]] = row.get(record.body["disposition"], 0) + 1
    shown = period.series[:SERIES_MAX]
    return _render(
        "period.html.j2",
        period=period,
        links=links,
        counts=counts,
        total=total,
        share=words.value_text(round(100.0 * counts["accept"] / total, 1)) if total else "",
        accepted_first=first,
        by_part=by_part,
        pictures=[series_picture(s, f"s{i}") for i, s in enumerate(shown)],
        unseen=[s for s in period.series[SERIES_MAX:]],
        ages={k: words.span_text(period.as_of - _time(r)) for k, r in period.held.items()},
        waiting={
            k: words.span_text(period.as_of - max(_time(r) for r in files.values()))
            for k, files in period.undecided.items()
        },
        most=max((len(r.parts) for r in period.reasons), default=1),
    )


def _time(record: Record) -> Any:
    from datetime import datetime

    return datetime.fromisoformat(record.time)
