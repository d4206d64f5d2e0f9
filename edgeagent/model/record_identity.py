"""Records that say who a journal is to others."""

from __future__ import annotations

from typing import ClassVar

from edgeagent.model.record_base import Body


class Identity(Body, frozen=True, kw_only=True):
    """Who this journal is to others: ``what`` happened to its identity."""

    KIND: ClassVar[str] = "identity"
    what: str


class Adoption(Identity, frozen=True, kw_only=True):
    """A person took a journal over that is older than what others have seen of it: its identity is a new one.

    ``user`` is the operating system's, ``before`` the identity that ends with the former record.
    """

    what: str = "adopted"
    who: str
    why: str
    user: str
    before: str
