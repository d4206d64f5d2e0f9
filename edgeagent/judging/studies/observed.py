"""Values of many series with little memory: columns that give an `Observation` when one is asked for."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator, Sequence
from typing import overload

import numpy as np
import numpy.typing as npt

from edgeagent.judging.drift import Observation, SeriesKey

Judged = tuple[str, float | None, float | None]
"""Unit, lower and upper limit."""


class ObservedTraces:
    """Record, time and part of the traces whose values are in series: one copy for all series."""

    def __init__(self) -> None:
        # Eight bytes a value: as Python objects a store of ten years would take gigabytes.
        self._seq = array("q")
        self._texts: list[tuple[str, str, str]] = []

    def __len__(self) -> int:
        return len(self._texts)

    def add(self, seq: int, measured_at: str, serial: str, operator: str) -> int:
        """Note one more trace; its place."""
        self._seq.append(seq)
        self._texts.append((measured_at, serial, operator))
        return len(self._texts) - 1

    def at(self, place: int) -> tuple[int, str, str, str]:
        """Record, time of measuring, serial and operator of a trace."""
        return self._seq[place], *self._texts[place]


class ObservedValues(Sequence[Observation]):
    """The values of one series in the order in which they were added."""

    def __init__(self, key: SeriesKey, traces: ObservedTraces) -> None:
        self.key = key
        self._traces = traces
        self._place = array("q")
        self._value = array("d")
        self._judged: list[Judged] = []
        self._code = array("q")

    def add(self, places: Iterable[int], values: npt.ArrayLike, judged: Judged) -> None:
        """Add values that share unit and limits, each with the place of its trace."""
        before = len(self._value)
        self._place.extend(places)
        self._value.frombytes(np.ascontiguousarray(values, dtype=np.float64).tobytes())
        # A few sets of limits in all, one for each revision of a recipe.
        if judged not in self._judged:
            self._judged.append(judged)
        self._code.extend([self._judged.index(judged)] * (len(self._value) - before))

    @property
    def values(self) -> list[float]:
        """The values alone."""
        return self._value.tolist()

    def __len__(self) -> int:
        return len(self._value)

    def __iter__(self) -> Iterator[Observation]:
        return (self._one(at) for at in range(len(self._value)))

    @overload
    def __getitem__(self, at: int) -> Observation: ...
    @overload
    def __getitem__(self, at: slice) -> Sequence[Observation]: ...
    def __getitem__(self, at: int | slice) -> Observation | Sequence[Observation]:
        if isinstance(at, slice):
            return [self._one(i) for i in range(len(self._value))[at]]
        return self._one(at)

    def _one(self, at: int) -> Observation:
        seq, measured_at, serial, operator = self._traces.at(self._place[at])
        unit, lower, upper = self._judged[self._code[at]]
        return Observation(self.key, seq, measured_at, serial, operator, self._value[at], unit, lower, upper)
