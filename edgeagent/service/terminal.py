"""The service on a terminal: one live table for a person who looks in, instead of log lines.

Shows what the line's people ask first: the last parts and why, what waits, broker, lamp, verification, and the
last thing that went wrong. Needs the extra "terminal"; without it the event log is printed line by line.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, MutableMapping
from typing import Any

import structlog
from rich import box
from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from edgeagent.codec.plain_text import clean
from edgeagent.service.status import Status

_ROWS = 12
_LAMP = {0: "0 clear", 1: "1 reject", 2: "2 hold", 3: "3 fault"}


class LiveTable:
    """Owns the terminal while the service runs. ``sink`` takes log events, ``show`` the service's status."""

    def __init__(self) -> None:
        self._console = Console()
        self._live = Live(console=self._console, auto_refresh=False, transient=False)
        self._files: deque[Mapping[str, Any]] = deque(maxlen=_ROWS)
        self._trouble = ""
        self._counts = {"accept": 0, "reject": 0, "hold": 0, "quarantined": 0}

    def __enter__(self) -> LiveTable:
        self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._live.stop()

    def sink(self, _logger: Any, method: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
        """A structlog processor that keeps what the table shows and prints nothing."""
        name = event.get("event")
        if name == "measured":
            self._files.appendleft(dict(event))
            self._counts[str(event["disposition"])] += 1
        elif name == "quarantined":
            self._files.appendleft(
                {**event, "disposition": "quarantined", "reasons": [event.get("reason", "")]}
            )
            self._counts["quarantined"] += 1
        elif method in ("warning", "error"):
            reason = f": {event['reason']}" if "reason" in event else ""
            self._trouble = f"{event.get('timestamp', '')[11:19]} {name}{reason}"
        raise structlog.DropEvent

    def show(self, status: Status) -> None:
        """Draw the table anew."""
        self._live.update(Group(self._head(status), self._parts()), refresh=True)

    def _head(self, status: Status) -> Table:
        head = Table(box=None, show_header=False, pad_edge=False)
        broker = "ready" if status.ready else "connected" if status.connected else "away"
        verified = "; ".join(f"{name} {words}" for name, words in status.verifications) or "none on record"
        counts = ", ".join(f"{n} {word}" for word, n in self._counts.items())
        lamp = _LAMP[status.lamp] + (f" ({', '.join(status.faults)})" if status.faults else "")
        rows = [
            (
                "lamp",
                lamp if status.connected else f"{lamp} wanted, but the broker is away: the line sees a fault",
            ),
            ("broker", f"{broker}, {status.undelivered} records to deliver"),
            ("waiting", f"{status.waiting} files; {status.open_sets} parts not whole yet"),
            ("verification", verified),
            ("since start", counts),
        ]
        if self._trouble:
            rows.append(("last trouble", clean(self._trouble)))
        for name, words in rows:
            head.add_row(Text(name, style="dim"), Text(words))
        return head

    def _parts(self) -> Table:
        table = Table(box=box.SIMPLE_HEAD, expand=True)
        for name, width in (("time", 8), ("file", None), ("disposition", 11), ("because", None)):
            table.add_column(name, width=width, overflow="fold" if name == "because" else "ellipsis")
        for event in self._files:
            reasons = event.get("reasons") or [""]
            table.add_row(
                str(event.get("timestamp", ""))[11:19],
                Text(clean(event["name"])),
                Text(str(event["disposition"]), style="bold" if event["disposition"] != "accept" else ""),
                Text(clean(reasons[0])),
            )
        return table
