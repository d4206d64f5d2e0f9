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

from edgeagent.codec.configuration.settings import parse_certificate
from edgeagent.codec.records.record import Record
from edgeagent.codec.records.result import encode
from edgeagent.codec.traces.layout import parse_layout
from edgeagent.errors import ConfigError, InputError, JournalCorruptError
from edgeagent.judging.configuration import Document, LoadedRecipe, recipe_from_documents
from edgeagent.judging.evaluate import Rulebook, evaluate
from edgeagent.judging.memory import feature_result
from edgeagent.model import Disposition, InstrumentUncertainty
from edgeagent.rules.part_set import PartSet, decide, disposed, measured
from edgeagent.store.archive import Archive
from edgeagent.store.journal import JournalReader
from edgeagent.store.verify import journal_folder

_DIFFERENCES_SHOWN = 20
_IDENTITY = ("recipe", "layout", "certificate_sha256", "rule", "uncertainty")


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
    """What a replay found; ``files`` were computed again, ``identical`` of them came out to the last digit."""

    files: int = 0
    identical: int = 0
    dispositions: int = 0
    quarantined: int = 0
    other_software: int = 0
    differences: list[Difference] = field(default_factory=list)
    flips: list[Flip] = field(default_factory=list)


class Rulebooks:
    """Rulebooks as they were, made once per set of digests."""

    def __init__(self, archive: Archive, recipes: Mapping[str, LoadedRecipe] | None) -> None:
        self._archive = archive
        self._other = recipes
        self._made: dict[bytes, Rulebook] = {}

    def of(self, body: Mapping[str, Any]) -> Rulebook:
        """The rulebook that one measurement record was decided with."""
        identity = encode([body.get(k) for k in _IDENTITY])
        if identity not in self._made:
            self._made[identity] = self._make(body)
        return self._made[identity]

    def _make(self, body: Mapping[str, Any]) -> Rulebook:
        recipes: Mapping[str, LoadedRecipe] = {}
        stated = body.get("recipe")
        if self._other is not None:
            recipes = self._other
        elif stated is not None:
            document = self._document("recipe", stated["sha256"])
            files = {n: self._document(n, d) for n, d in stated.get("files", {}).items()}
            loaded = recipe_from_documents(document, files)
            recipes = {loaded.recipe.part: loaded}
        layouts = {}
        if body.get("layout") is not None:
            layout = self._document(body["layout"]["name"], body["layout"]["sha256"])
            layouts[layout.name] = parse_layout(layout.data, layout.name), layout
        certificates = {}
        if body.get("certificate_sha256") is not None:
            found = self._document("certificate", body["certificate_sha256"])
            certificate = parse_certificate(found.data, found.name)
            certificates[certificate.artefact] = certificate, found
        stated = body.get("uncertainty")
        uncertainty = msgspec.convert(stated, InstrumentUncertainty) if stated is not None else None
        return Rulebook(str(body["rule"]), recipes, layouts, certificates, uncertainty)

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
    recorded: dict[tuple[str, str], str] = {}
    gated: set[tuple[str, str]] = set()
    reader = JournalReader(journal_folder(store))
    for record in progress(record for record, _ in reader.walk()):
        body = record.body
        if record.kind == "measurement":
            report.files += 1
            fresh = _measurement(record, archive, books, report, compare=recipes is None)
            if fresh is not None and body["trace"].get("part") is not None:
                key = (str(body["trace"]["part"]), str(body["trace"]["serial"]))
                state = sets.get(key, PartSet(*key))
                again = feature_result(record.seq, {**body, **fresh})
                sets[key] = measured(state, again, tuple(fresh["required"]), float(body["decided_at"]))
        elif record.kind == "quarantine":
            report.quarantined += 1
        elif record.kind == "disposition":
            key = (str(body["part"]), str(body["serial"]))
            recorded[key] = str(body["disposition"])
            (gated.add if body.get("gate") is not None else gated.discard)(key)
            if recipes is None and key in sets:
                report.dispositions += 1
                sets[key] = _disposition(record, sets[key], set_timeout_s, report)
    if recipes is not None:
        report.flips = _flips(sets, recorded, gated)
    return report


def _measurement(
    record: Record, archive: Archive, books: Rulebooks, report: ReplayReport, *, compare: bool
) -> dict[str, Any] | None:
    """Compute one file again; returns what its part's disposition needs, None when it cannot be computed."""
    body = record.body
    source = body["source"]
    subject = str(source["name"])
    try:
        data = archive.get(source["sha256"])
        side = archive.get(source["side_sha256"]) if source.get("side_sha256") else None
        evaluation = evaluate(subject, data, side, books.of(body), digest=source["sha256"])
        result = msgspec.json.decode(encode(evaluation.result))
        if compare:
            _compare(record, subject, archive.get(body["result_sha256"]), result, report)
    except (JournalCorruptError, InputError, ConfigError) as error:
        report.differences.append(Difference(record.seq, subject, str(error)))
        return None
    return {
        "disposition": result["disposition"],
        "reasons": result["reasons"],
        "required": list(evaluation.required),
    }


def _compare(record: Record, subject: str, stored: bytes, result: Any, report: ReplayReport) -> None:
    before = msgspec.json.decode(stored)
    other_software = before.get("software") != result.get("software")
    report.other_software += other_software
    before.pop("software", None)
    after = {k: v for k, v in result.items() if k != "software"}
    found = list(_unequal(before, after, ""))
    for where, old, new in found[:_DIFFERENCES_SHOWN]:
        report.differences.append(Difference(record.seq, subject, f"{where}: recorded {old}, now {new}"))
    if len(found) > _DIFFERENCES_SHOWN:
        more = f"and {len(found) - _DIFFERENCES_SHOWN} values more"
        report.differences.append(Difference(record.seq, subject, more))
    if record.body["disposition"] != before.get("disposition"):
        words = f"journal says {record.body['disposition']}, archived result {before.get('disposition')}"
        report.differences.append(Difference(record.seq, subject, words))
    elif not found:
        report.identical += 1


def _unequal(a: Any, b: Any, where: str) -> Iterator[tuple[str, Any, Any]]:
    """Every value that differs, with its place."""
    if isinstance(a, dict) and isinstance(b, dict):
        for key in sorted(a.keys() | b.keys()):
            yield from _unequal(a.get(key), b.get(key), f"{where}.{key}" if where else str(key))
    elif isinstance(a, list) and isinstance(b, list) and len(a) == len(b):
        for i, (x, y) in enumerate(zip(a, b, strict=True)):
            yield from _unequal(x, y, f"{where}[{i}]")
    elif a != b:
        yield where, _brief(a), _brief(b)


def _brief(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 80 else text[:77] + "..."


def _disposition(record: Record, state: PartSet, timeout_s: float, report: ReplayReport) -> PartSet:
    """Decide a part again at the moment of its record."""
    body = record.body
    found = decide(state, float(body["settled_at"]) + timeout_s, timeout_s)
    expected = found.disposition if found is not None else state.disposed
    withdrawn = body.get("withdrawn") is not None  # its file was not whole: the next measurement decides
    if withdrawn or (expected == Disposition.ACCEPT and body.get("gate") is not None):
        expected = Disposition.HOLD
    if expected is None or expected.value != body["disposition"]:
        words = f"recorded {body['disposition']}, now {expected.value if expected else 'undecided'}"
        report.differences.append(Difference(record.seq, f"{state.part} {state.serial}", words))
    return disposed(state, Disposition(body["disposition"]), record.seq)


def _flips(
    sets: Mapping[tuple[str, str], PartSet],
    recorded: Mapping[tuple[str, str], str],
    gated: Set[tuple[str, str]],
) -> list[Flip]:
    """The parts that come out otherwise; what the gate holds would be held by it with any recipe."""
    found = []
    for key, state in sets.items():
        standing = decide(replace(state, disposed=None, remeasured=(), since=0.0), 1e12, 0.0)
        if standing is None or key not in recorded or standing.disposition.value == recorded[key]:
            continue
        if key in gated and standing.disposition == Disposition.ACCEPT:
            continue
        found.append(Flip(*key, recorded[key], standing.disposition.value, standing.reasons))
    return found
