"""Compute everything again from the archived bytes, and compare value by value with what was decided.

Nothing stored in between is trusted: source, recipe, layout and certificate come from the archive by their
digests, the decision rule from the record, and the parts' dispositions are folded anew.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Set
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from msgspec.structs import replace as replace_members

from edgeagent.codec.records.digest import digest_of
from edgeagent.codec.records.record import Record
from edgeagent.errors import ConfigError, InputError, JournalCorruptError
from edgeagent.judging.configuration import Configuration, LoadedRecipe
from edgeagent.judging.evaluation.evaluate import Rulebook, evaluate
from edgeagent.judging.memory import feature_result
from edgeagent.judging.replaying.contradiction import Contradiction
from edgeagent.judging.replaying.heard_messages import HeardMessages
from edgeagent.judging.replaying.line_derivation import LineDerivation
from edgeagent.judging.replaying.rederive import Rederivation
from edgeagent.judging.rules_now import rules_now
from edgeagent.model import Disposition
from edgeagent.model.records import ConfigurationRead, Measurement, PartDisposition, Quarantine, given
from edgeagent.rules.part_set import PartSet, decide, with_measurement
from edgeagent.rules.sentences import sentences
from edgeagent.store.archive import Archive
from edgeagent.store.copies.contents import Contents
from edgeagent.store.copies.sealed import earlier_contents, vouched_contents
from edgeagent.store.index.check import IndexCheck
from edgeagent.store.index.past_parts import WalkedParts
from edgeagent.store.journal import JournalReader, Tail, record_total
from edgeagent.store.progress import Progress, no_progress
from edgeagent.store.replaying.executors import Executor, LocalExecutor, in_order
from edgeagent.store.replaying.files import FilesChunk, FileTask, compute_files
from edgeagent.store.replaying.outcomes import Difference, FileOutcome, Flip, ReplayReport
from edgeagent.store.replaying.places import StorePlace
from edgeagent.store.state import lamp_of, read_state
from edgeagent.store.verify import journal_folder

Compared = Callable[[Record, FileOutcome, ReplayReport], object]
"""Told of each file with what came of it and the report so far."""
CHUNK_FILES = 8
"""Files that are computed at once: a quarter of a second, so that all processes end at about the same time."""
# Bounds what waits in memory where hardly any record is a file, such as with --sample.
_BATCH_RECORDS = 2000
_WRITING_S = 0.1
"""An agent that writes its line at this very moment has done so after this."""
_READING_ERRORS = frozenset({"TraceFormatError", "TraceShapeError", "TraceRangeError"})
"""What a file is set aside for by its bytes alone, so that it comes out again."""
_INTERNAL = ": internal error "
"""How a mistake of the program begins, which the next version may not make."""


@dataclass(frozen=True, slots=True)
class Range:
    """Which files are computed again; the fold always covers the whole journal.

    ``since`` is a time of records, ``part`` a part number or a serial, ``sample`` the share of
    files taken, the same ones each time. What was compared up to record ``done`` is not compared again.
    """

    since: datetime | None = None
    part: str | None = None
    sample: float = 1.0
    done: int = 0

    def takes(self, record: Record, body: Measurement) -> bool:
        """Whether this file is to be computed again."""
        # Cheapest first: a resumed run passes over all of them.
        if record.seq <= self.done:
            return False
        if self.since is not None and datetime.fromisoformat(record.time) < self.since:
            return False
        if self.part is not None and self.part not in body.trace.of_part:
            return False
        # By the result's digest, so that every run and every process draws the same files, whatever their
        # number.
        drawn = int(digest_of(body.result_sha256.encode())[:8], 16) / 2**32
        return drawn < self.sample


@dataclass(frozen=True, slots=True)
class _Replayed:
    """A record with the configuration that it brought into force, and its file where that was computed."""

    record: Record
    configuration: Configuration | None
    file: FileOutcome | None


_Batch = list[tuple[Record, Configuration | None]]
"""Records that follow each other, each with the configuration that came into force with it."""


def replay_store(
    store: Path,
    *,
    executor: Executor | None = None,
    recipes: Mapping[str, LoadedRecipe] | None = None,
    progress: Progress = no_progress,
    wanted: Range | None = None,
    place: StorePlace | None = None,
    heard: HeardMessages | None = None,
    compared: Compared = lambda _record, _file, _report: None,
) -> ReplayReport:
    """Replay a store. With ``recipes`` ask what those would have decided, instead of comparing.

    ``executor`` computes the files, this process by default. ``place`` is where the archive is read, with
    sealed files beside it, ``heard`` messages that somebody recorded on the line; ``compared`` is called after
    each file, in the journal's order.
    Raises JournalCorruptError for a journal that is not whole; damage in the archive is a difference.
    """
    executor = executor or LocalExecutor(1)
    place = place or StorePlace.of(store)
    reader = JournalReader(journal_folder(store))
    past, total = WalkedParts(reader.folder), record_total(reader.folder)
    # The walk notes each part on the way: a replay must not trust the index that it checks.
    records = past.noted(reader.walk())
    report = ReplayReport()
    if recipes is not None:
        # Every file: what a part would have become is known only from all of them.
        chunks = _chunks(records, place, None, lambda _record, _body: True, recipes)
        report.flips = _asked_again(progress(_replayed(executor, chunks), "records", total), report)
        return report
    wanted = wanted or Range()
    fold, contents = Rederivation(_line_of(store), past.recall), Contents(place.archive())
    chunks = _chunks(records, place, contents, wanted.takes, None)
    with closing(IndexCheck(store)) as index:
        for one in progress(_replayed(executor, chunks), "records", total):
            # Before the record itself, which is already judged by it.
            if one.configuration is not None:
                fold.use(one.configuration)
            _replay_record(one.record, one.file, fold, place.archive(), report, compared)
            report.take(index.apply(one.record, fold.memory), "")
            if heard is not None:
                report.take(heard.apply(one.record, fold.live_s, fold.prefix), fold.version)
    report.take(fold.contradictions_at_end(), fold.version)
    if heard is not None:
        report.take(heard.contradictions_at_end(), "")
        report.messages, report.passed_over = heard.compared, heard.passed_over
    report.dispositions = fold.dispositions
    sealings = contents.sealings
    # Last, since a later record may say that a content was sealed.
    contents.ended(vouched_contents(store, sealings), earlier_contents(store, sealings))
    report.unknown = [Difference(*one) for one in contents.unknown]
    report.missing = [Difference(seq, what, words) for seq, what, words in contents.missing]
    report.missing += [Difference(*one) for one in contents.unread]
    report.orphans, report.sealed_away = contents.orphans(), contents.sealed_away
    # Also last: the walk is over, and an agent that runs has had the longest time to finish its line.
    if reader.tail is not None and not _goes_on(reader, reader.tail):
        words = f"line {reader.tail.line} is incomplete, and nobody is writing it"
        report.take([Contradiction(0, "end", reader.tail.segment, words)], "")
    return report


def _line_of(store: Path) -> LineDerivation:
    """The line's derivation, with what the agent's own note says of it."""
    state = read_state(store / "state" / "publisher.json")
    return LineDerivation() if state is None else LineDerivation(lamp_of(state).waiting, state.position)


def _goes_on(reader: JournalReader, tail: Tail) -> bool:
    """Whether an incomplete end was a writer in the middle of its line."""
    time.sleep(_WRITING_S)
    segment = reader.folder / tail.segment
    data = segment.read_bytes()[tail.offset :]
    return b"\n" in data and len(data) > tail.size


def _replayed(executor: Executor, chunks: Iterable[tuple[_Batch, FilesChunk | None]]) -> Iterator[_Replayed]:
    """Every record in the journal's order."""
    for batch, outcomes in in_order(executor, compute_files, chunks):
        files = {file.seq: file for file in outcomes or ()}
        for record, configuration in batch:
            yield _Replayed(record, configuration, files.get(record.seq))


def _chunks(
    records: Iterable[Record],
    place: StorePlace,
    contents: Contents | None,
    takes: Callable[[Record, Measurement], bool],
    recipes: Mapping[str, LoadedRecipe] | None,
) -> Iterator[tuple[_Batch, FilesChunk | None]]:
    """The journal in batches, each with the files of it that are to be computed, if any."""
    agent: str | None = None
    batch: _Batch = []
    files: list[FileTask] = []
    for record in records:
        body, found = record.body, None
        if contents is not None:
            contents.note(record)
            if isinstance(body, ConfigurationRead):
                found = contents.configuration(record.seq, body)
                # What cannot be read judges nothing: its files are computed as those of a station that states
                # nothing.
                agent = None if found is None else body.agent_sha256
        batch.append((record, found))
        if isinstance(body, Measurement) and takes(record, body):
            files.append(FileTask(record.seq, body, agent))
        if len(files) == CHUNK_FILES or len(batch) == _BATCH_RECORDS:
            yield batch, FilesChunk(place, tuple(files), recipes) if files else None
            batch, files = [], []
    yield batch, FilesChunk(place, tuple(files), recipes) if files else None


def _replay_record(
    record: Record,
    file: FileOutcome | None,
    fold: Rederivation,
    archive: Archive,
    report: ReplayReport,
    compared: Compared,
) -> None:
    """One record, in the journal's order, with what came of its file where that was computed."""
    body, now = record.body, None
    if isinstance(body, Measurement):
        if file is not None:
            report.add(file)
            now = _as_now(body, file)
            compared(record, file, report)
        else:
            report.skipped += 1
    elif isinstance(body, Quarantine):
        report.quarantined += 1
        _quarantined(record.seq, body, fold, archive, report)
    report.take(fold.apply(record, now), fold.version)


def _as_now(body: Measurement, file: FileOutcome) -> Measurement | None:
    """The record as it would be now, None where its file could not be computed."""
    if file.now is None:
        return None
    return replace_members(
        body,
        disposition=file.now.disposition,
        reasons=sentences(file.now.reasons),
        reason_codes=file.now.reasons,
        required=file.now.required,
    )


def _asked_again(found: Iterable[_Replayed], report: ReplayReport) -> list[Flip]:
    """What other recipes would have decided."""
    sets: dict[tuple[str, str], PartSet] = {}
    recorded: dict[tuple[str, str], Disposition] = {}
    gated: set[tuple[str, str]] = set()
    for one in found:
        match one.record.body:
            case Measurement() as body:
                assert one.file is not None
                report.add(one.file)
                again = _as_now(body, one.file)
                if again is not None and body.trace.of_artefact is None:
                    key = body.trace.of_part
                    result = feature_result(one.record.seq, again)
                    state = sets.get(key, PartSet(*key))
                    sets[key] = with_measurement(state, result, again.required, body.decided_at)
            case PartDisposition() as body:
                key = (body.part, body.serial)
                recorded[key] = body.disposition
                (gated.discard if body.gate_reason is None else gated.add)(key)
            case _:
                pass
    return _flips(sets, recorded, gated)


def _quarantined(
    seq: int, body: Quarantine, fold: Rederivation, archive: Archive, report: ReplayReport
) -> None:
    """A file that was set aside must be one that cannot be read; what stopped an analysis is not repeated."""
    digest, configuration = body.source.sha256, fold.configuration
    # A time or memory limit depends on the machine and its load: to try it again would prove nothing.
    if body.error not in _READING_ERRORS or _INTERNAL in body.reason or configuration is None:
        return
    if digest is None or not body.source.bytes:
        return
    rules = rules_now(Rulebook.of(configuration), fold.memory, configuration)
    try:
        side_sha256 = given(body.source.side_sha256, None)
        side = archive.get(side_sha256) if side_sha256 is not None else None
        evaluate(body.source.name, archive.get(digest), side, rules, digest=digest)
    except (InputError, ConfigError, JournalCorruptError):
        return  # what the archive lacks is said by itself
    words = f"set aside ({body.error}), though it can be read"
    report.take([Contradiction(seq, "quarantine", body.source.name, words)], fold.version)


def _flips(
    sets: Mapping[tuple[str, str], PartSet],
    recorded: Mapping[tuple[str, str], Disposition],
    gated: Set[tuple[str, str]],
) -> list[Flip]:
    """The parts that come out otherwise; what the gate holds would be held by it with any recipe."""
    found = []
    for key, state in sets.items():
        # With the time-out long over: a part that waits for a trace which never came must count as decided.
        standing = decide(replace(state, disposed=None, remeasured=(), since=0.0), 1e12, 0.0)
        if standing is None or key not in recorded or standing.disposition == recorded[key]:
            continue
        if key in gated and standing.disposition == Disposition.ACCEPT:
            continue
        was, would_be = recorded[key].value, standing.disposition.value
        found.append(Flip(*key, was, would_be, sentences(standing.reasons)))
    return found
