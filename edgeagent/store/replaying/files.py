"""A chunk of measurement records to outcomes: each file computed again from its archived bytes, and compared.

Nothing stored in between is trusted: source, recipe, layout and certificate come from the archive by their
digests, the decision rule from the record. The same chunk gives the same outcomes in whatever process.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import msgspec

from edgeagent.codec.configuration.settings import parse_certificate, parse_settings
from edgeagent.codec.records.result import encode
from edgeagent.codec.traces.layout import parse_layout
from edgeagent.errors import ConfigError, InputError, JournalCorruptError
from edgeagent.judging.agreement import Agreement, Mismatch, compare_results
from edgeagent.judging.bodies import listed_reasons
from edgeagent.judging.configuration import Document, LoadedRecipe, recipe_from_documents
from edgeagent.judging.evaluation.evaluate import Evaluation, Rulebook, evaluate
from edgeagent.judging.replaying.record_result import result_mismatches
from edgeagent.judging.replaying.references import references
from edgeagent.judging.replaying.unlike import evaluation_mismatches
from edgeagent.model import PLANE_OFFSET_MM, PLANE_YAW_DEG
from edgeagent.model.records import Measurement, given
from edgeagent.store.archive import Archive
from edgeagent.store.replaying.outcomes import DecidedAgain, Difference, FileOutcome
from edgeagent.store.replaying.places import StorePlace

# A version that changes every value differs in thousands of places a file.
_MISMATCHES_SHOWN = 20
_RULEBOOKS_MAX = 256


class FileTask(msgspec.Struct, frozen=True):
    """A measurement record, with the digest of the agent.toml that was in force; None where none is known."""

    seq: int
    body: Measurement
    agent_sha256: str | None


@dataclass(frozen=True, slots=True)
class FilesChunk:
    """Files of one store. With ``recipes`` they are judged by those, and nothing is compared."""

    place: StorePlace
    files: tuple[FileTask, ...]
    recipes: Mapping[str, LoadedRecipe] | None = None


def compute_files(chunk: FilesChunk) -> list[FileOutcome]:
    """The outcome of every file of a chunk, in its order. Damage is an outcome; raises nothing on purpose."""
    archive, books = chunk.place.archive(), _books(chunk.place)
    if chunk.recipes is not None:
        # Not cached: the recipes that are asked about are no part of the place.
        books = Rulebooks(archive, chunk.recipes)
    return [
        replace(_outcome(task, archive, books, compare=chunk.recipes is None), agent_sha256=task.agent_sha256)
        for task in chunk.files
    ]


@lru_cache(maxsize=64)
def _books(place: StorePlace) -> Rulebooks:
    return Rulebooks(place.archive(), None)


class Rulebooks:
    """Rulebooks as they were, made once per set of digests."""

    def __init__(self, archive: Archive, recipes: Mapping[str, LoadedRecipe] | None) -> None:
        self._archive = archive
        self._other = recipes
        self._made: dict[bytes, Rulebook] = {}

    def of(self, body: Measurement, agent_sha256: str | None = None) -> Rulebook:
        """The rulebook that one measurement record was decided with; see `FileTask`.

        Raises ConfigError, JournalCorruptError.
        """
        used = (body.recipe, body.layout, body.certificate_sha256, body.rule, given(body.uncertainty, None))
        identity = encode((*used, agent_sha256))
        if identity not in self._made:
            # Measured deviations are part of it: every verification of ten years makes another one.
            if len(self._made) >= _RULEBOOKS_MAX:
                self._made.clear()
            self._made[identity] = self._make(body, agent_sha256)
        return self._made[identity]

    def _make(self, body: Measurement, agent_sha256: str | None) -> Rulebook:
        recipes: Mapping[str, LoadedRecipe] = {}
        if self._other is not None:
            recipes = self._other
        elif body.recipe is not None:
            document = self._document("recipe", body.recipe.sha256)
            files = {n: self._document(n, d) for n, d in given(body.recipe.files, {}).items()}
            loaded = recipe_from_documents(document, files)
            # The one recipe that the record names, not those of today: a part may have had several.
            recipes = {loaded.recipe.part: loaded}
        layouts = {}
        if body.layout is not None:
            layout = self._document(body.layout.name, body.layout.sha256)
            layouts[layout.name] = parse_layout(layout.data, layout.name), layout
        certificates = {}
        if body.certificate_sha256 is not None:
            found = self._document("certificate", body.certificate_sha256)
            certificate = parse_certificate(found.data, found.name)
            certificates[certificate.artefact] = certificate, found
        # Where no configuration is known: what a station that states nothing has.
        offset_mm, yaw_deg = PLANE_OFFSET_MM, PLANE_YAW_DEG
        if agent_sha256 is not None:
            station = parse_settings(self._document("agent.toml", agent_sha256).data, "agent.toml").station
            offset_mm, yaw_deg = station.plane_offset_mm, station.plane_yaw_deg
        return Rulebook(
            body.rule,
            recipes,
            layouts,
            certificates,
            given(body.uncertainty, None),
            plane_offset_mm=offset_mm,
            plane_yaw_deg=yaw_deg,
        )

    def _document(self, name: str, digest: str) -> Document:
        return Document(name, self._archive.get(digest))


def recompute(task: FileTask, archive: Archive, rules: Rulebook) -> Evaluation:
    """One file from its archived bytes. Raises JournalCorruptError, InputError, ConfigError."""
    source = task.body.source
    data = archive.get(str(source.sha256))
    side_sha256 = given(source.side_sha256, None)
    side = archive.get(side_sha256) if side_sha256 is not None else None
    return evaluate(source.name, data, side, rules, digest=source.sha256)


def _outcome(task: FileTask, archive: Archive, books: Rulebooks, *, compare: bool) -> FileOutcome:
    body, seq = task.body, task.seq
    if compare and any(archive.is_away(digest) for _, digest in references(body)):
        return FileOutcome(seq, away=True)  # in a sealed file that is somewhere else: its record stands for it
    try:
        evaluation = recompute(task, archive, books.of(body, task.agent_sha256))
        judgement = evaluation.judgement
        now = DecidedAgain(judgement.disposition, listed_reasons(judgement), evaluation.required)
        if not compare:
            return FileOutcome(seq, now)
        return _compared(seq, body, archive.get(body.result_sha256), evaluation, now)
    except (JournalCorruptError, InputError, ConfigError) as error:
        return FileOutcome(seq, differences=(Difference(seq, body.source.name, str(error)),))


def _compared(
    seq: int, body: Measurement, stored: bytes, evaluation: Evaluation, now: DecidedAgain
) -> FileOutcome:
    subject = body.source.name
    # Both through JSON: numbers and absences then compare as an auditor sees them.
    before: Any = msgspec.json.decode(stored)
    again: Any = msgspec.json.decode(encode(evaluation.result))
    unlike = [Difference(seq, subject, words) for words in result_mismatches(body, stored)]
    compared = compare_results(before, again)
    found = _differences(seq, subject, compared.mismatches)
    agreement = compared.agreement
    if agreement == Agreement.DIFFERENT:
        unlike += found
    if agreement != Agreement.OTHER_PROGRAM:
        unlike += [Difference(seq, subject, words) for words in evaluation_mismatches(body, evaluation)]
    # Neither value nor verdict, yet it keeps a gate from closing
    doubtful = given(body.too_noisy, False) and not evaluation.too_noisy
    if doubtful and agreement != Agreement.OTHER_PROGRAM:
        unlike.append(
            Difference(seq, subject, "recorded as too noisy for a decision, but noise is not what holds it")
        )
    return FileOutcome(
        seq,
        now,
        agreement,
        other_software=before.get("software") != again.get("software"),
        verdict_flips=tuple(found) if agreement == Agreement.FLIPPED else (),
        differences=tuple(unlike),
        version_differences=tuple(found) if agreement == Agreement.OTHER_PROGRAM else (),
    )


def _differences(seq: int, subject: str, mismatches: tuple[Mismatch, ...]) -> list[Difference]:
    """What differs in one file, verdicts first."""
    ordered = sorted(mismatches, key=lambda m: not m.verdict)
    found = [
        Difference(seq, subject, f"{m.where}: recorded {m.recorded}, now {m.now}")
        for m in ordered[:_MISMATCHES_SHOWN]
    ]
    if len(ordered) > _MISMATCHES_SHOWN:
        found.append(Difference(seq, subject, f"and {len(ordered) - _MISMATCHES_SHOWN} values more"))
    return found
