"""The end of a client's thread."""

from __future__ import annotations

import contextlib
import threading
from typing import Protocol


class ClientWithThread(Protocol):
    """What is asked of a client, so that `client` stays the only module here which knows paho."""

    def loop_stop(self) -> object:
        """End its thread and wait for that."""
        ...


def end_loop(client: ClientWithThread, name: str, patience_s: float) -> None:
    """End paho's thread, and wait so long for it and no longer; the thread that waits on is called ``name``."""

    def stop() -> None:
        # paho looks whether it has a thread and then joins it: one that ends in between is None by then.
        with contextlib.suppress(AttributeError):
            client.loop_stop()

    # It may sit in a connection attempt for seconds, for which the caller does not wait.
    ending = threading.Thread(target=stop, name=name, daemon=True)
    ending.start()
    # Daemonic, so that a socket that hangs in it cannot keep the process from ending.
    ending.join(timeout=patience_s)
