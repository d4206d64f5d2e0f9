"""What stands out of a spectrum, as rows of a table: computed from the archived result, nothing is stored."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from edgeagent.analysis.around.at_speed import excited_harmonics
from edgeagent.analysis.around.peaks import described_peaks, resonance_text, span_text
from edgeagent.codec.records.archived_result import ResultOrders
from edgeagent.judging.evaluation.evaluate import Rulebook
from edgeagent.model import COVERAGE_FACTOR, Running, Spectrum, Thread
from edgeagent.model.records import JudgedValue
from edgeagent.report.story.gather import MeasuredFile
from edgeagent.report.words import judged_value_text, value_with_uncertainty, with_unit
from edgeagent.rules.words.digits import written

_ORDERS_SHOWN = 5


@dataclass(frozen=True, slots=True)
class SpectrumRow:
    """One comb, line or raised floor. Every cell is a text and a second, pale one that may be empty."""

    what: tuple[str, str]
    amplitude_nm: float
    amplitude: tuple[str, str]
    at_speed: tuple[str, str]
    ground: tuple[str, str]


@dataclass(frozen=True, slots=True)
class StandingOut:
    """The rows, and the speeds that head their columns; empty where the recipe does not state them."""

    rows: tuple[SpectrumRow, ...]
    speed: str
    work: str


def standing_out(found: MeasuredFile, rules: Rulebook) -> StandingOut | None:
    """What stands out of a part's spectrum; None for traces of an artefact and for results without one.

    Speeds and thread are those of the recipe that the trace was judged by.
    """
    stored, trace = found.result.spectrum, found.body.trace
    if stored is None or trace.of_artefact is not None:
        return None
    recipe = rules.recipes.get(trace.of_part[0])
    running: Running | None = recipe.recipe.running if recipe is not None else None
    track = trace.kind == "spiral"  # a circle is no ball track
    thread: Thread | None = recipe.recipe.thread if recipe is not None and track else None
    spectrum = Spectrum(
        np.asarray(stored.upr, dtype=np.int64),
        *(np.asarray(v, dtype=np.float64) for v in (stored.amplitude_nm, stored.phase_deg, stored.noise_nm)),
    )
    # Where an order was judged its uncertainty is in the result; the spectrum has its noise alone.
    judged = {c.instance: c for c in found.result.characteristics if c.name == "harmonic_amplitude"}
    rows = [_row(peak, spectrum, judged, running) for peak in described_peaks(spectrum, running, thread)]
    rows += _orders(found.result.orders, running, thread)
    return StandingOut(tuple(rows), *_speeds(running, thread))


def _orders(lines: ResultOrders | None, running: Running | None, thread: Thread | None) -> list[SpectrumRow]:
    """Waves that do not close in one turn, with the limit that judges them."""
    if lines is None:
        return []
    rows = []
    for upr, amplitude_nm, u, upper in zip(
        lines.upr, lines.amplitude_nm, lines.noise_nm, lines.upper_nm, strict=True
    ):
        # Nothing was found at this order: there is nothing to stand out.
        if amplitude_nm is None:
            continue
        shown = value_with_uncertainty(amplitude_nm, None if u is None else COVERAGE_FACTOR * u, "nm")
        (bound,) = written(amplitude_nm, None if u is None else COVERAGE_FACTOR * u, (upper,)).limits
        limit = f"limit {with_unit(bound, 'nm')}" if bound else "no limit"
        moves, ground = ("", ""), ("", "")
        if running is not None and thread is not None and running.speed_rpm is not None:
            (excited,) = excited_harmonics([upr], thread, running)
            met = ", ".join(with_unit(f"{f:g}", "Hz") for f in excited.resonances_hz)
            moves = (
                with_unit(span_text((excited.low_hz, excited.high_hz)), "Hz"),
                f"on the resonance at {met}" if met else "",
            )
        if running is not None and running.work_rpm is not None:
            ground = (with_unit(f"{upr * running.work_rpm / 60:.4g}", "Hz"), "")
        what = ("wave that does not close in a turn", f"{upr:.2f} UPR")
        rows.append(SpectrumRow(what, amplitude_nm, (shown, limit), moves, ground))
    return rows


def _speeds(running: Running | None, thread: Thread | None) -> tuple[str, str]:
    if running is None:
        return "", ""
    speed = span_text(running.speed_rpm) if running.speed_rpm is not None and thread is not None else ""
    return speed, "" if running.work_rpm is None else f"{running.work_rpm:g}"


def _row(
    peak: Mapping[str, Any],
    spectrum: Spectrum,
    judged: Mapping[str, JudgedValue],
    running: Running | None,
) -> SpectrumRow:
    """A comb, line or floor; its amplitude as it was judged, else with the noise of its trace."""
    upr = peak["upr"]
    amplitude_nm = max(peak["amplitude_nm"])
    times = f"{peak['ratio']:.1f} times" if peak["ratio"] < 10 else f"{peak['ratio']:.0f} times"
    if peak["pattern"] == "floor":
        what = ("raised floor", f"{upr[0]} to {upr[1]} UPR")
        amplitude = (f"about {with_unit(f'{amplitude_nm:.3g}', 'nm')}", f"{times} the trend of the rest")
    else:
        greatest = peak["greatest_upr"]
        u = COVERAGE_FACTOR * float(spectrum.noise_nm[greatest - 1])
        shown = value_with_uncertainty(amplitude_nm, u, "nm", noise_only=True)
        if str(greatest) in judged:
            shown = judged_value_text(judged[str(greatest)])
        amplitude = (f"{shown} at {peak['greatest_upr']} UPR", f"{times} its surroundings")
        what = ("lone line", f"{upr[0]} UPR")
    if peak["pattern"] == "comb":
        orders = ", ".join(str(n) for n in upr[:_ORDERS_SHOWN]) + (" …" if len(upr) > _ORDERS_SHOWN else "")
        what = (f"comb, every {peak['spacing']} UPR", orders)
    return SpectrumRow(what, amplitude_nm, amplitude, _at_speed(peak), _ground(peak, running))


def _at_speed(peak: Mapping[str, Any]) -> tuple[str, str]:
    if peak["speed_hz"] is None:
        return "", ""
    return with_unit(span_text(peak["speed_hz"]), "Hz"), resonance_text(peak)


def _ground(peak: Mapping[str, Any], running: Running | None) -> tuple[str, str]:
    """The frequency while the part was ground, and the machine frequency that fits it."""
    if peak["ground_hz"] is None or running is None:
        return "", ""
    found = with_unit(span_text(peak["ground_hz"]), "Hz")
    if running.wheel_rpm is None or peak["pattern"] == "floor":
        return found, ""
    wheel, multiple = with_unit(f"{running.wheel_rpm / 60:.4g}", "Hz"), peak["wheel_multiple"]
    if multiple is None:
        return found, f"fits no multiple of the wheel's {wheel}"
    return found, f"fits {'' if multiple == 1 else f'{multiple} times '}the wheel's {wheel}"
