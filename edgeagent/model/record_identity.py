"""Records that say who a journal is to others, and where a part of its archive went."""

from __future__ import annotations

from typing import ClassVar

from msgspec import UNSET, UnsetType

from edgeagent.model.record_base import Body


class Start(Body, frozen=True, kw_only=True):
    """The agent started. ``build`` is the commit or the digest of the installed files, where it is known.

    ``uncertainty`` says so where the station states none of its instrument's; ``key`` is the public key (its
    line) that signs checkpoints from here on. Where it takes the place of another, ``endorsement`` is the note
    by which that other key names it.
    """

    KIND: ClassVar[str] = "start"
    boot: int
    version: str
    python: str = ""
    numpy: str = ""
    machine: str = ""
    build: str | UnsetType = UNSET
    uncertainty: str | UnsetType = UNSET
    key: str | UnsetType = UNSET
    endorsement: str | UnsetType = UNSET


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


class Sealing(Body, frozen=True, kw_only=True):
    """Contents of records ``first`` to ``last`` were taken out of the archive into a sealed file.

    ``file`` is its name, ``root`` its own root, ``manifest_sha256`` the digest of the manifest that stays in
    the store: what that names is known to lie there, and is not missing.
    """

    KIND: ClassVar[str] = "sealing"
    first: int
    last: int
    contents: int
    file: str
    root: str
    manifest_sha256: str
