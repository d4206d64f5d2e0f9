"""The notify protocol of systemd: one datagram a message; without NOTIFY_SOCKET nothing happens."""

from __future__ import annotations

import contextlib
import os
import socket


class Notifier:
    """Tells the service manager READY, WATCHDOG, RELOADING and STOPPING (sd_notify(3))."""

    def __init__(self) -> None:
        self._address = os.environ.get("NOTIFY_SOCKET", "")

    def tell(self, message: str) -> None:
        """Send a message such as ``READY=1``; a manager that does not listen is not our failure."""
        if not self._address:
            return
        # An @ stands for the abstract namespace, whose addresses begin with a zero byte (unix(7)).
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
            channel.sendto(message.encode(), address)
