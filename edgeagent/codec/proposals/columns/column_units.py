"""The unit of a column of an unknown export, from what is written and from how the column runs."""

from __future__ import annotations

import math

import numpy as np

from edgeagent.codec.proposals.columns.column_shapes import (
    POINTS_A_TURN,
    TURN,
    TURNS_MAX,
    Shape,
    whole_turns_in,
)
from edgeagent.codec.proposals.findings import Finding, OpenValue
from edgeagent.codec.proposals.trade_words import LENGTH_UNITS
from edgeagent.codec.proposals.written_units import UNKNOWN_UNIT
from edgeagent.model import FloatArray

_UM = {"um": 1.0, "mm": 1e3, "nm": 1e-3, "m": 1e6, "cm": 1e4, "inch": 25400.0}
_DEVIATION_UM = {"the column's name": (1e-2, 2e3), "the header": (5e-2, 5e2)}
"""Peak to valley, less the slope, that is believed of a unit by where it is written; our own choice."""


def angle_unit(shape: Shape, written: str | None, named: bool) -> tuple[str | OpenValue, Finding]:
    """The unit of an angle column from what is written and from how it runs."""
    fits = whole_turns_in(shape)
    if written is not None and written not in (*TURN, "grad-or-deg"):
        why = "what is written in its name is no unit of an angle that is known here"
        guess = fits[0] if fits else _likely_angle_unit(shape)
        return OpenValue(guess, why, likely=False), Finding("unit of the angle", "unknown", False, why)
    if written == "grad-or-deg":
        # "grad" is a degree in some languages and 1/400 of a turn in others: only whole turns decide.
        written = next((u for u in ("deg", "grad") if fits == (u,)), None)
    if written is not None:
        points = TURN[written] / shape.step if shape.step else 0.0
        if fits and written not in fits:
            why = f"{written} is written, but the steps make whole turns in {fits[0]}"
            return OpenValue(fits[0], why), Finding("unit of the angle", written, False, why)
        if not POINTS_A_TURN[0] <= points <= POINTS_A_TURN[1]:
            why = f"{written} is written, but then a turn would have {points:.3g} points"
            return OpenValue(_likely_angle_unit(shape), why), Finding("unit of the angle", written, False, why)
        # No trace of this kind covers less than a turn.
        if not shape.saw and shape.span + shape.step < 0.9 * TURN[written]:
            why = f"{written} is written, but then the trace covers {shape.span / TURN[written]:.2g} of a turn"
            return OpenValue(_likely_angle_unit(shape), why), Finding("unit of the angle", written, False, why)
        whole = " and the steps make whole turns" if written in fits else ""
        return written, Finding("unit of the angle", written, True, f"the unit is written{whole}")
    # Whole turns in rev or arcmin are no proof: any even column may have a whole number of them.
    strong = [u for u in fits if u in ("deg", "rad", "grad")]
    if len(fits) == 1 and strong and (named or fits[0] == "rad" or not shape.counter):
        turns = round((shape.span + shape.step) / TURN[fits[0]], 2)
        noun = "turn" if turns == 1 else "turns"
        why = (
            f"no unit is written; even steps of {shape.step:.6g} cover {turns:g} whole {noun} only in {fits[0]}"
        )
        return fits[0], Finding("unit of the angle", fits[0], True, why)
    guess = fits[0] if fits else _likely_angle_unit(shape)
    why = "no unit is written, and " + (
        f"the steps make whole turns in {' and in '.join(fits)}" if len(fits) > 1
        else "a column that counts by one may be a row number" if fits and shape.counter
        else f"only the range {shape.span:.6g} speaks for {guess}"
    )  # fmt: skip
    return OpenValue(guess, why), Finding("unit of the angle", guess, False, why)


def _likely_angle_unit(shape: Shape) -> str:
    span = max(shape.span, shape.step)
    return next((u for u in ("deg", "rad", "rev") if 0.9 <= span / TURN[u] <= TURNS_MAX), "deg")


def length_unit(
    what: str, written: tuple[str, float] | None, values: FloatArray, source: str, *, deviation: bool
) -> tuple[dict[str, object], Finding]:
    """Keys ``unit`` and ``scale`` of a column of lengths; ``source`` says where the unit is written."""
    if written is not None and written[0] in LENGTH_UNITS:
        unit, scale = written
        if math.isnan(scale):
            why = f"a number stands beside the unit in {source}: how many {unit} is one of the values?"
            return {"unit": unit, "scale": OpenValue(1.0, why, likely=False)}, Finding(what, unit, False, why)
        keys: dict[str, object] = {"unit": unit} | ({"scale": scale} if scale != 1.0 else {})
        size = _size(values, deviation) * scale * _UM[unit]
        low, high = _DEVIATION_UM[source]
        if deviation and not low <= size <= high:
            why = f"{unit} is written in {source}, but then the trace would range over {size:.3g} µm"
            return keys | {"unit": OpenValue(_likely_length_unit(values), why)}, Finding(what, unit, False, why)
        return keys, Finding(what, unit, True, f"written in {source}")
    if written is not None and written != UNKNOWN_UNIT:
        why = "the values are not lengths (volts, counts or per cent): how many µm is one of them?"
        return {"unit": "um", "scale": OpenValue(1.0, why)}, Finding(what, "unknown", False, why)
    guess = _likely_length_unit(values) if deviation else "mm"
    why = f"no unit is written; the values range over {_size(values, deviation):.4g}, likely in {guess}"
    return {"unit": OpenValue(guess, why)}, Finding(what, guess, False, why)


def _size(values: FloatArray, detrend: bool) -> float:
    finite = values[np.isfinite(values)]
    if len(finite) < 3:
        return 0.0
    if detrend:
        place = np.linspace(-1.0, 1.0, len(finite))
        centred = finite - np.mean(finite)
        # Without the slope: a lead deviation or a tilt may be many times the waves.
        finite = centred - place * float(np.dot(place, centred) / np.dot(place, place))
    return float(np.ptp(finite))


def _likely_length_unit(values: FloatArray) -> str:
    size = _size(values, True)
    # In the order in which instruments write them.
    return next((u for u in ("um", "mm", "nm", "m") if 0.3 <= size * _UM[u] <= 1000.0), "um")
