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

from edgeagent.codec.plain_text import clean
from edgeagent.model import NOISE_ONLY, InstrumentUncertainty, Verdict
from edgeagent.model.records import JudgedValue, given
from edgeagent.rules.words.digits import Written, decimals_of, limit_digits, written

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
NARROW_SPACE = "\u202f"
"""Between a number and its unit, where a line must not break."""


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
    if text.startswith("-") and not text.strip("-0."):
        text = text[1:]
    return text.replace("-", "\u2212")


def unit_in_note(note: str) -> str:
    """A check's note with its units as they are printed."""
    return re.sub(r"(?<=[0-9] )um\b", "µm", printable(note))


def name_text(name: str, instance: str = "") -> str:
    """A characteristic in words: the recorded name without underscores, and which one of several."""
    words = "En number" if name == "en_number" else printable(name).replace("_", " ")
    if not instance:
        return words
    if name in ("harmonic_amplitude", "amplitude_error", "en_number", "spurious_amplitude", "band_rms"):
        return f"{words} at {printable(instance)} UPR"
    if name == "resonance_amplitude":
        return f"{words}, {instance_text(name, instance)}"
    return f"{words} {instance_text(name, instance)}"


def instance_text(name: str, instance: str) -> str:
    """Which one of several, beside a name that stands for itself."""
    shown = printable(instance)
    if name == "band_velocity":
        return f"{shown} Hz"
    order, at, hz = shown.partition("@")
    if name != "resonance_amplitude" or not at:
        return shown
    meets = {"none": "no order", "?": "an order beyond the last one measured"}.get(order, f"{order} UPR")
    return f"{meets} at {hz} Hz"


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
    if u is None:
        return with_unit(found, unit)
    if noise_only:
        return f"{with_unit(found, unit)} (± {with_unit(uncertainty_text(u), unit)} {OF_NOISE})"
    if unit_text(unit) == "°":
        return f"{found}° ± {uncertainty_text(u)}°"
    return with_unit(f"{found} ± {uncertainty_text(u)}", unit)


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
        if lower == -upper:
            return f"limits ±{with_unit(limit_text(upper, c), c.unit)}"
        return f"limits {limit_text(lower, c)} to {with_unit(limit_text(upper, c), c.unit)}"
    if upper is not None:
        return f"upper limit {with_unit(limit_text(upper, c), c.unit)}"
    return f"lower limit {with_unit(limit_text(lower or 0.0, c), c.unit)}"


def _bounds_text(c: JudgedValue) -> str:
    """The limits of a characteristic inside a sentence."""
    lower, upper = c.lower, c.upper
    if lower is not None and upper is not None:
        return f"its {limits_text(c)}"
    bound = upper if upper is not None else lower
    which = "upper" if upper is not None else "lower"
    return f"its {which} limit of {with_unit(limit_text(bound or 0.0, c), c.unit)}"


def _beyond(c: JudgedValue, value: float) -> str:
    """On which side of its limits a value lies, how far, and as a multiple where that says something."""
    if c.upper is not None and value > c.upper:
        side, excess = "above", value - c.upper
    elif c.lower is not None and value < c.lower:
        side, excess = "below", c.lower - value
    else:
        return f"within {_bounds_text(c)}"
    by = with_unit(f"{excess:.{len(_written(c).value.partition('.')[2])}f}", c.unit)
    words = f"{side} {_bounds_text(c)} by {by}"
    if side == "above" and c.lower is None and c.upper is not None and c.upper > 0:
        return f"{words}, {times_text(value / c.upper, c)} times the limit"
    return words


def times_text(times: float, c: JudgedValue) -> str:
    """A multiple of the upper limit with the digits that the uncertainty bears, at most two decimals."""
    u = c.expanded_uncertainty
    wanted = decimals_of(times, u / c.upper if u and c.upper else None)
    return f"{times:.{min(wanted, 2 if times < 10 else 0)}f}"


def sentence(c: JudgedValue) -> str:
    """What a value says against its limit, with value, limit and uncertainty."""
    who = name_text(c.name, c.instance)
    if c.value is None:
        limits = limits_text(c)
        return f"{who} has no value, though the recipe asks for it{f' ({limits})' if limits else ''}."
    if c.verdict == Verdict.INCONCLUSIVE and _far_outside(c, c.value):
        found = f"{who} is {judged_value_text(c)}, {_beyond(c, c.value)}"
        return f"{found}, which a trace with failed checks cannot prove."
    if c.verdict == Verdict.INCONCLUSIVE:
        return f"{who} is {judged_value_text(c)}, too close to {_bounds_text(c)} to decide."
    found = f"{who} is {judged_value_text(c)}, {_beyond(c, c.value)}"
    if c.verdict == Verdict.CAUTION:
        return f"{found}, but inside the caution zone."
    return f"{found}."


def sentence_of_several(group: Sequence[JudgedValue]) -> str:
    """What values with the same limits and verdict say together, the worst first, without their name."""
    worst = group[0]
    limits = limits_text(worst)
    if worst.value is None:
        return f"has no value, though the recipe asks for it{f' ({limits})' if limits else ''}."
    texts = list(dict.fromkeys(_written(c).value for c in (_least(group), _most(group)) if c.value is not None))
    shown = " to ".join(map(minus, texts))
    found = judged_value_text(worst).replace(minus(_written(worst).value), shown, 1)
    if worst.verdict == Verdict.INCONCLUSIVE and not _far_outside(worst, worst.value):
        return f"is {found}, too close to {_bounds_text(worst)} to decide."
    side = _beyond(worst, worst.value).replace(" by ", " by up to ", 1)
    rest = ""
    if worst.verdict == Verdict.INCONCLUSIVE:
        rest = ", which a trace with failed checks cannot prove"
    elif worst.verdict == Verdict.CAUTION:
        rest = ", but inside the caution zone"
    return f"is {found}, {side}{rest}."


def _least(group: Sequence[JudgedValue]) -> JudgedValue:
    return min(group, key=lambda c: c.value or 0.0)


def _most(group: Sequence[JudgedValue]) -> JudgedValue:
    return max(group, key=lambda c: c.value or 0.0)


def _far_outside(c: JudgedValue, value: float) -> bool:
    """Whether a value lies beyond a limit by more than any rule asks for."""
    beyond = max(
        -math.inf if c.upper is None else value - c.upper, -math.inf if c.lower is None else c.lower - value
    )
    return beyond > 2.5 * (c.expanded_uncertainty or 0.0) and beyond > 0


def span_text(span: timedelta) -> str:
    """An age in the two largest units."""
    minutes = max(int(span.total_seconds() // 60), 0)
    days, rest = divmod(minutes, 1440)
    hours, minutes = divmod(rest, 60)
    if days:
        return f"{days} d {hours} h"
    return f"{hours} h {minutes} min" if hours else f"{minutes} min"
