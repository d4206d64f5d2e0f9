"""How long to wait before the next attempt to connect: growing, and never in step with others.

A broker that comes back finds all its clients waiting. Each draws its own part of every pause from who it is
and what time it is, so that two hundred of them do not come at one moment (common practice: half of a growing
pause is fixed, half is drawn).
"""

from __future__ import annotations

import hashlib

PAUSE_MIN_S, PAUSE_MAX_S = 0.5, 10.0


def next_pause_s(before_s: float) -> float:
    """The whole pause after one of ``before_s`` (0 for none): 0.5 s, 1 s, 2 s, ... 10 s."""
    return min(max(2 * before_s, PAUSE_MIN_S), PAUSE_MAX_S)


def draw_pause_s(whole_s: float, who: str, now: float) -> float:
    """What is waited of a whole pause: between half of it and all of it.

    After a lasting connection the whole is 0: then between nothing and 0.5 s, as a broker that restarts ends
    all its connections at one moment.
    """
    text = f"{who} {now!r}".encode("utf-8", "replace")
    # A hash instead of a random number: this room is pure, and a replayed sequence must take the same pauses.
    share = int.from_bytes(hashlib.sha256(text).digest()[:7], "big") / 2**56
    return whole_s * (0.5 + 0.5 * share) if whole_s > 0 else PAUSE_MIN_S * share
