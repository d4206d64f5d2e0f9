"""Pictures of one measured file, from its archived result and, where curves are needed, its archived source."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, field

import msgspec
from msgspec import UNSET

from edgeagent.analysis.around.options import SpiralOptions
from edgeagent.codec.plain_text import count_text
from edgeagent.codec.records.archived_result import ArchivedResult
from edgeagent.codec.traces.reader import read_trace
from edgeagent.errors import AnalysisError, ConfigError, InputError, JournalCorruptError
from edgeagent.model import Thread, Trace
from edgeagent.model.records import JudgedValue
from edgeagent.report.gather import MeasuredFile, Store
from edgeagent.report.pictures.draw import Picture
from edgeagent.report.pictures.draw_around import (
    around_picture,
    reading_picture,
    spectrum_picture,
    take_apart,
    turns_picture,
)
from edgeagent.report.pictures.draw_axial import GROOVES_MAX, groove_pictures, pitch_picture
from edgeagent.report.pictures.draw_travel import mean_travel_picture, travel_picture
from edgeagent.report.standing_out import StandingOut, standing_out
from edgeagent.report.words import printable
from edgeagent.store.replaying.files import Rulebooks


@dataclass(slots=True)
class Evidence:
    """What there is to see of one file: pictures, grooves, remarks on what is missing, peaks."""

    pictures: list[Picture] = field(default_factory=list)
    grooves: list[Picture] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    standing_out: StandingOut | None = None


def evidence(store: Store, books: Rulebooks, found: MeasuredFile, name: str) -> Evidence:
    """All pictures of one file. ``name`` keeps them apart from those of other files on the page.

    What cannot be drawn, because the archive lacks it or the trace does not allow it, becomes a remark.
    """
    kind = found.body.trace.kind
    seen = Evidence()
    if found.problem is not None:
        seen.remarks.append(
            f"The full result cannot be read from the archive ({found.problem}). "
            "Shown is what the journal itself holds, without spectrum and curves."
        )
    if kind in ("spiral", "circle"):
        _around(store, books, found, name, seen)
    elif kind == "axial":
        _axial(found, name, seen)
    elif kind == "travel":
        drawn = (travel_picture(found.result, f"{name}-t"), mean_travel_picture(found.result, f"{name}-m"))
        seen.pictures += [p for p in drawn if p is not None]
    if not seen.pictures and not seen.grooves and not seen.remarks:
        seen.remarks.append("The trace yielded nothing that could be drawn; the checks below say why.")
    return seen


def _around(store: Store, books: Rulebooks, found: MeasuredFile, name: str, seen: Evidence) -> None:
    spectrum = spectrum_picture(found.result, f"{name}-s")
    if spectrum is not None:
        seen.pictures.append(spectrum)
    with contextlib.suppress(ConfigError, JournalCorruptError):  # said below, where the curves need it too
        seen.standing_out = standing_out(found, books.of(found.body))
    factor = found.result.details.get("factor", 1.0)
    try:
        trace, options, thread = _source(store, books, found)
    except (InputError, ConfigError, JournalCorruptError) as error:
        seen.remarks.append(f"The curves cannot be drawn: {printable(error)}.")
        return
    curves = None
    try:
        surface = found.result.details.get("surface")
        curves = take_apart(trace, options, float(factor), thread, surface)
        seen.pictures += [
            around_picture(curves, found.result, f"{name}-a"),
            turns_picture(curves, f"{name}-t"),
        ]
    except (InputError, AnalysisError) as error:
        seen.remarks.append(f"The trace cannot be taken apart: {printable(error)}.")
    with contextlib.suppress(InputError):  # not one usable sample: the checks say so
        seen.pictures.append(reading_picture(trace, curves, f"{name}-l"))


def _source(store: Store, books: Rulebooks, found: MeasuredFile) -> tuple[Trace, SpiralOptions, Thread | None]:
    """The trace as it was read, and the options and the thread that it was analysed with."""
    source = found.body.source
    data = store.archive.get(source.sha256 or "")
    side = store.archive.get(source.side_sha256) if source.side_sha256 is not UNSET else None
    rules = books.of(found.body)
    layouts = {key: layout for key, (layout, _) in rules.layouts.items()}
    trace = read_trace(source.name, data, side, layouts).trace
    plan = thread = None
    if trace.header.part is not None and trace.header.part in rules.recipes:
        recipe = rules.recipes[trace.header.part].recipe
        plan, thread = recipe.plan(trace.header.feature), recipe.thread
    certificate = rules.certificates.get(trace.header.artefact or "")
    if certificate is not None and certificate[0].thread is not None:
        thread = certificate[0].thread.thread
    if plan is not None and isinstance(plan.options, SpiralOptions):
        return trace, plan.options, thread
    spectrum = found.result.spectrum
    reach = spectrum.upr[-1] if spectrum is not None else 0
    options = SpiralOptions()
    if reach > 2 and plan is None:
        options = msgspec.structs.replace(options, upr=(2, reach))
    return trace, options, thread


def _axial(found: MeasuredFile, name: str, seen: Evidence) -> None:
    seen.grooves, more = groove_pictures(found.result, f"{name}-g")
    if more:
        seen.remarks.append(
            f"Drawn are the {GROOVES_MAX} grooves nearest to their limits; "
            f"{count_text(more, 'groove')} more stand in the archived result."
        )
    pitch = pitch_picture(found.result, f"{name}-p")
    if pitch is not None:
        seen.pictures.append(pitch)


def alignment_values(result: ArchivedResult) -> list[JudgedValue]:
    """The characteristics that describe the set-up and not the surface."""
    names = ("eccentricity", "tilt", "lead_mismatch", "axis_tilt")
    return [c for c in result.characteristics if c.name in names]
