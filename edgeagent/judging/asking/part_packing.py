"""A part's set in a tenth of its memory: as much of it as later files and its decision by itself ask for."""

from __future__ import annotations

from dataclasses import replace

import msgspec
from msgspec.structs import replace as replace_members

from edgeagent.model import Disposition
from edgeagent.model.reasons import Reason
from edgeagent.model.records import PartSource
from edgeagent.rules.part_set import FeatureResult, PartSet, content_of

_DIGITS = 24
"""Of a file's SHA-256: it is only asked whether two files of a part are the same."""


def slim(result: FeatureResult) -> FeatureResult:
    """A result as all of a part's must be that are packed: with the last digits of its file's digest alone."""
    sha256 = result.source.sha256
    return replace(result, source=replace_members(result.source, sha256=sha256[-_DIGITS:] if sha256 else None))


class PackedResult(msgspec.Struct, array_like=True, frozen=True):
    """A trace's result; ``feature`` and ``recipe`` by their numbers."""

    feature: int
    seq: int
    disposition: Disposition
    reasons: tuple[Reason, ...]
    name: str
    sha256: str
    recipe: int
    measured_at: float | None


class PackedPart(msgspec.Struct, array_like=True, frozen=True):
    """A part; ``decided`` is None where it is the contents of the results in their order."""

    part: int
    serial: str
    required: tuple[int, ...]
    results: tuple[PackedResult, ...]
    decided: tuple[tuple[str, int], ...] | None


class PartPacking:
    """Packs sets and unpacks them. Texts that many parts share are numbered in the order in which they came."""

    def __init__(self) -> None:
        self._numbers: dict[str, int] = {}
        self._texts: list[str] = []

    def packed(self, state: PartSet) -> PackedPart:
        """What of a set is needed."""
        results = tuple(
            PackedResult(
                self._number(r.feature),
                r.seq,
                r.disposition,
                r.reasons,
                r.source.name,
                r.source.sha256 or "",
                self._number(r.recipe_sha256),
                r.measured_at,
            )
            for r in state.results.values()
        )
        decided = None
        if state.decided != tuple(r.content for r in state.results.values()):
            pairs = (content.split(" ") for content in state.decided)
            decided = tuple((sha256, self._number(recipe)) for sha256, recipe in pairs)
        required = tuple(self._number(feature) for feature in state.required)
        return PackedPart(self._number(state.part), state.serial, required, results, decided)

    def unpacked(self, packed: PackedPart) -> PartSet:
        """The set again, without its times."""
        results = [self._result(r) for r in packed.results]
        decided = tuple(r.content for r in results)
        if packed.decided is not None:
            decided = tuple(content_of(sha256, self._texts[recipe]) for sha256, recipe in packed.decided)
        return PartSet(
            part=self._texts[packed.part],
            serial=packed.serial,
            required=tuple(self._texts[number] for number in packed.required),
            results={r.feature: r for r in results},
            decided=decided,
        )

    def _result(self, packed: PackedResult) -> FeatureResult:
        feature = self._texts[packed.feature]
        return FeatureResult(
            feature=feature,
            seq=packed.seq,
            disposition=packed.disposition,
            reasons=packed.reasons,
            source=PartSource(
                feature=feature,
                name=packed.name,
                sha256=packed.sha256 or None,
                instrument="",
                seq=packed.seq,
            ),
            key=(),
            settled_at=0.0,
            measured_at=packed.measured_at,
            recipe_sha256=self._texts[packed.recipe],
        )

    def _number(self, text: str) -> int:
        found = self._numbers.get(text)
        if found is None:
            found = self._numbers[text] = len(self._texts)
            self._texts.append(text)
        return found
