"""Names of the operating system's users."""

from __future__ import annotations

import pwd
import threading
from collections.abc import Callable

PATIENCE_S = 0.5


def _from_system(uid: int) -> str:
    return pwd.getpwuid(uid).pw_name


class UserNames:
    """Finds users' names by number; found ones are kept.

    A directory server that does not answer must not keep the agent's loop waiting: a look-up is waited for
    once, for half a second, and until it ends nobody waits for another.
    """

    def __init__(self, look_up: Callable[[int], str] = _from_system) -> None:
        self._look_up = look_up
        self._known: dict[int, str] = {}
        self._asking: threading.Thread | None = None

    def __call__(self, uid: int) -> str:
        """The name of user ``uid``; empty where there is none, or none is known in time."""
        # A daemon thread: a look-up in a directory has no time-out of its own, and must not hold up the end
        # either.
        if uid not in self._known and (self._asking is None or not self._asking.is_alive()):
            self._asking = threading.Thread(target=self._ask, args=(uid,), name="user-name", daemon=True)
            self._asking.start()
            self._asking.join(PATIENCE_S)
        return self._known.get(uid, "")

    def _ask(self, uid: int) -> None:
        try:
            self._known[uid] = self._look_up(uid)
        except (KeyError, OSError):
            return
