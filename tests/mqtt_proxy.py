"""A TCP proxy between the agent and a real broker that knows where MQTT packets begin and end.

It loses chosen packets, swallows everything, or holds everything back, as a bad switch, a half-open connection
or an overloaded broker does. It never changes a packet and never makes one up.
"""

from __future__ import annotations

import contextlib
import selectors
import socket
import threading
import time
from collections import deque
from collections.abc import Callable

PUBLISH, PUBACK = 3, 4
"""Packet types of MQTT, the upper half of a packet's first byte."""
Chooser = Callable[[int, bytes], bool]


class _Way:
    """One direction of a connection: bytes in, whole packets out after their delay."""

    def __init__(self, to: socket.socket) -> None:
        self.to = to
        self.buffer = b""
        self.waiting: deque[tuple[float, bytes]] = deque()

    def packets(self) -> list[bytes]:
        found = []
        while (size := _size(self.buffer)) is not None and size <= len(self.buffer):
            found.append(self.buffer[:size])
            self.buffer = self.buffer[size:]
        return found


def _size(data: bytes) -> int | None:
    """Bytes of the packet that begins here, None while its length is incomplete (MQTT 5, 1.5.5)."""
    length = 0
    for at, byte in enumerate(data[1:5]):
        length |= (byte & 0x7F) << 7 * at
        if not byte & 0x80:
            return 2 + at + length
    return None


class MqttProxy:
    """Listens on a free port of 127.0.0.1 and passes on to ``target``. Use as a context manager.

    ``drop`` loses the next packets that a function of (type, bytes) chooses; ``black_hole`` swallows everything
    in both directions while the connections stay open, new ones included; ``delay_s`` holds each packet back.
    """

    def __init__(self, target: int) -> None:
        self._target = target
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self.black_hole, self.delay_s = False, 0.0
        self._drops: list[tuple[Chooser, int]] = []
        self.dropped: list[bytes] = []
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._listener, selectors.EVENT_READ, None)
        self._ways: dict[socket.socket, _Way] = {}
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="mqtt-proxy")

    def drop(self, chosen: Chooser, count: int = 1) -> None:
        """Lose the next ``count`` packets that are chosen."""
        self._drops.append((chosen, count))

    def __enter__(self) -> MqttProxy:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._thread.join()
        for one in [*self._ways, self._listener]:
            one.close()
        self._selector.close()

    def _run(self) -> None:
        while not self._ending.is_set():
            for key, _ in self._selector.select(0.01):
                one = key.fileobj
                assert isinstance(one, socket.socket)
                if one is self._listener:
                    self._accept()
                elif one in self._ways:
                    self._read(one)
            for way in list(self._ways.values()):
                while way.waiting and way.waiting[0][0] <= time.monotonic():
                    with contextlib.suppress(OSError):
                        way.to.sendall(way.waiting.popleft()[1])

    def _accept(self) -> None:
        client, _ = self._listener.accept()
        try:
            broker = socket.create_connection(("127.0.0.1", self._target), 2)
        except OSError:
            client.close()
            return
        for here, there in ((client, broker), (broker, client)):
            self._ways[here] = _Way(there)
            self._selector.register(here, selectors.EVENT_READ, None)

    def _read(self, one: socket.socket) -> None:
        way = self._ways[one]
        try:
            data = one.recv(65536)
        except OSError:
            data = b""
        if not data:
            for end in (one, way.to):
                self._selector.unregister(end)
                self._ways.pop(end)
                end.close()
            return
        way.buffer += data
        for packet in way.packets():
            if not self.black_hole and not self._lost(packet):
                way.waiting.append((time.monotonic() + self.delay_s, packet))

    def _lost(self, packet: bytes) -> bool:
        for at, (chosen, count) in enumerate(self._drops):
            if chosen(packet[0] >> 4, packet):
                self._drops[at : at + 1] = [(chosen, count - 1)] if count > 1 else []
                self.dropped.append(packet)
                return True
        return False
