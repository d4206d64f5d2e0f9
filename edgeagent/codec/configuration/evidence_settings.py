"""Tables ``[evidence]`` and ``[release]``: whose word counts, and who keeps what was."""

from __future__ import annotations

from edgeagent.codec.configuration.tables import ConfigTable, Name, Positive


class EvidenceSettings(ConfigTable, frozen=True):
    """Who else keeps what this journal was: folders for witnesses, and the key that signs for them.

    ``key`` is the private key's file, made at the first start where there is none; by default it lies in the
    store. Each disposition is signed, and the journal's end at least every ``every_s``. Where ``approvers``
    names public keys, one of them must have signed every recipe and certificate as it is.
    """

    witness: tuple[Name, ...] = ()
    key: Name | None = None
    every_s: Positive = 3600.0
    approvers: tuple[Name, ...] = ()


class ReleaseSettings(ConfigTable, frozen=True):
    """How parts are released that only the gate holds: with ``two_persons`` another one must ask for it too."""

    two_persons: bool = False
