"""The terminal that a run was started from: when it is closed, no agent may go on that nobody sees.

SIGHUP means two things. A service manager sends it to a daemon, which has no terminal, to have its recipes
read again; the kernel sends it when the terminal goes away. Whether there still is one tells them apart. A job
in the background gets no signal at all, so that somebody has to look.
"""

from __future__ import annotations

import os
import signal


class ControllingTerminal:
    """Whether this process has lost the terminal it began with. Made before signals are handled.

    A run under nohup, which ignores SIGHUP, was meant to outlive its terminal and never loses it.
    """

    def __init__(self) -> None:
        self._watched = _is_there() and signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN

    def is_lost(self) -> bool:
        """Asks the kernel; cheap enough for once a second, and safe in a signal's handler."""
        return self._watched and not _is_there()


def _is_there() -> bool:
    """Whether the process has a controlling terminal: opening /dev/tty fails without one (tty(4))."""
    try:
        os.close(os.open("/dev/tty", os.O_RDWR | os.O_NOCTTY | os.O_CLOEXEC))
    except OSError:
        return False
    return True
