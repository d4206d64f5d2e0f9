"""What the bodies of all journal records share."""

from __future__ import annotations

from typing import ClassVar, TypeVar

import msgspec
from msgspec import UNSET, UnsetType

T = TypeVar("T")


class Body(msgspec.Struct, frozen=True, kw_only=True):
    """What all bodies share: the record's kind, and what of it may be cut to fit its line."""

    KIND: ClassVar[str] = ""


def given(value: T | UnsetType, otherwise: T) -> T:
    """A member, or ``otherwise`` where the record is older than the member."""
    return otherwise if value is UNSET else value
