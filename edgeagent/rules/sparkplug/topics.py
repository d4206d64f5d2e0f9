"""Sparkplug's topics (Sparkplug Specification 3.0.0, chapter 4)."""

from __future__ import annotations

from dataclasses import dataclass

NAMESPACE = "spBv1.0"
_RESERVED = frozenset("%+/#")


def topic_id(text: str) -> str:
    """A name as group, node or device id: reserved and control characters become %XX, so that two stay two."""
    return "".join(
        "".join(f"%{byte:02X}" for byte in char.encode()) if char in _RESERVED or ord(char) < 32 else char
        # Lone surrogates, which no UTF-8 topic can hold, become question marks.
        for char in text.encode("utf-8", "replace").decode()
    )


@dataclass(frozen=True, slots=True)
class Names:
    """Who the edge node is, and the host whose state it waits for (None: it waits for nobody)."""

    group: str
    node: str
    host: str | None = None

    @classmethod
    def of(cls, identity: tuple[str, str, str | None]) -> Names:
        """The names of a group and an edge node, whatever characters they hold; a host has its own name."""
        group, node, host = identity
        return cls(topic_id(group), topic_id(node), host)

    def topic(self, kind: str, device: str | None = None) -> str:
        """The topic of a message type, such as ``NBIRTH``, or ``DDATA`` with its device id."""
        parts = (NAMESPACE, self.group, kind, self.node, *(() if device is None else (device,)))
        return "/".join(parts)

    @property
    def state_topic(self) -> str | None:
        """Where the primary host says that it is there."""
        return None if self.host is None else f"{NAMESPACE}/STATE/{self.host}"

    def command_of(self, topic: str) -> tuple[str, str | None] | None:
        """``("NCMD", None)`` or ``("DCMD", device)`` for a command to this node, None for any other topic."""
        if topic == self.topic("NCMD"):
            return "NCMD", None
        head = self.topic("DCMD", "")
        device = topic.removeprefix(head)
        return ("DCMD", device) if topic.startswith(head) and device and "/" not in device else None
