"""Compute everything again from the archived bytes, and compare value by value with what was decided.

Nothing stored in between is trusted: source, recipe, layout and certificate come from the archive by their
digests, the decision rule from the record, and the parts' dispositions are folded anew.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Set
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import msgspec
from msgspec import UNSET
from msgspec.structs import replace as replace_members

from edgeagent.codec.configuration.settings import parse_certificate
from edgeagent.codec.records.record import Record
from edgeagent.codec.records.result import encode
from edgeagent.codec.traces.layout import parse_layout
from edgeagent.errors import ConfigError, InputError, JournalCorruptError
from edgeagent.judging.agreement import Agreement, Mismatch, compare_results
from edgeagent.judging.configuration import Document, LoadedRecipe, recipe_from_documents
from edgeagent.judging.evaluation.evaluate import Evaluation, Rulebook, evaluate
from edgeagent.judging.memory import feature_result
from edgeagent.model import Disposition
from edgeagent.model.records import Measurement, PartDisposition, Quarantine, given
from edgeagent.rules.part_set import PartSet, decide, with_disposition, with_measurement
from edgeagent.rules.sentences import sentences
from edgeagent.store.archive import Archive
from edgeagent.store.journal import JournalReader
from edgeagent.store.verify import journal_folder

_MISMATCHES_SHOWN = 20


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
    program computes them, again with every verdict as it was. ``verdict_flips`` and ``differences`` are
    what should not be. ``flips`` are parts that other recipes would decide otherwise.
    """

    files: int = 0
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

    @property
    def agrees(self) -> bool:
        """Whether nothing speaks of a change: rounding and the program's version explain what differs."""
        return not self.verdict_flips and not self.differences


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


def replay_store(
    store: Path,
    *,
    set_timeout_s: float,
    recipes: Mapping[str, LoadedRecipe] | None = None,
    progress: Callable[[Iterator[Record]], Iterator[Record]] = lambda records: records,
) -> ReplayReport:
    """Replay a store. With ``recipes`` ask what those would have decided, instead of comparing.

    Raises JournalCorruptError for a journal that is not whole; damage in the archive is a difference.
    """
    archive = Archive(store / "archive")
    books = Rulebooks(archive, recipes)
    report = ReplayReport()
    sets: dict[tuple[str, str], PartSet] = {}
    recorded: dict[tuple[str, str], Disposition] = {}
    gated: set[tuple[str, str]] = set()
    reader = JournalReader(journal_folder(store))
    for record in progress(record for record, _ in reader.walk()):
        match record.body:
            case Measurement() as body:
                report.files += 1
                again = _measurement(record.seq, body, archive, books, report, compare=recipes is None)
                if again is not None and body.trace.of_artefact is None:
                    key = body.trace.of_part
                    result = feature_result(record.seq, again)
                    state = sets.get(key, PartSet(*key))
                    sets[key] = with_measurement(state, result, again.required, body.decided_at)
            case Quarantine():
                report.quarantined += 1
            case PartDisposition() as body:
                key = (body.part, body.serial)
                recorded[key] = body.disposition
                (gated.discard if body.gate_reason is None else gated.add)(key)
                if recipes is None and key in sets:
                    report.dispositions += 1
                    sets[key] = _disposition(record.seq, body, sets[key], set_timeout_s, report)
            case _:
                pass
    if recipes is not None:
        report.flips = _flips(sets, recorded, gated)
    return report


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
    if body.disposition.value != before.get("disposition"):
        words = f"journal says {body.disposition.value}, archived result {before.get('disposition')}"
        report.differences.append(Difference(seq, subject, words))
        return
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


def _disposition(
    seq: int, body: PartDisposition, state: PartSet, timeout_s: float, report: ReplayReport
) -> PartSet:
    """Decide a part again at the moment of its record."""
    found = decide(state, body.settled_at + timeout_s, timeout_s)
    expected = found.disposition if found is not None else state.disposed
    withdrawn = body.withdrawn is not UNSET  # its file was not whole: the next measurement decides
    if withdrawn or (expected == Disposition.ACCEPT and body.gate_reason is not None):
        expected = Disposition.HOLD
    if expected != body.disposition:
        words = f"recorded {body.disposition.value}, now {expected.value if expected else 'undecided'}"
        report.verdict_flips.append(Difference(seq, f"{state.part} {state.serial}", words))
    return with_disposition(state, body.disposition, seq)


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
