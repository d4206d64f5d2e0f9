"""The fold of the journal up to one record, as bytes: a start goes on from it instead of reading ten years.

A snapshot is a cache. It is taken at a record whose messages are delivered, and whoever goes on from it has
made sure that the journal still holds that record. Which files the fold knows is in the store's index instead.
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import msgspec

from edgeagent.codec.configuration.settings import Drift
from edgeagent.codec.evidence.identities import KnownAs
from edgeagent.judging.memory import Memory
from edgeagent.model.status import PartNow
from edgeagent.rules.gate import History, Sighting
from edgeagent.rules.part_set import PartSet

if TYPE_CHECKING:
    from edgeagent.judging.drift import DriftSeriesState, DriftWatch


class MemorySnapshot(msgspec.Struct, frozen=True, kw_only=True):
    """All of a `Memory` but its files, its lamp and what waits for delivery.

    ``drift`` is the encoded state of a DriftWatch: what no configuration asks for is not imported for its type.
    """

    sets: tuple[PartSet, ...]
    gated: tuple[PartSet, ...]
    verifications: dict[str, History]
    verifying: tuple[tuple[str, str | None, int], ...]
    measured_last: dict[str, float]
    certificate_refused: str | None
    proposed: tuple[tuple[str, str, str, int], ...]
    recorded_at: str
    known_as: KnownAs
    older: str | None
    manifest: str
    withdrawn: dict[str, str]
    artefact_errors_nm: tuple[tuple[str, str, dict[int, float]], ...]
    sightings: tuple[tuple[str, str, dict[int, Sighting]], ...]
    boot: int
    decided: int
    last_parts: tuple[PartNow, ...]
    drift: bytes | None
    drift_mark: str


_DECODER = msgspec.msgpack.Decoder(MemorySnapshot)
_SHAPE = hashlib.sha256(msgspec.json.encode(msgspec.json.schema(MemorySnapshot))).hexdigest()[:16].encode()
"""Changes with every member of every struct in a snapshot: one of another version is not read."""


def encode_snapshot(memory: Memory, drift: DriftWatch | None, watched: Drift | None) -> bytes | None:
    """What the fold knows after the last record; None while a measurement lacks the record that must follow."""
    # The next start would go on behind it and never complete it.
    if memory.unverified is not None:
        return None
    snapshot = MemorySnapshot(
        sets=tuple(memory.sets.values()),
        gated=tuple(memory.gated.values()),
        verifications=dict(memory.verifications),
        verifying=tuple((*key, seq) for key, seq in memory.verifying.items()),
        measured_last=dict(memory.measured_last),
        certificate_refused=memory.certificate_refused,
        proposed=tuple((*key, *first) for key, first in memory.proposed.items()),
        recorded_at=memory.recorded_at,
        known_as=memory.known_as,
        older=memory.older,
        manifest=memory.manifest,
        withdrawn=dict(memory.withdrawn),
        artefact_errors_nm=tuple((*key, dict(errors)) for key, errors in memory.artefact_errors_nm.items()),
        sightings=tuple((*key, dict(seen)) for key, seen in memory.sightings.items()),
        boot=memory.boot,
        decided=memory.decided,
        last_parts=tuple(memory.last_parts),
        drift=None if drift is None else msgspec.msgpack.encode(drift.state()),
        drift_mark=_drift_mark(watched),
    )
    return _SHAPE + msgspec.msgpack.encode(snapshot)


def decode_snapshot(data: bytes, watched: Drift | None) -> MemorySnapshot | None:
    """The snapshot in ``data``; None for one of another version, for other drift charts, or damaged."""
    if not data.startswith(_SHAPE):
        return None
    try:
        snapshot = _DECODER.decode(memoryview(data)[len(_SHAPE) :])
        if snapshot.drift_mark != _drift_mark(watched):
            return None
        if snapshot.drift is not None:
            _drift_state(snapshot.drift)  # what is damaged is found here, where nothing has been taken over yet
    except (msgspec.MsgspecError, ValueError):
        return None
    return snapshot


def unlike_memory(data: bytes, memory: Memory) -> list[str]:
    """What of the gate and the journal's identity a snapshot knows otherwise than a fold up to the same record.

    Empty for one of another version or damaged: nobody goes on from it.
    """
    if not data.startswith(_SHAPE):
        return []
    try:
        snapshot = _DECODER.decode(memoryview(data)[len(_SHAPE) :])
    except (msgspec.MsgspecError, ValueError):
        return []
    pairs = {
        "parts held for the gate": ({(s.part, s.serial) for s in snapshot.gated}, set(memory.gated)),
        "verifications": (snapshot.verifications, dict(memory.verifications)),
        "refused certificate": (snapshot.certificate_refused, memory.certificate_refused),
        "first requests of two persons": (
            {(part, serial): (who, uid) for part, serial, who, uid in snapshot.proposed},
            dict(memory.proposed),
        ),
        "identity": (snapshot.known_as, memory.known_as),
        "older copy": (snapshot.older, memory.older),
        "configuration": (snapshot.manifest, memory.manifest),
        "approvals": (snapshot.withdrawn, memory.withdrawn),
        "last decision": (snapshot.decided, memory.decided),
        "boot": (snapshot.boot, memory.boot),
    }
    return [name for name, (noted, known) in pairs.items() if noted != known]


def restore(snapshot: MemorySnapshot, memory: Memory, drift: DriftWatch | None) -> None:
    """Fill a fresh fold with what a snapshot knows; the records behind it follow by ``visit``."""
    memory.has_forgotten = True  # nobody knows how many parts there were before it
    for state in snapshot.sets:
        memory.sets[state.part, state.serial] = state
        if state.disposed is None:
            memory.waiting_sets.add((state.part, state.serial))
    memory.gated.update({(state.part, state.serial): state for state in snapshot.gated})
    memory.verifications.update(snapshot.verifications)
    memory.verifying.update({(sha256, certificate): seq for sha256, certificate, seq in snapshot.verifying})
    memory.measured_last.update(snapshot.measured_last)
    memory.certificate_refused = snapshot.certificate_refused
    memory.known_as, memory.older = snapshot.known_as, snapshot.older
    memory.recorded_at, memory.withdrawn = snapshot.recorded_at, dict(snapshot.withdrawn)
    memory.proposed.update({(part, serial): (who, uid) for part, serial, who, uid in snapshot.proposed})
    memory.artefact_errors_nm.update({(i, a): errors for i, a, errors in snapshot.artefact_errors_nm})
    memory.sightings.update({(i, a): seen for i, a, seen in snapshot.sightings})
    memory.last_parts.extend(snapshot.last_parts)
    memory.boot, memory.decided, memory.manifest = snapshot.boot, snapshot.decided, snapshot.manifest
    if drift is not None and snapshot.drift is not None:
        drift.resume(_drift_state(snapshot.drift))


def _drift_state(data: bytes) -> DriftSeriesState:
    from edgeagent.judging.drift import DriftSeriesState

    return msgspec.msgpack.decode(data, type=DriftSeriesState)


def _drift_mark(watched: Drift | None) -> str:
    """Which charts a snapshot is for, and of what shape their state is."""
    if watched is None:
        return ""
    from edgeagent.judging.drift import DriftSeriesState

    # Charts whose settings changed begin anew: their state was made with other limits.
    both = watched, msgspec.json.schema(DriftSeriesState)
    return hashlib.sha256(msgspec.json.encode(both)).hexdigest()[:16]
