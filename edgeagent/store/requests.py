"""The folder in which commands ask the service for what only it may write.

It is the service's own: readable and writable for the service and one group, for nobody else, and whatever is
made in it belongs to that group (mode 2770). A request's owner is who asked.
"""

from __future__ import annotations

import contextlib
import errno
import grp
import os
import stat
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec

from edgeagent.codec.records.result import encode
from edgeagent.judging.requests import (
    AcknowledgeRequest,
    Asker,
    Handed,
    ReleaseRequest,
    Request,
    RequestAnswer,
    RequestRefusedError,
)
from edgeagent.model.reasons import Code, reason
from edgeagent.store.files import make_folder, write_synced
from edgeagent.store.running.system_user import UserNames

FOLDER = "requests"
MODE = 0o2770
"""Nobody else, and what is made in it belongs to its group, so that the service can read it."""
_REQUEST, _ANSWER = ".request", ".answer"
# The service reads by the group; others must not see who asks to release what.
_FILE_MODE = 0o640
# A request is four short texts; whoever writes more is not one of our commands.
_BYTES_MAX = 4096
# Longer than any command waits for its answer: an older request has nobody left who would hear it.
_AGE_MAX_S = 120.0
# A request dated ahead would outlive every bound on its age, over restarts too; a minute for clocks that are
# being set while a command waits.
_AHEAD_MAX_S = 60.0
# An hour, so that no command that is still at work loses its half-written request or its answer.
_LEFT_BEHIND_S = 3600.0
_AT_ONCE_MAX = 20
"""Requests taken up in one turn of the loop: a flood of them must not keep it from its parts."""


class _RequestKind(msgspec.Struct, frozen=True):
    what: str = ReleaseRequest.__struct_config__.tag  # type: ignore[assignment]


_TYPES: dict[str, Any] = {str(t.__struct_config__.tag): t for t in (ReleaseRequest, AcknowledgeRequest)}


def decode_request(data: bytes) -> Request:
    """A request from its JSON; one without ``what`` asks for a release. Raises msgspec.DecodeError."""
    what = msgspec.json.decode(data, type=_RequestKind).what
    if what not in _TYPES:
        raise msgspec.ValidationError(f"what is {what[:40]!r}, allowed: {', '.join(_TYPES)}")
    found: Request = msgspec.json.decode(data, type=_TYPES[what])
    return found


class RequestFolder:
    """The requests in ``store/requests/``. Whoever may write there may release parts and acknowledge.

    ``name_of`` finds a user's name by number.
    """

    def __init__(self, store: Path, name_of: Callable[[int], str] | None = None) -> None:
        self.folder = store / FOLDER
        self._name_of = name_of or UserNames()
        self._immovable: set[str] = set()

    def own(self, group: str | None) -> str | None:
        """Make the folder the service's, with ``group`` where one is named; says what is not as it must be.

        For the service alone. Also sweeps what commands that were killed left behind.
        """
        try:
            make_folder(self.folder)
            # Not through a link: whoever could put one here would choose the folder whose requests are obeyed.
            found = os.lstat(self.folder)
            if not stat.S_ISDIR(found.st_mode):
                return f"{self.folder} is no folder: requests are refused"
            # Its owner may change its mode at any time, and with it who may release parts.
            if os.geteuid() not in (0, found.st_uid):
                name = self._name_of(found.st_uid) or str(found.st_uid)
                return f"{self.folder} belongs to {name} and not to the agent's user: chown it, or remove it"
            self._give_to(group, found.st_gid)
            # Left alone where it is right: a sandbox may refuse to set the set-group bit.
            if stat.S_IMODE(os.lstat(self.folder).st_mode) != MODE:
                _set_mode(self.folder)
            self._sweep()
        except KeyError:
            return f"there is no group {group} on this machine, which store.requests_group names"
        except PermissionError:
            who = f"the agent's user is no member of {group}, or" if group else ""
            return f"{self.folder}: {who} its rights cannot be set: {MODE:o} is needed"
        except OSError as error:
            return f"{self.folder}: {error.strerror}"
        return None

    def _give_to(self, group: str | None, gid: int) -> None:
        if group is not None and (wanted := grp.getgrnam(group).gr_gid) != gid:
            os.chown(self.folder, -1, wanted)

    def _sweep(self) -> None:
        now = time.time()
        for path in self.folder.iterdir():
            # Either way: what is dated ahead of the clock would never grow old.
            is_left = abs(now - path.lstat().st_mtime) > _LEFT_BEHIND_S
            if path.suffix != _REQUEST and is_left and not path.is_dir():
                path.unlink(missing_ok=True)

    def waiting(self) -> list[Path]:
        """The next requests that were not answered yet, in order of name; empty when there is no folder.

        One that was answered but cannot be taken away does not come again.
        """
        # A folder that cannot be listed now is asked again at the next turn: a request waits, nothing else
        # does.
        with contextlib.suppress(OSError):
            # A hidden name is a request that is not whole yet.
            found = (p for p in self.folder.iterdir() if p.suffix == _REQUEST and not p.name.startswith("."))
            return sorted(p for p in found if p.name not in self._immovable)[:_AT_ONCE_MAX]
        return []

    def read(self, path: Path, now: float) -> Handed:
        """One request and who asks. Raises RequestRefusedError for anything else, for one that nobody waits for
        now or that is dated ahead of the clock, and where everybody may write.

        A command that was killed before it was answered must not release a part at the next start.
        """
        try:
            data, found = _bytes_of(path)
            asker = Asker(found.st_uid, self._name_of(found.st_uid))
            # At each request, not at the start alone: a folder opened to everybody later proves nothing of who
            # asks.
            if stat.S_IMODE(path.parent.stat().st_mode) & stat.S_IWOTH:
                raise RequestRefusedError(reason(Code.REQUESTS_UNGUARDED))
            handed = Handed(decode_request(data), asker)
        except (OSError, ValueError, RecursionError) as error:  # msgspec's errors are ValueErrors
            text = error.strerror if isinstance(error, OSError) else str(error)
            raise RequestRefusedError(reason(Code.NOT_A_REQUEST, text=text)) from error
        # By the file, not by what it says: its time is the kernel's.
        age_s, what = now - found.st_mtime, subject_of(handed.request)
        if age_s > _AGE_MAX_S:
            raise RequestRefusedError(reason(Code.REQUEST_TOO_OLD, **what, age_s=age_s), handed=handed)
        if age_s < -_AHEAD_MAX_S:
            raise RequestRefusedError(reason(Code.REQUEST_AHEAD, **what, ahead_s=-age_s), handed=handed)
        return handed

    def answer(self, path: Path, answer: RequestAnswer) -> None:
        """Write the answer, then take the request away. A request that comes again after a crash is refused,
        since what it asks for is done already."""
        # An answer that cannot be written costs the command its word; what it asked for is on record all the
        # same.
        with contextlib.suppress(OSError):
            write_synced(path.with_suffix(_ANSWER), encode(answer))
        try:
            path.unlink(missing_ok=True)
        # Remembered, or it would be answered in every turn of the loop.
        except OSError:
            self._immovable.add(path.name)

    def put(self, request: Request) -> Path:
        """Hand in a request under a name of its own. Raises OSError; the folder is the service's to make."""
        name = os.urandom(8).hex()
        # Whole, readable for the service and only then under a name that it looks for.
        hidden, path = self.folder / f".{name}", self.folder / f"{name}{_REQUEST}"
        write_synced(hidden, encode(request), mode=_FILE_MODE)
        with contextlib.suppress(OSError):  # where the folder hands its group on by itself, it is done already
            os.chown(hidden, -1, self.folder.stat().st_gid)
        hidden.rename(path)
        return path

    def take_answer(self, path: Path) -> RequestAnswer | None:
        """The answer to a request, taken away with reading; None while there is none."""
        found = path.with_suffix(_ANSWER)
        try:
            answer = msgspec.json.decode(found.read_bytes(), type=RequestAnswer)
        except FileNotFoundError:
            return None
        # Gone is gone: an answer that stays is swept after an hour.
        with contextlib.suppress(OSError):
            found.unlink(missing_ok=True)
        return answer

    def withdraw(self, path: Path) -> bool:
        """Take an unanswered request back; False when the service has taken it meanwhile."""
        try:
            path.unlink()
        except FileNotFoundError:
            return False
        return True


def subject_of(request: Request) -> dict[str, str | int]:
    """What a request is about: part and serial, or the record."""
    match request:
        case ReleaseRequest():
            return {"part": request.part, "serial": request.serial}
        case AcknowledgeRequest():
            return {"record": request.seq}


def _bytes_of(path: Path) -> tuple[bytes, os.stat_result]:
    """The bytes of a request and its file's state, of one and the same file.

    Raises OSError for what is none: a link in either sense would show another owner than who made it.
    """
    # Non-blocking for a pipe under this name; without following, as the owner counts and is read from this
    # descriptor.
    fd = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    with os.fdopen(fd, "rb") as file:
        found = os.fstat(fd)
        if not stat.S_ISREG(found.st_mode) or found.st_nlink != 1:
            raise OSError(errno.EINVAL, "not a file of its own")
        data = file.read(_BYTES_MAX + 1)
    if len(data) > _BYTES_MAX:
        raise OSError(errno.EFBIG, f"more than {_BYTES_MAX} bytes")
    return data, found


def _set_mode(folder: Path) -> None:
    """Take the rights of others away, and hand the group on where a sandbox does not forbid it."""
    try:
        os.chmod(folder, MODE)
    except PermissionError:
        os.chmod(folder, MODE & 0o777)
