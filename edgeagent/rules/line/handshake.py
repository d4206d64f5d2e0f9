"""The part at the station, as line and agent agree on it by a nonce: what was asked, and what is known of it.

Text for controllers without JSON is ASCII of fixed width, filled with spaces on the right. ``expect/text``:
part 32, serial 32, nonce 16. ``station/text``: nonce 16, part 32, serial 32, one digit (``0`` accept, ``1``
reject, ``2`` hold, ``-`` undecided, ``?`` not understood), ``expires_beat`` 16.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import msgspec

from edgeagent.model import Disposition
from edgeagent.rules.part_set import PartSet

PART_WIDTH, SERIAL_WIDTH, NONCE_WIDTH, BEAT_WIDTH = 32, 32, 16, 16
_DIGITS = {"accept": "0", "reject": "1", "hold": "2"}


@dataclass(frozen=True, slots=True)
class Expected:
    """The part that the line announced at ``since`` (POSIX seconds), or why its message says none."""

    part: str
    serial: str
    nonce: str
    since: float
    problem: str | None = None


class _Message(msgspec.Struct, frozen=True):
    part: str = ""
    serial: str = ""
    nonce: str | int = ""


def read_expected(payload: bytes, now: float) -> Expected:
    """What an ``expect`` message announces. A part or serial that is missing is a problem, never guessed."""
    try:
        said = msgspec.json.decode(payload, type=_Message)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        return Expected("", "", "", now, f"not understood: {error}"[:200])
    return _check(said.part, said.serial, str(said.nonce), now)


def read_expected_text(payload: bytes, now: float) -> Expected:
    """The same of an ``expect/text`` message."""
    size = PART_WIDTH + SERIAL_WIDTH + NONCE_WIDTH
    if len(payload) != size or not payload.isascii():
        return Expected("", "", "", now, f"not understood: {len(payload)} bytes, wanted are {size} of ASCII")
    text = payload.decode("ascii")
    part, serial = text[:PART_WIDTH], text[PART_WIDTH : PART_WIDTH + SERIAL_WIDTH]
    return _check(part.strip(), serial.strip(), text[PART_WIDTH + SERIAL_WIDTH :].strip(), now)


def _check(part: str, serial: str, nonce: str, now: float) -> Expected:
    missing = [name for name, value in (("part", part), ("serial", serial), ("nonce", nonce)) if not value]
    long = [name for name, value in (("part", part), ("serial", serial), ("nonce", nonce)) if len(value) > 128]
    if missing or long:
        words = f"{', '.join(missing)} missing" if missing else f"{', '.join(long)} longer than 128 characters"
        return Expected(part[:128], serial[:128], nonce[:128], now, words)
    return Expected(part, serial, nonce, now)


def decision_on(
    expected: Expected, known: PartSet, now: float, live_s: float
) -> tuple[Disposition, float] | None:
    """The part's disposition and when it ceases to act (POSIX seconds); None while it is undecided.

    Only a disposition that rests on a file that settled since the part was announced counts: an older one may
    be from before the part left the station.
    """
    newest = max((r.settled_at for r in known.results.values()), default=0.0)
    if expected.problem is not None or known.disposed is None:
        return None
    # A re-measurement that is not announced yet may change the disposition: until then none is known.
    if known.remeasured or newest < expected.since or now > newest + live_s:
        return None
    return known.disposed, newest + live_s


def station_of(expected: Expected, known: PartSet, decided: tuple[Disposition, float] | None) -> dict[str, Any]:
    """The state of the part at the station, as the line receives it, without times."""
    if expected.problem is not None:
        waiting_for = [expected.problem]
    elif decided is not None:
        waiting_for = []
    else:
        # All traces are there but from before the announcement: then every one of them is asked for again.
        waiting_for = list(known.missing or known.required) or ["a first trace of this part"]
    return {
        "nonce": expected.nonce,
        "part": expected.part,
        "serial": expected.serial,
        "waiting_for": waiting_for,
        "disposition": decided[0].value if decided is not None else None,
        "record": known.disposed_seq if decided is not None else None,
    }


def station_text(station: Mapping[str, Any], problem: bool, expires_beat: int) -> bytes:
    """The same as fixed-width text."""
    digit = "?" if problem else _DIGITS.get(str(station["disposition"]), "-")
    fields = (("nonce", NONCE_WIDTH), ("part", PART_WIDTH), ("serial", SERIAL_WIDTH))
    head = "".join(str(station[name])[:width].ljust(width) for name, width in fields)
    # No heartbeat to act until where nothing may be acted on: a PLC would take an old number for a permission.
    text = f"{head}{digit}{expires_beat if digit in '012' else '':<{BEAT_WIDTH}}"
    return text.encode("ascii", errors="replace")
