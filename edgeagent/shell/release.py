"""Parts held only for the gate: which they are, and how a person's request releases one of them.

The journal has one writer, the service, so a release is a request: a small file in ``store/requests/`` that the
service takes up within a second, answers beside it and removes. What is on record is the service's doing:
an ``acknowledgement`` that says who and why, and the part's new disposition, with one sync. A request that is
refused is an ``acknowledgement`` too, which changes nothing.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import msgspec

from edgeagent.codec.result import encode
from edgeagent.errors import AgentError
from edgeagent.model import Disposition
from edgeagent.rules.part_set import PartDecision, PartSet, standing
from edgeagent.shell import bodies
from edgeagent.shell.files import write_synced
from edgeagent.shell.memory import Memory

FOLDER = "requests"
_REQUEST, _ANSWER = ".request", ".answer"
_BYTES_MAX = 4096
_AGE_MAX_S = 120.0
_AT_ONCE_MAX = 20
"""Requests taken up in one turn of the loop: a flood of them must not keep it from its parts."""
_Text = Annotated[str, msgspec.Meta(min_length=1, max_length=200)]


class ReleaseRequest(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Who wants which part released, and why."""

    part: _Text
    serial: _Text
    who: _Text
    why: _Text


class ReleaseAnswer(msgspec.Struct, frozen=True):
    """What became of a request: ``seq`` is the part's new disposition, 0 when it was refused."""

    granted: bool
    reason: str
    seq: int = 0


class ReleaseRefusedError(AgentError):
    """A part that may not be released; the message says why."""


@dataclass(frozen=True, slots=True)
class HeldPart:
    """A part held only for the gate. ``refusal`` is why it cannot be released yet, None when it can.

    ``held_at`` (RFC 3339) and ``why`` are those of the record ``seq`` that holds it, where they are known.
    """

    part: str
    serial: str
    seq: int
    refusal: str | None
    held_at: str = ""
    why: str = ""


GateReason = Callable[[PartSet], str | None]
"""Why the gate is closed for a part's instruments now; None when it is open."""


@dataclass(frozen=True, slots=True)
class TakenUp:
    """What a request leads to: records, the event for the log with its values, and the answer."""

    entries: list[tuple[str, Mapping[str, Any]]]
    event: str
    told: Mapping[str, str]
    refusal: str | None

    def answer(self, seq: int) -> ReleaseAnswer:
        """The answer, once the last of the records has its number."""
        return ReleaseAnswer(True, "", seq) if self.refusal is None else ReleaseAnswer(False, self.refusal)


def take_up(
    path: Path, folder: RequestFolder, memory: Memory, gate: GateReason, *, now: float, live_s: float
) -> TakenUp:
    """What becomes of one request file; whatever it holds, something for the record comes of it."""
    request = None
    try:
        request = folder.read(path, now)
        entries = release_entries(request, memory, gate, now=now, live_s=live_s)
    except ReleaseRefusedError as error:
        refusal = str(error)[:500]
        refused = refusal_entry(path.name, request, refusal)
        return TakenUp([refused], "release-refused", {"reason": refusal}, refusal)
    told = {"part": request.part, "serial": request.serial, "who": request.who}
    return TakenUp(entries, "released", told, None)


def refusal_entry(name: str, request: ReleaseRequest | None, reason: str) -> tuple[str, Mapping[str, Any]]:
    """The record of a refused request: who wanted what, and why not. ``name`` is the request's file.

    Its ``seq`` of 0 is no record's number, so that it acknowledges nothing: the lamp forgets no reject by it.
    """
    body: dict[str, Any] = {"seq": 0, "who": "unknown", "matched": False, "what": "release-refused"}
    if request is not None:
        body |= {"who": request.who, "part": request.part, "serial": request.serial, "why": request.why}
    else:
        body["request"] = name.encode("utf-8", "replace").decode()[:100]
    return "acknowledgement", bodies.fitted({**body, "reason": reason})


def held_parts(memory: Memory, gate: GateReason, *, now: float, live_s: float) -> Iterator[HeldPart]:
    """All parts that are held for the gate alone, in the order of their records."""
    for key in list(memory.gated):
        state = memory.part_set(*key)
        if _other_reason(state) is None:
            refusal = _unverified(state, memory, gate) or _at_the_line(state, now, live_s)
            yield HeldPart(state.part, state.serial, state.disposed_seq or 0, refusal)


def release_entries(
    request: ReleaseRequest, memory: Memory, gate: GateReason, *, now: float, live_s: float
) -> list[tuple[str, Mapping[str, Any]]]:
    """The records of a release. Raises ReleaseRefusedError when the part may not be released.

    ``live_s`` is how long a part counts as being at the line: its lamp belongs to it for that long, so it is
    measured again rather than released. A release is therefore always late and leaves the lamp alone.
    """
    key = (request.part, request.serial)
    name = f"{request.part} {request.serial}"
    if key not in memory.gated:
        raise ReleaseRefusedError(f"{name} is not held for the gate")
    state = memory.part_set(*key)
    refusal = _other_reason(state) or _unverified(state, memory, gate) or _at_the_line(state, now, live_s)
    if refusal is not None:
        raise ReleaseRefusedError(f"{name}: {refusal}")
    settled_at = _settled_at(state)
    cautions = _standing(state)[1]
    decision = PartDecision(
        Disposition.ACCEPT, (f"released by {request.who}: {request.why}", *cautions), settled_at
    )
    told = {
        "seq": state.disposed_seq,
        "part": request.part,
        "serial": request.serial,
        "who": request.who,
        "matched": False,
        "what": "release",
        "why": request.why,
    }
    return [("acknowledgement", told), ("disposition", bodies.disposition_body(state, decision, None))]


def _standing(state: PartSet) -> tuple[Disposition, tuple[str, ...]]:
    found = standing(state)
    return found if found is not None else (Disposition.HOLD, ("its set is not complete",))


def _other_reason(state: PartSet) -> str | None:
    """What else holds the part beside the gate."""
    if state.disposed != Disposition.HOLD:
        return "is not on hold"
    disposition, reasons = _standing(state)
    return (
        None
        if disposition == Disposition.ACCEPT
        else f"held for more than the gate: {'; '.join(reasons)}"[:400]
    )


def _settled_at(state: PartSet) -> float:
    return max(r.settled_at for r in state.results.values())


def _at_the_line(state: PartSet, now: float, live_s: float) -> str | None:
    if now - _settled_at(state) > live_s:
        return None
    return f"it came less than {live_s:g} s ago: measure it again, or release it later"


def _unverified(state: PartSet, memory: Memory, gate: GateReason) -> str | None:
    """Why no passed verification followed: one recorded after the hold, or measured after the part."""
    closed = gate(state)
    if closed is not None:
        return closed
    for instrument in sorted({str(r.source["instrument"]) for r in state.results.values()}):
        last = memory.verified.get(instrument)
        measured = [r.measured_at for r in state.results.values() if r.source["instrument"] == instrument]
        newer = last is not None and all(at is not None and last.at >= at for at in measured)
        if last is None or not last.passed or (last.seq < (state.disposed_seq or 0) and not newer):
            return f"no verification of {instrument} has passed since it was held"
    return None


class RequestFolder:
    """The requests in ``store/requests/``. Whoever may write there may release parts: guard the folder."""

    def __init__(self, store: Path) -> None:
        self.folder = store / FOLDER
        self._immovable: set[str] = set()

    def waiting(self) -> list[Path]:
        """The next requests that were not answered yet, in order of name; empty when there is no folder.

        One that was answered but cannot be taken away does not come again.
        """
        with contextlib.suppress(OSError):
            found = (p for p in self.folder.iterdir() if p.suffix == _REQUEST and not p.name.startswith("."))
            return sorted(p for p in found if p.name not in self._immovable)[:_AT_ONCE_MAX]
        return []

    def read(self, path: Path, now: float) -> ReleaseRequest:
        """One request. Raises ReleaseRefusedError for anything else, and for one that nobody waits for now.

        A command that was killed before it was answered must not release a part at the next start.
        """
        try:
            if path.is_symlink() or not path.is_file() or path.stat().st_size > _BYTES_MAX:
                raise ReleaseRefusedError("not a request")
            request = msgspec.json.decode(path.read_bytes(), type=ReleaseRequest)
            age_s = now - path.stat().st_mtime
            if age_s > _AGE_MAX_S:
                raise ReleaseRefusedError(f"{request.part} {request.serial}: the request is {age_s:.0f} s old")
            return request
        except (OSError, msgspec.DecodeError, UnicodeDecodeError) as error:
            raise ReleaseRefusedError(f"not a request: {error}") from error

    def answer(self, path: Path, answer: ReleaseAnswer) -> None:
        """Write the answer, then take the request away. A request that comes again after a crash is refused,
        since its part is released already."""
        with contextlib.suppress(OSError):
            write_synced(path.with_suffix(_ANSWER), encode(answer))
        try:
            path.unlink()
        except FileNotFoundError:
            pass
        except OSError:
            self._immovable.add(path.name)

    def put(self, request: ReleaseRequest) -> Path:
        """Hand in a request under a name of its own. Raises OSError."""
        self.folder.mkdir(parents=True, exist_ok=True)
        path = self.folder / f"{os.urandom(8).hex()}{_REQUEST}"
        write_synced(path, encode(request), mode=0o600)
        return path

    def take_answer(self, path: Path) -> ReleaseAnswer | None:
        """The answer to a request, taken away with reading; None while there is none."""
        found = path.with_suffix(_ANSWER)
        try:
            answer = msgspec.json.decode(found.read_bytes(), type=ReleaseAnswer)
        except FileNotFoundError:
            return None
        found.unlink(missing_ok=True)
        return answer

    def withdraw(self, path: Path) -> bool:
        """Take an unanswered request back; False when the service has taken it meanwhile."""
        try:
            path.unlink()
        except FileNotFoundError:
            return False
        return True
