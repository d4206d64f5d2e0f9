"""Compute everything again from the archived bytes, and compare value by value with what was decided.

Nothing stored in between is trusted: source, recipe, layout and certificate come from the archive by their
digests, the decision rule from the record, and the parts' dispositions are folded anew.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Set
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec
from msgspec.structs import replace as replace_members

from edgeagent import __version__
from edgeagent.codec.configuration.settings import parse_certificate
from edgeagent.codec.records.digest import digest_of
from edgeagent.codec.records.record import Record
from edgeagent.codec.records.result import encode
from edgeagent.codec.traces.layout import parse_layout
from edgeagent.errors import ConfigError, InputError, JournalCorruptError
from edgeagent.judging.agreement import Agreement, Mismatch, compare_results
from edgeagent.judging.configuration import Document, LoadedRecipe, recipe_from_documents
from edgeagent.judging.evaluation.evaluate import Evaluation, Rulebook, evaluate
from edgeagent.judging.memory import feature_result
from edgeagent.judging.replaying.record_result import result_mismatches
from edgeagent.judging.replaying.rederive import Contradiction, Rederivation
from edgeagent.judging.replaying.references import references
from edgeagent.judging.rules_now import rules_now
from edgeagent.model import Disposition
from edgeagent.model.records import ConfigurationRead, Measurement, PartDisposition, Quarantine, given
from edgeagent.rules.part_set import PartSet, decide, with_measurement
from edgeagent.rules.sentences import sentences
from edgeagent.store.archive import Archive, Elsewhere
from edgeagent.store.copies.contents import Contents
from edgeagent.store.journal import JournalReader, record_total
from edgeagent.store.progress import Progress, no_progress
from edgeagent.store.state import read_state
from edgeagent.store.verify import journal_folder

_MISMATCHES_SHOWN = 20
_READING_ERRORS = frozenset({"TraceFormatError", "TraceShapeError", "TraceRangeError"})
"""What a file is set aside for by its bytes alone, so that it comes out again."""
_INTERNAL = ": internal error "
"""How a mistake of the program begins, which the next version may not make."""


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that did not come out as recorded."""

    seq: int
    subject: str
    what: str


@dataclass(frozen=True, slots=True)
class Flip:
    """A part that other recipes would have decided differently."""

    part: str
    serial: str
    was: str
    would_be: str
    reasons: tuple[str, ...]


@dataclass(slots=True)
class ReplayReport:
    """What a replay found.

    ``files`` were computed again: ``identical`` of them came out to the last digit, ``within_rounding`` within
    the bounds of ``judging.agreement`` with every verdict as it was, ``by_version`` as another version of the
    program computes them, again with every verdict as it was. ``verdict_flips`` and ``differences`` are what
    should not be. ``flips`` are parts that other recipes would decide otherwise. ``contradictions`` are records
    that do not follow from those before them, ``missing`` contents that a record names and nobody has,
    ``orphans`` contents that no record names.
    """

    files: int = 0
    skipped: int = 0
    identical: int = 0
    within_rounding: int = 0
    by_version: int = 0
    dispositions: int = 0
    quarantined: int = 0
    other_software: int = 0
    verdict_flips: list[Difference] = field(default_factory=list)
    differences: list[Difference] = field(default_factory=list)
    version_differences: list[Difference] = field(default_factory=list)
    flips: list[Flip] = field(default_factory=list)
    contradictions: list[Contradiction] = field(default_factory=list)
    missing: list[Difference] = field(default_factory=list)
    sealed_away: int = 0
    not_at_hand: int = 0
    orphans: list[str] = field(default_factory=list)

    @property
    def agrees(self) -> bool:
        """Whether nothing speaks of a change: rounding and the program's version explain what differs."""
        return not (self.verdict_flips or self.differences or self.contradictions or self.missing)

    def take(self, found: Iterable[Contradiction], version: str) -> None:
        """Note what does not follow; of records by another version that is a difference of the program."""
        for one in found:
            if version in (__version__, ""):
                self.contradictions.append(one)
            else:
                self.version_differences.append(Difference(one.seq, one.subject, one.what))


class Rulebooks:
    """Rulebooks as they were, made once per set of digests."""

    def __init__(self, archive: Archive, recipes: Mapping[str, LoadedRecipe] | None) -> None:
        self._archive = archive
        self._other = recipes
        self._made: dict[bytes, Rulebook] = {}

    def of(self, body: Measurement) -> Rulebook:
        """The rulebook that one measurement record was decided with."""
        used = (body.recipe, body.layout, body.certificate_sha256, body.rule, given(body.uncertainty, None))
        identity = encode(used)
        if identity not in self._made:
            self._made[identity] = self._make(body)
        return self._made[identity]

    def _make(self, body: Measurement) -> Rulebook:
        recipes: Mapping[str, LoadedRecipe] = {}
        if self._other is not None:
            recipes = self._other
        elif body.recipe is not None:
            document = self._document("recipe", body.recipe.sha256)
            files = {n: self._document(n, d) for n, d in given(body.recipe.files, {}).items()}
            loaded = recipe_from_documents(document, files)
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
        return Rulebook(body.rule, recipes, layouts, certificates, given(body.uncertainty, None))

    def _document(self, name: str, digest: str) -> Document:
        return Document(name, self._archive.get(digest))


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
        if record.seq <= self.done:
            return False
        if self.since is not None and datetime.fromisoformat(record.time) < self.since:
            return False
        if self.part is not None and self.part not in body.trace.of_part:
            return False
        drawn = int(digest_of(body.result_sha256.encode())[:8], 16) / 2**32
        return drawn < self.sample


def replay_store(
    store: Path,
    *,
    recipes: Mapping[str, LoadedRecipe] | None = None,
    progress: Progress = no_progress,
    wanted: Range | None = None,
    elsewhere: Elsewhere | None = None,
    compared: Callable[[Record, ReplayReport], None] = lambda _record, _report: None,
) -> ReplayReport:
    """Replay a store. With ``recipes`` ask what those would have decided, instead of comparing.

    ``elsewhere`` has contents that are not in the archive's folder; ``compared`` is called after each file.
    Raises JournalCorruptError for a journal that is not whole; damage in the archive is a difference.
    """
    archive = Archive(store / "archive", elsewhere)
    books = Rulebooks(archive, recipes)
    report = ReplayReport()
    reader = JournalReader(journal_folder(store))
    records = progress((record for record, _ in reader.walk()), "records", record_total(reader.folder))
    if recipes is not None:
        report.flips = _asked_again(records, archive, books, report)
        return report
    wanted = wanted or Range()
    fold, contents = Rederivation(), Contents(archive)
    for record in records:
        body, now = record.body, None
        contents.note(record)
        if isinstance(body, ConfigurationRead):
            found = contents.configuration(record.seq, body)
            if found is not None:
                fold.use(found)
        if isinstance(body, Measurement):
            if wanted.takes(record, body):
                now = _recomputed(record, body, archive, books, report)
                compared(record, report)
            else:
                report.skipped += 1
        elif isinstance(body, Quarantine):
            report.quarantined += 1
            _quarantined(record.seq, body, fold, archive, report)
        report.take(fold.apply(record, now), fold.version)
    report.take(fold.ended(), fold.version)
    report.dispositions = fold.dispositions
    report.missing = [Difference(seq, what, words) for seq, what, words in contents.missing]
    report.missing += [Difference(*one) for one in contents.unread]
    report.orphans, report.sealed_away = contents.orphans(), contents.sealed_away
    _check_lamp(store, fold, report)
    return report


def _asked_again(
    records: Iterator[Record], archive: Archive, books: Rulebooks, report: ReplayReport
) -> list[Flip]:
    """What other recipes would have decided."""
    sets: dict[tuple[str, str], PartSet] = {}
    recorded: dict[tuple[str, str], Disposition] = {}
    gated: set[tuple[str, str]] = set()
    for record in records:
        match record.body:
            case Measurement() as body:
                report.files += 1
                again = _measurement(record.seq, body, archive, books, report, compare=False)
                if again is not None and body.trace.of_artefact is None:
                    key = body.trace.of_part
                    result = feature_result(record.seq, again)
                    state = sets.get(key, PartSet(*key))
                    sets[key] = with_measurement(state, result, again.required, body.decided_at)
            case PartDisposition() as body:
                key = (body.part, body.serial)
                recorded[key] = body.disposition
                (gated.discard if body.gate_reason is None else gated.add)(key)
            case _:
                pass
    return _flips(sets, recorded, gated)


def _recomputed(
    record: Record, body: Measurement, archive: Archive, books: Rulebooks, report: ReplayReport
) -> Measurement | None:
    report.files += 1
    if any(archive.is_away(digest) for _, digest in references(body)):
        report.not_at_hand += 1  # in a sealed file that is somewhere else: its record stands for it
        return None
    return _measurement(record.seq, body, archive, books, report, compare=True)


def _quarantined(
    seq: int, body: Quarantine, fold: Rederivation, archive: Archive, report: ReplayReport
) -> None:
    """A file that was set aside must be one that cannot be read; what stopped an analysis is not repeated."""
    digest, configuration = body.source.sha256, fold.configuration
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


def _check_lamp(store: Path, fold: Rederivation, report: ReplayReport) -> None:
    """What waits for its acknowledgement by the journal must wait by the agent's own note, too."""
    state = read_state(store / "state" / "publisher.json")
    if state is None:
        return
    noted = {one[0] for one in state.waiting}
    for waiting in fold.memory.waiting_rejects(state.position):
        if waiting.seq not in noted:
            words = "the lamp must hold it until it is acknowledged, and the agent's note does not know it"
            who = f"{waiting.part} {waiting.serial}"
            report.contradictions.append(Contradiction(waiting.seq, "lamp", who, words))


def _measurement(
    seq: int, body: Measurement, archive: Archive, books: Rulebooks, report: ReplayReport, *, compare: bool
) -> Measurement | None:
    """Compute one file again; the record as it would be now, None when it cannot be computed."""
    source = body.source
    try:
        data = archive.get(str(source.sha256))
        side_sha256 = given(source.side_sha256, None)
        side = archive.get(side_sha256) if side_sha256 is not None else None
        evaluation = evaluate(source.name, data, side, books.of(body), digest=source.sha256)
        if compare:
            _compare(seq, body, archive.get(body.result_sha256), evaluation, report)
    except (JournalCorruptError, InputError, ConfigError) as error:
        report.differences.append(Difference(seq, source.name, str(error)))
        return None
    judgement = evaluation.judgement
    return replace_members(
        body,
        disposition=judgement.disposition,
        reasons=sentences(judgement.reasons),
        reason_codes=judgement.reasons,
        required=evaluation.required,
    )


def _compare(seq: int, body: Measurement, stored: bytes, evaluation: Evaluation, report: ReplayReport) -> None:
    subject = body.source.name
    before: Any = msgspec.json.decode(stored)
    now: Any = msgspec.json.decode(encode(evaluation.result))
    report.other_software += before.get("software") != now.get("software")
    unlike = list(result_mismatches(body, stored))
    report.differences += [Difference(seq, subject, words) for words in unlike]
    compared = compare_results(before, now)
    match compared.agreement:
        case Agreement.IDENTICAL:
            report.identical += 1
        case Agreement.WITHIN_ROUNDING:
            report.within_rounding += 1
        case Agreement.OTHER_PROGRAM:
            report.by_version += 1
            report.version_differences += _differences(seq, subject, compared.mismatches)
        case Agreement.DIFFERENT:
            report.differences += _differences(seq, subject, compared.mismatches)
        case Agreement.FLIPPED:
            report.verdict_flips += _differences(seq, subject, compared.mismatches)
    # Neither value nor verdict, yet it keeps a gate from closing
    if (
        given(body.too_noisy, False)
        and not evaluation.too_noisy
        and compared.agreement != Agreement.OTHER_PROGRAM
    ):
        words = "recorded as too noisy to tell, which is not what holds it"
        report.differences.append(Difference(seq, subject, words))


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


def _flips(
    sets: Mapping[tuple[str, str], PartSet],
    recorded: Mapping[tuple[str, str], Disposition],
    gated: Set[tuple[str, str]],
) -> list[Flip]:
    """The parts that come out otherwise; what the gate holds would be held by it with any recipe."""
    found = []
    for key, state in sets.items():
        standing = decide(replace(state, disposed=None, remeasured=(), since=0.0), 1e12, 0.0)
        if standing is None or key not in recorded or standing.disposition == recorded[key]:
            continue
        if key in gated and standing.disposition == Disposition.ACCEPT:
            continue
        was, would_be = recorded[key].value, standing.disposition.value
        found.append(Flip(*key, was, would_be, sentences(standing.reasons)))
    return found
