"""Until when a disposition may act, said in the message in each way that some receiver can use."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime

from edgeagent.rules.line.outbox import Outgoing


def with_expiry(
    messages: Sequence[Outgoing], expires_at: float, *, last_beat: int, store: str
) -> tuple[Outgoing, ...]:
    """A disposition's messages with the time (POSIX seconds) at which it ceases to act, and its lasting copy.

    The broker forgets the live message then; ``expires_at`` in it is for receivers with a clock, and
    ``expires_beat`` for those that only count heartbeats: the last count at which it acts. Sent again, it keeps
    the same time; one that is past it says ``late`` and never expires, since it does not act. ``decided`` is
    the same JSON for databases; nothing acts on it, and it never expires. ``last_beat`` is the last count that
    comes until then, ``store`` says which agent's it is.
    """
    done: list[Outgoing] = []
    for message in messages:
        if message.topic != "disposition":
            done.append(message)
            continue
        stated = datetime.fromtimestamp(expires_at, UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
        payload = {**message.payload, "store": store, "expires_at": stated}
        # A late one acts on nothing, so that no heartbeat may be named until which it would.
        if not payload.get("late", False):
            payload["expires_beat"] = last_beat
        acts = None if payload.get("late", False) else expires_at
        done.append(replace(message, payload=payload, expires_at=acts))
        # On a topic of its own: the broker drops an expired message, which a database may not have read yet.
        done.append(Outgoing("decided", payload, retain=False))
    return tuple(done)
