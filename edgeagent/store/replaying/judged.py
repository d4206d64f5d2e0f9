"""A chunk of measurement records to what other limits, rule or uncertainties would have made of their files.

Judged from archived results where that gives the same as computing anew, else computed in full; each
file states which.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import msgspec

from edgeagent.codec.configuration.settings import Certificate
from edgeagent.codec.records.judged_from import JudgingRow
from edgeagent.codec.records.result import characteristic_object
from edgeagent.codec.traces.layout import Layout
from edgeagent.errors import ConfigError, InputError, JournalCorruptError
from edgeagent.judging.agreement import Agreement, compare_results
from edgeagent.judging.asking.rejudge import AskedOfTrace, Prepared, asked_of, judge_prepared, prepare
from edgeagent.judging.bodies import listed_reasons
from edgeagent.judging.configuration import Document, LoadedRecipe
from edgeagent.judging.evaluation.evaluate import Rulebook
from edgeagent.model import InstrumentUncertainty, Judgement, Verdict
from edgeagent.model.records import Measurement, RecipeIdentity, given
from edgeagent.store.archive import Archive
from edgeagent.store.replaying.files import FileTask, Rulebooks, recompute
from edgeagent.store.replaying.outcomes import DecidedAgain
from edgeagent.store.replaying.places import StorePlace
from edgeagent.store.replaying.side_rows import SideRows

OLDER_RESULT = "the archived result is older than what is held for judging it again"


@dataclass(frozen=True, slots=True)
class Question:
    """By what the files would be judged. None stands for what each of them was judged by.

    ``plane`` are the station's offset in mm and yaw in degrees.
    """

    recipes: Mapping[str, LoadedRecipe]
    rule: str | None = None
    layouts: Mapping[str, tuple[Layout, Document]] | None = None
    certificates: Mapping[str, tuple[Certificate, Document]] | None = None
    plane: tuple[float, float] | None = None

    def rules(self, before: Rulebook, uncertainty: InstrumentUncertainty | None) -> Rulebook:
        """The rulebook for one file that was judged by ``before``."""
        offset_mm, yaw_deg = self.plane or (before.plane_offset_mm, before.plane_yaw_deg)
        return Rulebook(
            self.rule or before.rule,
            self.recipes,
            before.layouts if self.layouts is None else self.layouts,
            before.certificates if self.certificates is None else self.certificates,
            uncertainty,
            plane_offset_mm=offset_mm,
            plane_yaw_deg=yaw_deg,
        )


class JudgingTask(msgspec.Struct, frozen=True):
    """A file with the uncertainty of its instrument as it would be counted."""

    file: FileTask
    uncertainty: InstrumentUncertainty | None


@dataclass(frozen=True, slots=True)
class JudgingChunk:
    """Files of one block of a store's journal. ``side`` is the folder of cached results, None to keep none."""

    place: StorePlace
    question: Question
    tasks: tuple[JudgingTask, ...]
    side: str | None = None


class JudgedFile(msgspec.Struct, frozen=True):
    """What became of one file: judged from its archived result, or computed in full because of ``why``.

    ``now`` is None where neither was possible, because of ``error``. ``kept`` is False where cached results
    could not be written.
    """

    seq: int
    now: DecidedAgain | None
    why: str = ""
    error: str = ""
    kept: bool = True


@dataclass(frozen=True, slots=True)
class SampledFile:
    """A file judged both ways: how they agree, and what differs."""

    seq: int
    name: str
    agreement: Agreement
    differences: tuple[str, ...] = field(default=())


def judge_files(chunk: JudgingChunk) -> list[JudgedFile]:
    """What becomes of every file of a chunk, in its order."""
    judging = _Judging(chunk)
    rows = judging.side.rows({t.file.seq: t.file.body.result_sha256 for t in chunk.tasks})
    return judging.all(chunk.tasks, rows)


def check_files(chunk: JudgingChunk) -> list[SampledFile]:
    """Every file of a chunk judged from its cached result, and computed in full, and the two compared.

    The cached row must be that of the archived result.
    Raises ConfigError, InputError, JournalCorruptError.
    """
    judging = _Judging(chunk)
    return [judging.checked(task) for task in chunk.tasks]


@lru_cache(maxsize=8)
def _known(place: StorePlace) -> dict[tuple[object, ...], AskedOfTrace | str]:
    """What was asked of traces of a feature, by what they were judged by: one run asks one question."""
    # One dictionary for each run of a command: the cache's key is all that is asked of the place.
    del place
    return {}


@lru_cache(maxsize=8)
def _books(place: StorePlace) -> Rulebooks:
    return Rulebooks(place.archive(), None)


class _Judging:
    def __init__(self, chunk: JudgingChunk) -> None:
        self._question = chunk.question
        self._archive: Archive = chunk.place.archive()
        self._books, self._asked = _books(chunk.place), _known(chunk.place)
        self.side = SideRows(None if chunk.side is None else Path(chunk.side), self._archive)

    def all(
        self, tasks: Sequence[JudgingTask], rows: Mapping[int, JudgingRow | str | None]
    ) -> list[JudgedFile]:
        """Those that can be judged from their rows, all at once; then the others one by one."""
        ready: dict[int, Prepared] = {}
        why: dict[int, str] = {}
        for task in tasks:
            row, seq = rows[task.file.seq], task.file.seq
            found = self._tried(task, row) if isinstance(row, JudgingRow) else OLDER_RESULT
            if isinstance(found, str):
                why[seq] = found
            else:
                ready[seq] = found
        # All at once, as one call on arrays is what makes it faster than the analysis.
        judged = dict(zip(ready, judge_prepared(tuple(ready.values())), strict=True))
        kept = self.side.kept
        return [
            self._full(task, rows[task.file.seq], why[task.file.seq])
            if task.file.seq not in judged
            else JudgedFile(task.file.seq, _decided(judged[task.file.seq], self._required(task)), kept=kept)
            for task in tasks
        ]

    def _tried(self, task: JudgingTask, row: JudgingRow) -> Prepared | str:
        """Errors become the reason to compute in full, which reports them if they remain."""
        try:
            return self._prepared(task, row)
        except (ConfigError, InputError, JournalCorruptError) as error:
            return str(error)

    def _full(self, task: JudgingTask, row: JudgingRow | str | None, why: str) -> JudgedFile:
        seq, kept = task.file.seq, self.side.kept
        if isinstance(row, str):
            return JudgedFile(seq, None, error=row, kept=kept)
        try:
            again = recompute(task.file, self._archive, self._rules(task))
        except (ConfigError, InputError, JournalCorruptError) as error:
            return JudgedFile(seq, None, error=str(error), kept=kept)
        return JudgedFile(seq, _decided(again.judgement, again.required), why=why, kept=kept)

    def checked(self, task: JudgingTask) -> SampledFile:
        body, seq = task.file.body, task.file.seq
        name, wanted = body.source.name, {seq: body.result_sha256}
        # From the cache and from the archive: a sample that checked only one of them would not vouch for the
        # other.
        row, fresh = self.side.rows(wanted)[seq], self.side.made(wanted)[seq]
        if not isinstance(row, JudgingRow) or msgspec.msgpack.encode(row) != msgspec.msgpack.encode(fresh):
            return SampledFile(seq, name, Agreement.DIFFERENT, ("its cached result is not the archived one",))
        prepared = self._prepared(task, row)
        if isinstance(prepared, str):
            return SampledFile(seq, name, Agreement.DIFFERENT, (prepared,))
        (found,) = judge_prepared((prepared,))
        again = recompute(task.file, self._archive, self._rules(task))
        software = given_software(body), again.result["software"]
        before, now = (
            _said(judgement, which) for judgement, which in zip((found, again.judgement), software, strict=True)
        )
        compared = compare_results(before, now)
        words = tuple(f"{m.where}: {m.recorded}, in full {m.now}" for m in compared.mismatches[:3])
        return SampledFile(seq, name, compared.agreement, words)

    def _prepared(self, task: JudgingTask, row: JudgingRow) -> Prepared | str:
        body = task.file.body
        trace, recipe, layout = body.trace, body.recipe, body.layout
        # All that decides what is asked of a trace; its uncertainty and rule come with each file.
        key = (
            *(trace.part, trace.feature, trace.kind, task.file.agent_sha256),
            *(None if recipe is None else _files_of(recipe), None if layout is None else layout.sha256),
        )
        # Once for all traces of a feature: it compares two rulebooks.
        asked = self._asked.get(key)
        if asked is None:
            before = self._books.of(body, task.file.agent_sha256)
            now = self._question.rules(before, task.uncertainty)
            asked = asked_of(trace, before, now, None if layout is None else layout.name)
            self._asked[key] = asked
        if isinstance(asked, str):
            return asked
        rule = self._question.rule or body.rule
        return prepare(row, asked, rule, task.uncertainty, given(body.uncertainty, None))

    def _rules(self, task: JudgingTask) -> Rulebook:
        before = self._books.of(task.file.body, task.file.agent_sha256)
        return self._question.rules(before, task.uncertainty)

    def _required(self, task: JudgingTask) -> tuple[str, ...]:
        recipe = self._question.recipes.get(task.file.body.trace.of_part[0])
        return tuple(m.feature for m in recipe.recipe.measurements) if recipe is not None else ()


def _files_of(recipe: RecipeIdentity) -> tuple[object, ...]:
    """The recipe by all of its files: limits may stand in a file beside it, which changes alone."""
    return recipe.sha256, *sorted(given(recipe.files, {}).items())


def _decided(judgement: Judgement, required: tuple[str, ...]) -> DecidedAgain:
    return DecidedAgain(judgement.disposition, listed_reasons(judgement), required)


def given_software(body: Measurement) -> dict[str, object]:
    """What a record says of the program, as a result says it."""
    return {"version": body.software.version, "values": given(body.software.values, 1)}


def _said(judgement: Judgement, software: object) -> dict[str, object]:
    """A judgement as a result holds it, without the values that have no limit."""
    # A value without a limit decides nothing, and rows do not hold its harmonics.
    judged = (c for c in judgement.characteristics if c.verdict != Verdict.UNJUDGED)
    return {
        "software": software,
        "disposition": judgement.disposition.value,
        "characteristics": [characteristic_object(c) for c in judged],
        "reason_codes": msgspec.to_builtins(judgement.reasons),
    }
