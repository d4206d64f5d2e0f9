"""The folder in which commands ask the service for what only it may write."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

import msgspec

from edgeagent.codec.records.result import encode
from edgeagent.judging.release import ReleaseAnswer, ReleaseRefusedError, ReleaseRequest
from edgeagent.model.reasons import Code, reason
from edgeagent.store.files import write_synced

FOLDER = "requests"
_REQUEST, _ANSWER = ".request", ".answer"
_BYTES_MAX = 4096
_AGE_MAX_S = 120.0
_AT_ONCE_MAX = 20
"""Requests taken up in one turn of the loop: a flood of them must not keep it from its parts."""


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
                raise ReleaseRefusedError(reason(Code.NOT_A_REQUEST))
            request = msgspec.json.decode(path.read_bytes(), type=ReleaseRequest)
            age_s = now - path.stat().st_mtime
            if age_s > _AGE_MAX_S:
                raise ReleaseRefusedError(
                    reason(Code.REQUEST_TOO_OLD, part=request.part, serial=request.serial, age_s=age_s)
                )
            return request
        except (OSError, msgspec.DecodeError, UnicodeDecodeError) as error:
            raise ReleaseRefusedError(reason(Code.NOT_A_REQUEST, text=str(error))) from error

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
