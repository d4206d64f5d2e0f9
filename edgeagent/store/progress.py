"""What long work tells of how far it is: the work says items and their number, a command shows them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Protocol, TypeVar

T = TypeVar("T")


class Progress(Protocol):
    """Hands the items on one by one and may show how many of ``total`` are done; None: nobody knows."""

    def __call__(self, items: Iterable[T], label: str, total: int | None = None) -> Iterator[T]:
        """``label`` names what is counted, in the plural."""
        ...


def no_progress(items: Iterable[T], label: str, total: int | None = None) -> Iterator[T]:
    """The items, with nothing shown."""
    del label, total
    return iter(items)
