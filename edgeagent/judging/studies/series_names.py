"""Names of series: which values of traces belong together, and how a person names them."""

from __future__ import annotations

HARMONICS = "harmonic_amplitude"
_WANDERING = frozenset({"spurious_amplitude", "side_band_amplitude", "residual_noise"})
"""Characteristics whose instance says where the worst was found: one series, wherever that is."""


def split_label(label: str) -> tuple[str, str | None]:
    """``name[instance]`` as name and instance; None without brackets."""
    name, mark, rest = label.partition("[")
    return (name, rest.removesuffix("]")) if mark else (label, None)


def harmonic_of(label: str) -> int | None:
    """The UPR of a ``harmonic_amplitude[upr]``, None for anything else."""
    name, instance = split_label(label)
    # isdecimal, not isdigit: int() refuses a superscript two.
    return int(instance) if name == HARMONICS and instance and instance.isdecimal() else None


def series_instance(name: str, instance: str) -> str:
    """Which series of its name a value belongs to: not where the worst was found, which wanders.

    Of a ``resonance_amplitude`` that is the resonance, as ``@1200``, whichever order meets it.
    """
    if name in _WANDERING:
        return ""
    return "@" + instance.rpartition("@")[2] if name == "resonance_amplitude" else instance


def label_of(name: str, instance: str) -> str:
    """The label of the series that a value with this name and instance belongs to."""
    one = series_instance(name, instance)
    return f"{name}[{one}]" if one else name


def by_series(label: str) -> bool:
    """Whether a label names series as a whole: neither a harmonic, nor where the worst of a trace was found."""
    name, instance = split_label(label)
    return name != HARMONICS and (instance is None or series_instance(name, instance) == instance)
