"""Sentences on a decision: what does not conform, from the worst down, one sentence a fault. Pure.

The same finding at many places of one trace (a contact angle on fourteen flanks, chatter and its multiples) is
one fault: one sentence, with the single values behind it. ``waves`` finds the waves that are one chatter.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from msgspec import UNSET

from edgeagent.model import Verdict
from edgeagent.model.reasons import Code
from edgeagent.model.records import JudgedValue, PartDisposition, given, reasons_of
from edgeagent.report import words
from edgeagent.report.closeness import has_limit, order_key
from edgeagent.report.story.gather import MeasuredFile, PartStory
from edgeagent.report.story.typed_record import TypedRecord
from edgeagent.report.waves import families, order_of
from edgeagent.rules.sentences import sentence, sentences
from edgeagent.rules.words.spoken import limits_at_stake

_URGENCY = {Verdict.NONCONFORMING: 0, Verdict.INCONCLUSIVE: 1, Verdict.CAUTION: 2}
_OF_VALUES = frozenset(
    {Code.OUTSIDE_LIMIT, Code.UNDECIDABLE, Code.OUTSIDE_UNTRUSTED, Code.NEAR_LIMIT, Code.NO_VALUE}
)
"""Reasons that speak of a value, which has its own sentence."""
_BY_ORDER = ("harmonic_amplitude", "amplitude_error", "en_number", "spurious_amplitude")
"""Characteristics whose instances are undulations, each with a limit of its own."""
_OF_CHATTER = ("harmonic_amplitude", "spurious_amplitude")
"""Those of them that come with their multiples; errors of certified waves are one gauge's."""
# A comb over a whole spectrum would fill the page; the table has every order.
_ORDERS_NAMED = 5
# How instances name places, as the analysis writes them.
_PLACES = (
    (re.compile(r"^(top|bottom)\[\d+\]$"), "groove"),
    (re.compile(r"^(top|bottom)\[\d+-\d+\]$"), "pair of grooves"),
    (re.compile(r"^turn\[\d+\]$"), "turn"),
    (re.compile(r"^\d+-\d+$"), "band"),
    (re.compile(r"^(\d+|none|\?)@"), "resonance"),
)


@dataclass(frozen=True, slots=True)
class SaidFault:
    """One sentence on the decision. ``c`` is the characteristic that it speaks of, or the worst of several.

    ``behind`` are the single sentences of a fault at several places, ``heading`` what they are together.
    """

    feature: str
    text: str
    c: JudgedValue | None = None
    later: bool = False
    behind: tuple[SaidFault, ...] = ()
    heading: str = ""


def faults(
    story: PartStory, standing: TypedRecord[PartDisposition] | None, *, accepted: bool
) -> list[SaidFault]:
    """Sentences on the decision: what does not conform, from the worst down, then what is in doubt.

    Of an accepted part: what lies in a caution zone.
    """
    ranked: list[tuple[tuple[float, ...], SaidFault]] = []
    for measured in story.measured:
        later = standing is not None and measured.record.seq > standing.seq
        ranked += _of_values(measured, later, accepted=accepted)
        ranked += _of_checks(measured, later)
    # Between what is proved bad and what is in doubt: why a part is held although its values may conform.
    ranked += [((1, -1), SaidFault("", f"{reason}.")) for reason in _own_reasons(story, standing)]
    ranked += [((0,), SaidFault("", f"{r.body.reason}.")) for r in story.quarantined]
    # What was measured after the decision did not bring it about, however bad it is.
    ranked.sort(key=lambda pair: (pair[1].later, pair[0]))
    return [fault for _, fault in ranked]


def _of_values(
    measured: MeasuredFile, later: bool, *, accepted: bool
) -> Iterator[tuple[tuple[float, ...], SaidFault]]:
    """Sentences on the values of one file that do not clearly conform, each with its rank."""
    groups: dict[tuple[object, ...], list[JudgedValue]] = {}
    for c in measured.result.characteristics:
        urgency = _URGENCY.get(c.verdict)
        # A caution is worth a sentence only where nothing worse kept the part from being accepted
        if urgency is not None and (urgency < _URGENCY[Verdict.CAUTION] or accepted):
            groups.setdefault(_fault_of(c), []).append(c)
    for alike in groups.values():
        # The worst leads its family, and its rank is the sentence's.
        alike.sort(key=_rank)
        for group in _families(alike):
            single = tuple(SaidFault(measured.feature, words.sentence(c), c, later) for c in group)
            if len(group) == 1:
                yield _rank(group[0]), single[0]
                continue
            text = said_once(group, measured.result.characteristics)
            heading = f"the {len(group)} values"
            yield _rank(group[0]), SaidFault(measured.feature, text, group[0], later, single, heading)


def _families(alike: Sequence[JudgedValue]) -> list[list[JudgedValue]]:
    """Waves of a part as families, other values all together; each led by its worst, as ``alike`` is."""
    if alike[0].name not in _OF_CHATTER:
        return [list(alike)]
    found = families([c.instance for c in alike])
    return [[alike[i] for i in family] for family in found]


def _rank(c: JudgedValue) -> tuple[float, ...]:
    # A value that is missing has no distance to a limit: behind those of its verdict that have one.
    return (_URGENCY[c.verdict], *(order_key(c) if c.value is not None else (3,)))


def _fault_of(c: JudgedValue) -> tuple[object, ...]:
    """What two values have in common that are one fault."""
    side = None if c.value is None else _side_of_limits(c, c.value)
    if c.name in _BY_ORDER:
        # Orders have a limit each: the same fault over many of them must not fall apart by their limits.
        return (c.name, c.verdict, side, c.value is None)
    return (words.stem_of(c.name), c.verdict, side, c.value is None, c.unit, c.lower, c.upper)


def _side_of_limits(c: JudgedValue, value: float) -> tuple[bool, ...]:
    """Beyond which limit a value lies, or which limit it is too close to: what its sentence is about."""
    if c.verdict == Verdict.INCONCLUSIVE and not words.far_outside(c, value):
        return (False, *_nearer_limit(c, value))
    below = c.lower is not None and value < c.lower
    return (True, below, c.upper is not None and value > c.upper)


def _nearer_limit(c: JudgedValue, value: float) -> tuple[bool, bool]:
    """Whether an inconclusive value is too close to its lower and to its upper limit."""
    # An unknown uncertainty reaches both limits.
    u = math.inf if c.expanded_uncertainty is None else c.expanded_uncertainty
    return limits_at_stake(value, u, c.lower, c.upper)


def said_once(group: Sequence[JudgedValue], everything: Iterable[JudgedValue]) -> str:
    """One sentence on a fault at several places; ``group`` from the worst down, ``everything`` of its trace."""
    worst = group[0]
    if worst.name in _BY_ORDER:
        orders = sorted((c.instance for c in group), key=order_of)
        more = len(orders) - _ORDERS_NAMED
        named = ", ".join(orders[:_ORDERS_NAMED]) + (f" and {more} more" if more > 0 else "")
        name = f"{words.name_text(worst.name)} at {words.printable(named)} UPR"
        if worst.value is None:
            return f"{name} {words.predicate_of_several(group)}"
        # The name has been said already, with the orders in it.
        rest = words.predicate(worst).removeprefix("is ")
        return f"{name}, worst at {words.printable(worst.instance)} UPR: {rest}"
    one_side = len({c.name for c in group}) == 1
    name = worst.name if one_side else words.stem_of(worst.name)
    same = (c for c in everything if name == (c.name if one_side else words.stem_of(c.name)) and has_limit(c))
    # Out of those with the same limits, or "3 of 14" would count places that nobody asked about.
    like = sum((c.lower, c.upper) == (worst.lower, worst.upper) for c in same)
    return f"{words.name_text(name)} {_places_text(group, like)} {words.predicate_of_several(group)}"


def _places_text(group: Sequence[JudgedValue], like: int) -> str:
    noun = next((n for pattern, n in _PLACES if all(pattern.match(c.instance) for c in group)), "place")
    if noun in ("groove", "place") and len({c.name for c in group}) > 1:
        noun = "flank"
    many = "pairs of grooves" if noun == "pair of grooves" else f"{noun}s"
    where = "in" if noun == "band" else "at" if noun in ("place", "resonance") else "on"
    if len(group) < like:
        return f"{where} {len(group)} of {like} {many}"
    return f"{where} both {many}" if like == 2 else f"{where} all {like} {many}"


def _of_checks(measured: MeasuredFile, later: bool) -> Iterator[tuple[tuple[float, ...], SaidFault]]:
    """Sentences on the failed checks of one file, and its reasons that speak of neither check nor value."""
    failed = [q for q in measured.result.quality if not q.ok]
    for q in failed:
        text = f"{q.check.replace('_', ' ')}: {words.unit_in_note(q.note)}."
        yield (1, 2), SaidFault(measured.feature, text, None, later)
    reasons = reasons_of(measured.body)
    if any(reason.code == Code.RECORDED for reason in reasons):
        # From before reasons had codes: they are those of checks and values, unless there are none of these
        explained = failed or any(c.verdict in _URGENCY for c in measured.result.characteristics)
        reasons = () if explained else reasons
    for reason in reasons:
        if reason.code not in (*_OF_VALUES, Code.CHECK_FAILED, Code.MORE):
            yield (1, 2), SaidFault(measured.feature, f"{sentence(reason)}.", None, later)


def _own_reasons(story: PartStory, standing: TypedRecord[PartDisposition] | None) -> Iterator[str]:
    """Reasons of the disposition that no file has given: the gate, missing traces, a re-measurement."""
    if standing is None:
        return
    body, features = standing.body, {m.feature for m in story.measured}
    if body.reason_codes is not UNSET:
        # Reasons with a feature on the page are said there, with value and uncertainty.
        own = (r for r in body.reason_codes if r.feature not in features and r.code != Code.MORE)
        yield from sentences(own)
        return
    # From before reasons had codes: what the record says beside its sentences
    if body.gate is not UNSET:
        yield body.gate
    if body.missing:
        yield f"missing {', '.join(body.missing)}"
    if body.remeasured:
        yield f"re-measured: {', '.join(given(body.remeasured, ()))}"
