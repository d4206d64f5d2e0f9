"""What the Sparkplug edge node keeps over a restart: its bdSeq, its place in the journal, its values.

A cache but for ``bdseq``: without it the node begins at the journal's end, with values that it gets anew.
"""

from __future__ import annotations

from pathlib import Path

import msgspec

from edgeagent.codec.records.checked_json import add_check, remove_check
from edgeagent.codec.records.record import Place
from edgeagent.model.sparkplug import Metric
from edgeagent.store.files import make_folder, write_synced


class Reached(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A record and the place behind it; place None is the journal's start."""

    seq: int = 0
    place: Place | None = None


class SparkplugState(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """``bdseq`` is that of the last CONNECT; ``sent`` and ``folded`` as in the node; ``folders`` by device."""

    bdseq: int = -1
    sent: Reached = Reached()
    folded: Reached = Reached()
    own: tuple[Metric, ...] = ()
    devices: dict[str, tuple[Metric, ...]] = {}
    folders: dict[str, str] = {}


def write_sparkplug_state(path: Path, state: SparkplugState) -> None:
    """Make the state durable, with its own checksum. Raises OSError; the old one then stands."""
    make_folder(path.parent)
    write_synced(path, add_check(msgspec.json.encode(state)))


def read_sparkplug_state(path: Path) -> SparkplugState | None:
    """The state; None when it is missing or damaged."""
    try:
        return msgspec.json.decode(remove_check(path.read_bytes()), type=SparkplugState)
    except (OSError, ValueError):  # msgspec's errors are ValueErrors
        return None
