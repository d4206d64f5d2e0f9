"""Numbers, units, names and sentences of a report. Pure: values in, text out.

Texts that a file brought along stay text: what a terminal or a browser could obey is taken out here or escaped
by the template.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from datetime import timedelta

from msgspec import UNSET, UnsetType

from edgeagent.model import NOISE_ONLY, InstrumentUncertainty, Verdict
from edgeagent.model.records import JudgedValue, given
from edgeagent.printable import NARROW_SPACE, clean
from edgeagent.rules.words.digits import Written, decimals_of, limit_digits, written
from edgeagent.rules.words.spoken import limits_at_stake, spoken_instance, spoken_name, spoken_note

UNITS: Mapping[str, str] = {
    "um": "µm",
    "nm": "nm",
    "mm": "mm",
    "deg": "°",
    "um/turn": "µm per turn",
    "um/s": "µm/s",
    "1": "",
}
OF_NOISE = "noise of this trace"
"""What an uncertainty is called where the station states nothing of its instrument."""
_SPREAD_APART = 1.5
"""From this ratio on, the largest uncertainty of several values is not that of the others, too."""


def printable(text: object) -> str:
    """A text without control, direction or other unprintable characters; each becomes a question mark."""
    return clean(text, keep=NARROW_SPACE)


def unit_text(unit: str) -> str:
    """A unit as it is printed."""
    return UNITS.get(unit, printable(unit))


def with_unit(number: str, unit: str) -> str:
    """A number and its unit; the degree sign follows without a gap, other units after a narrow one."""
    shown = unit_text(unit)
    if not shown:
        return number
    return f"{number}{shown}" if shown == "°" else f"{number}{NARROW_SPACE}{shown}"


def limit_text(limit: float, c: JudgedValue | None = None) -> str:
    """A limit as the recipe writes it; one that was interpolated with the digits of its value."""
    if c is None or c.value is None:
        return minus(limit_digits(limit))
    lower, upper = _written(c).limits
    return minus(lower if limit == c.lower else upper)


def _written(c: JudgedValue) -> Written:
    assert c.value is not None
    noise_only = given(c.noise_only, False)
    return written(c.value, c.expanded_uncertainty, (c.lower, c.upper), noise_only=noise_only)


def value_text(
    value: float,
    uncertainty: float | None = None,
    limits: tuple[float | None, ...] = (),
    *,
    noise_only: bool = False,
) -> str:
    """A value with as many decimals as its uncertainty bears, never rounded onto a limit it differs from."""
    return minus(written(value, uncertainty, limits, noise_only=noise_only).value)


def uncertainty_text(uncertainty: float) -> str:
    """An expanded uncertainty with two digits."""
    if uncertainty <= 0:
        return "0"
    return f"{uncertainty:.{decimals_of(0.0, uncertainty)}f}"


def minus(text: str) -> str:
    """A number with a true minus sign, and no negative zero."""
    # "-0.0" is a rounded value just below 0.
    if text.startswith("-") and not text.strip("-0."):
        text = text[1:]
    return text.replace("-", "\u2212")


def unit_in_note(note: str) -> str:
    """A check's note with its units as they are printed."""
    return printable(spoken_note(note))


def name_text(name: str, instance: str = "") -> str:
    """A characteristic in words: the recorded name without underscores, and which one of several."""
    return printable(spoken_name(name, instance))


def instance_text(name: str, instance: str) -> str:
    """Which one of several, beside a name that stands for itself."""
    return printable(spoken_instance(name, instance))


def stem_of(name: str) -> str:
    """A characteristic's name without the flank that it was found on."""
    return re.sub(r"_(left|right)$", "", name)


def feature_text(feature: str) -> str:
    """A feature's name for a heading."""
    return printable(feature).replace("-", " ").replace("_", " ")


def value_with_uncertainty(
    value: float | None,
    u: float | None,
    unit: str,
    limits: tuple[float | None, ...] = (),
    *,
    noise_only: bool = False,
) -> str:
    """A value, its expanded uncertainty and its unit; the noise of its trace by that name."""
    if value is None:
        return "no value"
    found = value_text(value, u, limits, noise_only=noise_only)
    return _beside_uncertainty(found, u, unit, noise_only=noise_only)


def _beside_uncertainty(found: str, u: float | None, unit: str, *, noise_only: bool, most: bool = False) -> str:
    """One value or several as text, with the expanded uncertainty; ``most``: the largest of several."""
    if u is None:
        return with_unit(found, unit)
    spread = f"{'up to ' if most else ''}{uncertainty_text(u)}"
    if noise_only:
        return f"{with_unit(found, unit)} (± {with_unit(spread, unit)} {OF_NOISE})"
    if unit_text(unit) == "°":
        return f"{found}° ± {spread}°"
    return with_unit(f"{found} ± {spread}", unit)


def judged_value_text(c: JudgedValue) -> str:
    """Value, expanded uncertainty and unit of a characteristic."""
    noise_only = given(c.noise_only, False)
    limits = (c.lower, c.upper)
    return value_with_uncertainty(c.value, c.expanded_uncertainty, c.unit, limits, noise_only=noise_only)


def verdict_text(c: JudgedValue) -> str:
    """The verdict, with the probability that the true value conforms where its uncertainty is known."""
    probability = given(c.conformance_probability, None)
    if probability is None:
        return c.verdict.value
    # One decimal would print 100.0 or 0.0 %, which no uncertainty allows.
    if probability > 0.9995:
        share = f">{NARROW_SPACE}99.9"
    elif probability < 0.0005:
        share = f"<{NARROW_SPACE}0.1"
    else:
        share = f"{100 * probability:.1f}"
    return f"{c.verdict.value} ({share}{NARROW_SPACE}%)"


def uncertainty_sources(stated: InstrumentUncertainty | UnsetType) -> str:
    """What a measurement's uncertainty was made from, by the ``uncertainty`` of its record."""
    if stated is UNSET:
        return f"{NOISE_ONLY}: nothing is stated of the instrument"
    sources = (
        ("scale of the gauge", stated.gauge_scale, ""),
        ("length scale", stated.length_scale, ""),
        ("tip radius", stated.tip_radius_mm, "mm"),
        ("temperature", stated.temperature_k, "K"),
    )
    found = [f"{name} {with_unit(f'{u:g}', unit)}" for name, u, unit in sources if u is not None]
    if stated.waves:
        worst = max(abs(deviation) for _, _, deviation in stated.waves)
        last = f", last deviations up to {100 * worst:.2g} %" if worst else ""
        found.append(f"artefact's certificate at {len(stated.waves)} waves{last}")
    return f"noise of the trace, and what the recipe says of the part; of the instrument {', '.join(found)}"


def limits_text(c: JudgedValue) -> str:
    """The limits of a characteristic; empty where it has none."""
    lower, upper = c.lower, c.upper
    if lower is None and upper is None:
        return ""
    if lower is not None and upper is not None:
        # ±: as a drawing writes it.
        if lower == -upper:
            return f"limits ±{with_unit(limit_text(upper, c), c.unit)}"
        return f"limits {limit_text(lower, c)} to {with_unit(limit_text(upper, c), c.unit)}"
    if upper is not None:
        return f"upper limit {with_unit(limit_text(upper, c), c.unit)}"
    return f"lower limit {with_unit(limit_text(lower or 0.0, c), c.unit)}"


def _bounds_text(c: JudgedValue, at_stake: tuple[bool, bool] = (True, True)) -> str:
    """The limits of a characteristic inside a sentence, or the one of them that is at stake."""
    lower, upper = c.lower, c.upper
    if lower is not None and upper is not None and all(at_stake):
        return f"its {limits_text(c)}"
    above = upper is not None and at_stake[1]
    bound = upper if above else lower
    return f"its {'upper' if above else 'lower'} limit of {with_unit(limit_text(bound or 0.0, c), c.unit)}"


def _undecided_between(c: JudgedValue) -> str:
    """The limit that an inconclusive value is too close to, or both."""
    assert c.value is not None
    u = math.inf if c.expanded_uncertainty is None else c.expanded_uncertainty
    return _bounds_text(c, limits_at_stake(c.value, u, c.lower, c.upper))


def _beyond(c: JudgedValue, value: float, up_to: str = "") -> str:
    """On which side of its limits a value lies, how far, and as a multiple of an upper limit above 0."""
    if c.upper is not None and value > c.upper:
        side, excess = "above", value - c.upper
    elif c.lower is not None and value < c.lower:
        side, excess = "below", c.lower - value
    else:
        return f"within {_bounds_text(c)}"
    # With the decimals of the value, so that value, limit and excess add up on paper.
    by = with_unit(f"{excess:.{len(_written(c).value.partition('.')[2])}f}", c.unit)
    words = f"{side} {_bounds_text(c)} by {up_to}{by}"
    if side == "above" and c.lower is None and c.upper is not None and c.upper > 0:
        times = times_text(value / c.upper, c)
        # "1.00 times the limit" would say that the value lies on it
        return words if float(times) == 1 else f"{words}, {up_to}{times} times the limit"
    return words


def times_text(times: float, c: JudgedValue) -> str:
    """A multiple of the upper limit with the digits that the uncertainty bears, at most two decimals."""
    u = c.expanded_uncertainty
    wanted = decimals_of(times, u / c.upper if u and c.upper else None)
    return f"{times:.{min(wanted, 2 if times < 10 else 0)}f}"


def sentence(c: JudgedValue) -> str:
    """One sentence on a value against its limit, with value, limit and uncertainty."""
    return f"{name_text(c.name, c.instance)} {predicate(c)}"


def predicate(c: JudgedValue) -> str:
    """As ``sentence``, without the name in front."""
    if c.value is None:
        return _without_value([c])
    return _judged(c, judged_value_text(c))


def predicate_of_several(group: Sequence[JudgedValue]) -> str:
    """The predicate of values with one verdict on one side of the same limits, the worst first."""
    worst = group[0]
    if worst.value is None:
        return _without_value(group)
    spreads = [c.expanded_uncertainty for c in group if c.expanded_uncertainty is not None]
    # An uncertainty that not every one of them has would be said of those too that have none
    u = max(spreads) if len(spreads) == len(group) else None
    most = u is not None and len(set(spreads)) > 1 and u >= _SPREAD_APART * min(spreads)
    noise_only = given(worst.noise_only, False)
    texts = dict.fromkeys(
        value_text(c.value, u, (c.lower, c.upper), noise_only=noise_only)
        for c in (_least(group), _most(group))
        if c.value is not None
    )
    shown = _beside_uncertainty(" to ".join(texts), u, worst.unit, noise_only=noise_only, most=most)
    return _judged(worst, shown, "up to ")


def _without_value(group: Sequence[JudgedValue]) -> str:
    limits = {limits_text(c) for c in group}
    one = limits.pop() if len(limits) == 1 else ""
    if [(c.name, c.instance) for c in group] == [("harmonic_amplitude", "")]:
        return "is not known at every order that the recipe limits."
    return f"has no value, though the recipe asks for it{f' ({one})' if one else ''}."


def _judged(c: JudgedValue, shown: str, up_to: str = "") -> str:
    assert c.value is not None
    if c.verdict == Verdict.INCONCLUSIVE and not far_outside(c, c.value):
        return f"is {shown}, too close to {_undecided_between(c)} to decide."
    rest = {
        Verdict.INCONCLUSIVE: ", which a trace with failed checks cannot prove",
        Verdict.CAUTION: ", but inside the caution zone",
    }.get(c.verdict, "")
    return f"is {shown}, {_beyond(c, c.value, up_to)}{rest}."


def _least(group: Sequence[JudgedValue]) -> JudgedValue:
    return min(group, key=lambda c: c.value or 0.0)


def _most(group: Sequence[JudgedValue]) -> JudgedValue:
    return max(group, key=lambda c: c.value or 0.0)


def far_outside(c: JudgedValue, value: float) -> bool:
    """Whether a value lies beyond a limit by more than any rule asks for."""
    beyond = max(
        -math.inf if c.upper is None else value - c.upper, -math.inf if c.lower is None else c.lower - value
    )
    # Five standard uncertainties: what lies so far outside is held for a failed check alone.
    return beyond > 2.5 * (c.expanded_uncertainty or 0.0) and beyond > 0


def span_text(span: timedelta) -> str:
    """An age in the two largest units."""
    minutes = max(int(span.total_seconds() // 60), 0)
    days, rest = divmod(minutes, 1440)
    hours, minutes = divmod(rest, 60)
    if days:
        return f"{days} d {hours} h"
    return f"{hours} h {minutes} min" if hours else f"{minutes} min"
