"""Names of characteristics, and which limit a sentence on a value speaks of, as people say them. Pure."""

from __future__ import annotations

import re

_BY_UPR = frozenset(
    {
        "harmonic_amplitude",
        "amplitude_error",
        "en_number",
        "spurious_amplitude",
        "side_band_amplitude",
        "band_rms",
    }
)
"""Characteristics whose instance is an undulation number, or a range of them."""


def spoken_name(name: str, instance: str = "") -> str:
    """A characteristic in words: the recorded name without underscores, and which one of several."""
    words = "En number" if name == "en_number" else name.replace("_", " ")
    if not instance:
        return words
    if name in _BY_UPR:
        return f"{words} at {instance} UPR"
    if name == "resonance_amplitude":
        return f"{words}, {spoken_instance(name, instance)}"
    return f"{words} {spoken_instance(name, instance)}"


def spoken_instance(name: str, instance: str) -> str:
    """Which one of several, beside a name that stands for itself."""
    if name == "band_velocity":
        return f"{instance} Hz"
    order, at, hz = instance.partition("@")
    if name != "resonance_amplitude" or not at:
        return instance
    meets = {"none": "no order", "?": "an order beyond the last one measured"}.get(order, f"{order} UPR")
    return f"{meets} at {hz} Hz"


def spoken_note(note: str) -> str:
    """A check's note with its units as they are printed."""
    return re.sub(r"(?<=[0-9] )um\b", "µm", note)


def limits_at_stake(
    value: float, uncertainty: float | None, lower: float | None, upper: float | None
) -> tuple[bool, bool]:
    """Whether a sentence on a value speaks of its lower and of its upper limit.

    Of two limits it is the one that the value is beyond or nearer to; both where the expanded uncertainty
    reaches both. ``uncertainty`` None: only the nearer one is asked for.
    """
    if lower is None or upper is None:
        return lower is not None, upper is not None
    u = uncertainty or 0.0
    if value - u <= lower and upper <= value + u:
        return True, True
    nearer_upper = upper - value <= value - lower
    return not nearer_upper, nearer_upper
