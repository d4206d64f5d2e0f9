"""A chunk of archived results to the values that series are made of."""

from __future__ import annotations

import msgspec

from edgeagent.judging.drift import SeriesValue, archived_values
from edgeagent.model.records import Measurement
from edgeagent.store.replaying.places import StorePlace


class SeriesChunk(msgspec.Struct, frozen=True):
    """Measurements of one store, and the UPR of the harmonics that are asked for; see `archived_values`."""

    place: StorePlace
    bodies: tuple[Measurement, ...]
    harmonics: frozenset[int] | None


def read_values(chunk: SeriesChunk) -> list[list[SeriesValue] | None]:
    """The values of each result, None where the archive does not have it."""
    archive = chunk.place.archive()
    return [archived_values(body, archive.get, chunk.harmonics) for body in chunk.bodies]
