"""Pictures of one measured file, from its archived result and, where curves are needed, its archived source."""

from __future__ import annotations

import contextlib
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, field

import msgspec
from msgspec import UNSET

from edgeagent.analysis.around.options import SpiralOptions
from edgeagent.analysis.axial.options import AxialOptions
from edgeagent.analysis.axial.sections import groove_sections
from edgeagent.analysis.kinds.axial import nominal_of, sides_of
from edgeagent.codec.plain_text import count_text
from edgeagent.codec.records.archived_result import ArchivedResult
from edgeagent.codec.traces.reader import read_trace
from edgeagent.errors import AnalysisError, ConfigError, InputError, JournalCorruptError
from edgeagent.model import FloatArray, Recipe, Thread, Trace
from edgeagent.model.records import JudgedValue
from edgeagent.report.pictures.draw import Picture
from edgeagent.report.pictures.draw_around import (
    Curves,
    around_picture,
    reading_picture,
    spectrum_picture,
    take_apart,
    turns_picture,
)
from edgeagent.report.pictures.draw_axial import GROOVES_MAX, groove_pictures, pitch_picture
from edgeagent.report.pictures.draw_travel import mean_travel_picture, travel_picture
from edgeagent.report.standing_out import StandingOut, standing_out
from edgeagent.report.story.gather import ComparedFile, MeasuredFile, Store
from edgeagent.report.words import printable
from edgeagent.store.replaying.files import Rulebooks

# Bounds the memory: a trace's curves take some megabytes.
_CURVES_KEPT = 16


@dataclass(slots=True)
class Evidence:
    """What there is to see of one file: pictures, grooves, remarks on what is missing, peaks."""

    pictures: list[Picture] = field(default_factory=list)
    grooves: list[Picture] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    standing_out: StandingOut | None = None


class Gallery:
    """Draws what there is to see of files of one store; curves that several pages compare with are kept."""

    def __init__(self, store: Store) -> None:
        self._store = store
        # Drawn with the recipe that judged the file, not the one that is in force today.
        self._books = Rulebooks(store.archive, None)
        self._curves: OrderedDict[str, Curves | None] = OrderedDict()

    def evidence(self, found: MeasuredFile, name: str, compared: Sequence[ComparedFile] = ()) -> Evidence:
        """All pictures of one file. ``name`` keeps them apart from those of other files on the page.

        What cannot be drawn, because the archive lacks it or the trace does not allow it, becomes a remark.
        ``compared`` are drawn as thin second lines.
        """
        kind = found.body.trace.kind
        seen = Evidence()
        if found.problem is not None:
            seen.remarks.append(
                f"The full result cannot be read from the archive ({found.problem}). "
                "Shown is what the journal itself holds, without spectrum and curves."
            )
        # In the order of `COMPARED`: the pictures know their second lines by place.
        by_sort = {c.good: c.measured for c in compared}
        others = (by_sort.get(True), by_sort.get(False))
        results = tuple(None if o is None else o.result for o in others)
        if kind in ("spiral", "circle"):
            self._around(found, name, seen, others)
        elif kind == "axial":
            self._axial(found, name, seen, results)
        elif kind == "travel":
            drawn = (
                travel_picture(found.result, f"{name}-t", results),
                mean_travel_picture(found.result, f"{name}-m"),
            )
            seen.pictures += [p for p in drawn if p is not None]
        if not seen.pictures and not seen.grooves and not seen.remarks:
            seen.remarks.append("The trace yielded nothing that could be drawn; the checks below say why.")
        return seen

    def _around(
        self, found: MeasuredFile, name: str, seen: Evidence, others: Sequence[MeasuredFile | None]
    ) -> None:
        results = tuple(None if o is None else o.result for o in others)
        spectrum = spectrum_picture(found.result, f"{name}-s", results)
        if spectrum is not None:
            seen.pictures.append(spectrum)
        with contextlib.suppress(ConfigError, JournalCorruptError):  # said below, where the curves need it too
            seen.standing_out = standing_out(found, self._books.of(found.body))
        try:
            trace, options, thread = _source(self._store, self._books, found)
        except (InputError, ConfigError, JournalCorruptError) as error:
            seen.remarks.append(f"The curves cannot be drawn: {printable(error)}.")
            return
        curves = None
        try:
            curves = _taken_apart(found, trace, options, thread)
            seen.pictures += [
                around_picture(curves, found.result, f"{name}-a", [self._curves_of(o) for o in others]),
                turns_picture(curves, f"{name}-t"),
            ]
        except (InputError, AnalysisError) as error:
            seen.remarks.append(f"The trace cannot be taken apart: {printable(error)}.")
        with contextlib.suppress(InputError):  # not one usable sample: the checks say so
            seen.pictures.append(reading_picture(trace, curves, f"{name}-l"))

    def _curves_of(self, other: MeasuredFile | None) -> Curves | None:
        """The curves of a file to compare with; None where there are none to be had."""
        if other is None:
            return None
        digest = other.body.result_sha256
        if digest not in self._curves:
            try:
                made = _taken_apart(other, *_source(self._store, self._books, other))
            except (AnalysisError, InputError, ConfigError, JournalCorruptError):
                made = None
            self._curves[digest] = made
            if len(self._curves) > _CURVES_KEPT:
                self._curves.popitem(last=False)
        # What was used last stays: pages of a period compare with the same good part, one after the other.
        self._curves.move_to_end(digest)
        return self._curves[digest]

    def _axial(
        self, found: MeasuredFile, name: str, seen: Evidence, others: Sequence[ArchivedResult | None]
    ) -> None:
        seen.grooves, more = groove_pictures(found.result, f"{name}-g", self._sections(found, seen), others)
        if more:
            seen.remarks.append(
                f"Drawn are the {GROOVES_MAX} grooves nearest to their limits; "
                f"{count_text(more, 'groove')} more stand in the archived result."
            )
        pitch = pitch_picture(found.result, f"{name}-p", others)
        if pitch is not None:
            seen.pictures.append(pitch)

    def _sections(self, found: MeasuredFile, seen: Evidence) -> dict[str, tuple[FloatArray, FloatArray]]:
        """The measured sections by groove; none, with a remark, where the trace cannot be read again."""
        try:
            trace, recipe = _trace_of(self._store, self._books, found)
            plan = None if recipe is None else recipe.plan(trace.header.feature)
            if (
                recipe is None
                or recipe.thread is None
                or plan is None
                or not isinstance(plan.options, AxialOptions)
            ):
                return {}
            nominal = nominal_of(trace, recipe.thread, plan.options)
            return groove_sections(sides_of(trace), nominal, recipe.thread)
        except (AnalysisError, InputError, ConfigError, JournalCorruptError) as error:
            # Without grooves in the result there is nothing to draw sections for, and nothing to regret.
            if found.result.details.get("axial"):
                seen.remarks.append(f"The measured sections cannot be drawn: {printable(error)}.")
            return {}


def _taken_apart(found: MeasuredFile, trace: Trace, options: SpiralOptions, thread: Thread | None) -> Curves:
    details = found.result.details
    return take_apart(trace, options, float(details.get("factor", 1.0)), thread, details.get("surface"))


def _trace_of(store: Store, books: Rulebooks, found: MeasuredFile) -> tuple[Trace, Recipe | None]:
    """The trace as it was read, and the recipe that judged it."""
    source = found.body.source
    data = store.archive.get(source.sha256 or "")
    side = store.archive.get(source.side_sha256) if source.side_sha256 is not UNSET else None
    rules = books.of(found.body)
    layouts = {key: layout for key, (layout, _) in rules.layouts.items()}
    trace = read_trace(source.name, data, side, layouts).trace
    loaded = rules.recipes.get(trace.header.part or "")
    return trace, None if loaded is None else loaded.recipe


def _source(store: Store, books: Rulebooks, found: MeasuredFile) -> tuple[Trace, SpiralOptions, Thread | None]:
    """The trace as it was read, and the options and the thread that it was analysed with."""
    trace, recipe = _trace_of(store, books, found)
    plan = None if recipe is None else recipe.plan(trace.header.feature)
    thread = None if recipe is None else recipe.thread
    certificate = books.of(found.body).certificates.get(trace.header.artefact or "")
    if certificate is not None and certificate[0].thread is not None:
        # An artefact's thread stands in its certificate, as no recipe speaks of it.
        thread = certificate[0].thread.thread
    if plan is not None and isinstance(plan.options, SpiralOptions):
        return trace, plan.options, thread
    spectrum = found.result.spectrum
    # Without a plan the analysis took its own band: the result says how far it reached.
    reach = spectrum.upr[-1] if spectrum is not None else 0
    options = SpiralOptions()
    if reach > 2 and plan is None:
        options = msgspec.structs.replace(options, upr=(2, reach))
    return trace, options, thread


def alignment_values(result: ArchivedResult) -> list[JudgedValue]:
    """The characteristics that describe the set-up and not the surface."""
    names = ("eccentricity", "tilt", "lead_mismatch", "axis_tilt")
    return [c for c in result.characteristics if c.name in names]
