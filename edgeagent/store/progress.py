"""Progress of long work: the work hands out its items, a command shows how many are done."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Protocol, TypeVar

T = TypeVar("T")


class Progress(Protocol):
    """Hands the items on one by one and may show how many of ``total`` are done; None if unknown."""

    def __call__(self, items: Iterable[T], label: str, total: int | None = None) -> Iterator[T]:
        """``label`` names what is counted, in the plural."""
        ...


def no_progress(items: Iterable[T], label: str, total: int | None = None) -> Iterator[T]:
    """The items, with nothing shown."""
    del label, total
    return iter(items)
