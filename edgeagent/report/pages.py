"""From gathered stories to pages: what the templates are given, and the filling of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache
from typing import Any

import jinja2
import msgspec
from markupsafe import Markup

from edgeagent import __version__
from edgeagent.codec.plain_text import count_text
from edgeagent.model import Disposition, Verdict
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
from edgeagent.report.faults import faults
from edgeagent.report.period import Period, StandingDecision, parts_to_link
from edgeagent.report.pictures.draw_period import series_picture
from edgeagent.report.presentation import Presentation, moment_text
from edgeagent.report.printing import css_text
from edgeagent.report.story.gather import ComparedFile, MeasuredFile, PartStory
from edgeagent.report.story.typed_record import PartKey, TypedRecord
from edgeagent.report.templates import environment_of
from edgeagent.rules.sentences import sentences
from edgeagent.rules.words.digits import decimals_of

# What a reader takes in; the rest opens on demand.
SENTENCES_MAX = 6
# Of a spectrum with a limit each: the picture shows all, the table the nearest to theirs.
HARMONIC_ROWS_MAX = 12
SERIES_MAX = 16
PARTS_MAX = 2000
"""Parts of a period that are listed one by one."""
UNKNOWN_MAX = 20
# Room for half a mark at both ends of a bar.
_END_PERCENT = 2.0
_RUNNING = """
@page {{
  @top-left {{ content: {text}; font: 600 8pt system-ui, sans-serif; }}
  @bottom-right {{ content: "page " counter(page) " of " counter(pages); font: 8pt system-ui, sans-serif; }}
  @bottom-left {{ content: "edgeagent"; font: 8pt system-ui, sans-serif; }}
}}
"""
_OF_DISPOSITION = {Disposition.REJECT: 0, Disposition.HOLD: 1, Disposition.ACCEPT: 2}


@dataclass(frozen=True, slots=True)
class SecondValue:
    """A value to compare with: of the last good part where ``good``, else the part's own earlier one."""

    good: bool
    text: str
    at: float | None


@dataclass(frozen=True, slots=True)
class ScaleRow:
    """One characteristic on the common scale; places in percent of the scale's width, None where unknown.

    ``over`` is True for a value that lies beyond the scale's end. A row may stand for ``of``
    instances of one verdict, such as grooves: ``c`` is then the worst, ``others`` the places of the rest.
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
    second: tuple[SecondValue, ...] = ()


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
        "moment": _moment,
        "exact": lambda value: "" if value is None else repr(value),
        "turns": lambda value: f"{value:.2f}".rstrip("0").rstrip(".") + " turns",
        "noted": words.unit_in_note,
        "svg": Markup,
        "counted": count_text,
        "verbatim": lambda body: bytes(body.body).decode("utf-8", "replace"),
    }
    # For the template, which counts what it leaves out.
    environment.globals["UNKNOWN_MAX"] = UNKNOWN_MAX
    environment.tests["release"] = lambda body: isinstance(body, Release)
    environment.tests["quarantine"] = lambda body: isinstance(body, Quarantine)
    environment.tests["disposition"] = lambda body: isinstance(body, PartDisposition)
    return environment


@jinja2.pass_context
def _moment(context: Any, text: str) -> Markup:
    """A time in UTC and local time; a line may break between the two alone."""
    utc, gap, local = moment_text(text, context.get("zone")).partition(" (")
    clock = Markup('<span class="clock">{}</span>')
    return clock.format(utc) + " " + clock.format(f"({local}") if gap else clock.format(utc)


def _render(template: str, running: str, **context: Any) -> str:
    """A page; ``running`` stands at the top of every sheet when it is printed."""
    # Inside the page: a report is one file that can be sent away.
    style = (_environment().loader.get_source(_environment(), "style.css"))[0]  # type: ignore[union-attr]
    style += _RUNNING.format(text=css_text(words.printable(running)))
    return _environment().get_template(template).render(style=Markup(style), version=__version__, **context)


def story_page(
    story: PartStory,
    seen: Mapping[int, Evidence],
    *,
    file: str | None = None,
    look: Presentation | None = None,
) -> str:
    """The page on a part, or on one file where ``file`` names it; ``look`` says how the station wants it."""
    look = look or Presentation()
    story = replace(story, measured=worst_first(story.measured))
    # Of all traces at once: one scale for the whole part.
    reach, rows, hidden = scale_rows(story.measured)
    rows = [
        replace(row, second=_second_values(row, story.compared.get(row.feature, ()), reach)) for row in rows
    ]
    decision = _decision(story, file)
    headers = sorted(_headers(story), key=lambda pair: _rank_of(pair[0], look.header))
    standing = story.disposition if file is None else None
    return _render(
        "part.html.j2",
        f"{file}" if file is not None else f"{story.part}, serial {story.serial}",
        story=story,
        seen=seen,
        file=file,
        decision=decision,
        standing=standing,
        whys=faults(story, standing, accepted=decision in ("accept", "passed")),
        sentences_max=SENTENCES_MAX,
        rows=rows,
        limit_at=on_scale(1.0, reach),
        zero_at=on_scale(0.0, reach),
        hidden=hidden,
        judged_count=hidden + sum(row.of for row in rows),
        values={m.record.seq: _values(m, rows) for m in story.measured},
        alignment={m.record.seq: alignment_values(m.result) for m in story.measured},
        top=[pair for pair in headers if pair[0] in look.header],
        headers=[pair for pair in headers if pair[0] not in look.header],
        zone=look.zone,
        has_good=_label_of(story, good=True),
        has_before=_label_of(story, good=False),
        noise_only=any(given(c.noise_only, False) for m in story.measured for c in m.result.characteristics),
    )


def worst_first(measured: Sequence[MeasuredFile]) -> tuple[MeasuredFile, ...]:
    """The traces of a part in their order, but rejecting ones before held ones before accepted ones."""
    return tuple(sorted(measured, key=lambda m: _OF_DISPOSITION[m.body.disposition]))


def _label_of(story: PartStory, *, good: bool) -> str:
    """What the thin marks of one sort stand for; empty where there are none."""
    files = (other for several in story.compared.values() for other in several)
    return next((other.label for other in files if other.good == good), "")


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


def _rank_of(key: str, wanted: Sequence[str]) -> int:
    return wanted.index(key) if key in wanted else len(wanted)


def scale_rows(measured: Sequence[MeasuredFile]) -> tuple[float, list[ScaleRow], int]:
    """Rows sorted by closeness, the scale's end in limits, and how many further undulations were left out.

    Instances that share verdict and limits, such as those of grooves, also share a row.
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
            # An undulation that does not conform has a row of its own: its limit is its own, too
            alone = i if c.name == "harmonic_amplitude" and c.verdict != Verdict.CONFORMING else -1
            key = (one.feature, c.name, c.lower, c.upper, c.verdict, alone)
            groups.setdefault(key, []).append((one.feature, c))
    rows = [sorted(group, key=lambda pair: order_key(pair[1])) for group in groups.values()]
    rows.sort(key=lambda group: order_key(group[0][1]))
    places = [p.at for group in rows if (p := place(group[0][1])) is not None]
    # The limit always inside the scale, and one value far off does not press the rest together
    reach = min(max(1.25, 1.06 * max(places, default=0.0)), 2.0)
    return reach, [_row(group, reach) for group in rows], hidden


def _second_values(row: ScaleRow, compared: Sequence[ComparedFile], reach: float) -> tuple[SecondValue, ...]:
    """What the same characteristic was in the files to compare with, on the same scale."""
    c, found = row.c, []
    for other in compared:
        value = _same_value(c, other.measured)
        if value is None or c.value is None:
            continue
        # By the limits of this part, also where the other one was judged by others.
        stood = place(msgspec.structs.replace(c, value=value, expanded_uncertainty=None))
        noise_only = given(c.noise_only, False)
        # With the digits of the value beside it: the other file's own uncertainty is not looked up.
        text = words.value_text(value, c.expanded_uncertainty, (c.lower, c.upper), noise_only=noise_only)
        found.append(SecondValue(other.good, text, None if stood is None else on_scale(stood.at, reach)))
    return tuple(found)


def _same_value(c: JudgedValue, other: MeasuredFile) -> float | None:
    """The same characteristic's value in another file, an amplitude also from its spectrum."""
    own = next((o for o in other.result.characteristics if (o.name, o.instance) == (c.name, c.instance)), None)
    spectrum = other.result.spectrum
    if own is not None or c.name != "harmonic_amplitude" or spectrum is None or not c.instance.isdigit():
        return None if own is None else own.value
    by_order = dict(zip(spectrum.upr, spectrum.amplitude_nm, strict=True))
    return by_order.get(int(c.instance))


def on_scale(at: float, reach: float) -> float:
    """Percent of a bar's width for a place; the ends leave room for half a mark."""
    return round(_END_PERCENT + (100.0 - 2 * _END_PERCENT) * min(max(at, 0.0), reach) / reach, 3)


def share_text(at: float, uncertainty: float | None = None, *, noise_only: bool = False) -> str:
    """A place in percent of the limit with the digits that its uncertainty bears, at most one decimal.

    Never rounded onto the limit from one side of it.
    """
    if at >= 10:
        return f"{at:.0f} times" if at < 1e4 else "far over"
    spread = None if uncertainty is None else 100 * uncertainty
    # More digits than the uncertainty bears would claim a distance to the limit that nobody measured.
    digits = 1 if spread is None else min(decimals_of(100 * at, spread, noise_only=noise_only), 1)
    while digits < 6 and at != 1 and float(f"{100 * at:.{digits}f}") == 100:
        digits += 1
    return f"{100 * at:.{digits}f} %"


def _row(group: Sequence[tuple[str, JudgedValue]], reach: float) -> ScaleRow:
    feature, c = group[0]
    found = place(c)
    if found is None:
        share = "no value" if c.value is None else "no scale"
        return ScaleRow(feature, c, share, None, None, None, None, over=False, of=len(group))

    spread = None if found.low is None or found.high is None else (found.high - found.low) / 2

    def percent(at: float | None) -> float | None:
        return None if at is None else on_scale(at, reach)

    return ScaleRow(
        feature,
        c,
        share_text(found.at, spread, noise_only=given(c.noise_only, False)),
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
        # By identity: names and instances are the same in every trace of the part.
        if id(c) not in shown and c.name != "harmonic_amplitude":
            found.setdefault(c.name, []).append(c)
    return list(found.items())


def period_page(period: Period, links: Mapping[PartKey, str], look: Presentation | None = None) -> str:
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
        f"Parts from {_extent(period)}",
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
        zone=None if look is None else look.zone,
        most=max((len(r.parts) for r in period.reasons), default=1),
    )


def _listed(period: Period) -> list[tuple[PartKey, StandingDecision]]:
    """The parts of the period by number and serial; of very many those not accepted and the newest accepted."""
    kept = parts_to_link(period, PARTS_MAX)
    return sorted((key, period.standing[key]) for key in kept if key in period.standing)


def _extent(period: Period) -> str:
    days = [f"{moment:%Y-%m-%d}" for moment in (period.first, period.final) if moment is not None]
    return " to ".join(dict.fromkeys(days)) or "nowhere"


def _time(record: TypedRecord[Body]) -> datetime:
    return datetime.fromisoformat(record.time)
