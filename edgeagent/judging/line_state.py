"""How the agent stands, as `state` says it to the line and its databases."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import msgspec

import edgeagent
from edgeagent.judging.configuration import Configuration
from edgeagent.judging.line_gate import line_gate
from edgeagent.judging.memory import Memory
from edgeagent.model import NOISE_ONLY
from edgeagent.model.status import DiskNow
from edgeagent.rules.line.delivery_state import Delivery

_WAITING_MAX = 50
"""At most this many of the newest are named, so that the message stays short; all of them are counted."""
_FORMERLY_MAX = 8
"""Identities that ended with an adoption: a copy from before it must learn that it is one."""


def line_state(
    memory: Memory, configuration: Configuration, delivery: Delivery, now: float, disk: DiskNow | None
) -> Mapping[str, Any]:
    """Everything but what says when and as which message it is sent. ``now`` is POSIX seconds.

    ``disk`` is None until it was looked at.
    """
    lamp, formerly = delivery.lamp, [one.hash for one in memory.known_as.identities[:-1]][-_FORMERLY_MAX:]
    return {
        **({"formerly": formerly} if formerly else {}),
        "version": edgeagent.__version__,
        "lamp": lamp.value,
        # Sorted: sets have no order, and a state that has not changed must compare equal.
        "faults": sorted(lamp.faults),
        "holding": sorted(lamp.holding),
        "gate": msgspec.to_builtins(line_gate(memory, configuration, now)),
        "waiting_count": len(lamp.waiting),
        "waiting": [
            {"seq": w.seq, "what": w.what, **{k: v for k, v in _about(w).items() if v}}
            for w in lamp.waiting[-_WAITING_MAX:]
        ],
        "uncertainty": "budget" if configuration.settings.budget_stated else NOISE_ONLY,
        "undelivered": delivery.undelivered,
        "free_disk_mb": None if disk is None else disk.free_mb,
        "disk": msgspec.to_builtins(disk),
        "recipes": [
            {"part": part, "revision": one.recipe.revision, "sha256": one.document.sha256}
            for part, one in sorted(configuration.recipes.items())
        ],
    }


def _about(waiting: Any) -> dict[str, str]:
    return {"part": waiting.part, "serial": waiting.serial, "file": waiting.file}
