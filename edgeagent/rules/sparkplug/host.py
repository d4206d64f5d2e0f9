"""The primary host's state, by its JSON STATE messages (Sparkplug Specification 3.0.0, 6.4.27)."""

from __future__ import annotations

from dataclasses import dataclass

import msgspec

_BYTES_MAX = 1024


class _StateMessage(msgspec.Struct, frozen=True):
    online: bool
    timestamp: int


@dataclass(frozen=True, slots=True)
class HostState:
    """What the host said last: ``at_ms`` is its time stamp, None while it has said nothing."""

    online: bool = False
    at_ms: int | None = None


def read_state(before: HostState, payload: bytes) -> tuple[HostState, str | None]:
    """The host's state after a STATE message, and why the message was disregarded (None: it was not).

    A time stamp before the last one is from an earlier session of the host and changes nothing.
    """
    # Cut before it is decoded, so that a payload of megabytes costs nothing.
    try:
        said = msgspec.json.decode(payload[: _BYTES_MAX + 1], type=_StateMessage, strict=True)
    except (msgspec.MsgspecError, ValueError, RecursionError):
        return before, "no JSON object with a boolean 'online' and a whole 'timestamp'"
    if len(payload) > _BYTES_MAX or not 0 <= said.timestamp < 2**63:
        return before, "longer or later than a state can be"
    # The will of an earlier session may come after the new session's word: it must not send the host away.
    if before.at_ms is not None and said.timestamp < before.at_ms:
        return before, f"its timestamp {said.timestamp} is before the last one, {before.at_ms}"
    return HostState(said.online, said.timestamp), None
