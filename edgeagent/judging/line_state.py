"""How the agent stands, as `state` says it to the line and its databases."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import edgeagent
from edgeagent.codec.records.record import utc_text_of
from edgeagent.judging.configuration import Configuration
from edgeagent.judging.line_gate import line_gate_closed
from edgeagent.judging.memory import Memory
from edgeagent.rules.line.delivery_state import Delivery

_WAITING_MAX = 50
"""The newest so many are named, so that the message stays short; all of them are counted."""


def line_state(
    memory: Memory, configuration: Configuration, delivery: Delivery, now: float, free_bytes: int
) -> Mapping[str, Any]:
    """Everything but what says when and as which message it is sent. ``now`` is POSIX seconds."""
    lamp = delivery.lamp
    return {
        "version": edgeagent.__version__,
        "lamp": lamp.value,
        "faults": sorted(lamp.faults),
        "holding": sorted(lamp.holding),
        "gate": _gate(memory, configuration, now),
        "waiting_count": len(lamp.waiting),
        "waiting": [
            {"seq": w.seq, "what": w.what, **{k: v for k, v in _about(w).items() if v}}
            for w in lamp.waiting[-_WAITING_MAX:]
        ],
        "undelivered": delivery.undelivered,
        "free_disk_mb": free_bytes // 1_000_000,
        "recipes": [
            {"part": part, "revision": one.recipe.revision, "sha256": one.document.sha256}
            for part, one in sorted(configuration.recipes.items())
        ],
    }


def _about(waiting: Any) -> dict[str, str]:
    return {"part": waiting.part, "serial": waiting.serial, "file": waiting.file}


def _gate(memory: Memory, configuration: Configuration, now: float) -> Mapping[str, Any]:
    """Whether the gate is closed for the line, and until when (RFC 3339) it stays open if nothing comes."""
    wanted = configuration.settings.verification
    if wanted is None or wanted.max_age_h is None:
        return {"closed": False, "until": None}
    closed = line_gate_closed(memory, configuration, now)
    ends = [v.measured_at + 3600 * wanted.max_age_h for v in memory.verified.values() if v.passed]
    ahead = [end for end in ends if end > now]
    return {"closed": closed, "until": utc_text_of(min(ahead)) if ahead and not closed else None}
