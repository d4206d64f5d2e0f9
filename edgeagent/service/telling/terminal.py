"""The service on a terminal: one live table for a person who looks in, instead of log lines.

Shows what the line's people ask first: the last parts and why, what waits, broker, lamp, verification, and the
last thing that went wrong. Needs the extra "terminal"; without it the event log is printed line by line.
"""

from __future__ import annotations

import sys
from collections import deque
from collections.abc import Mapping, MutableMapping
from datetime import datetime
from typing import Any

import structlog
from rich import box
from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from edgeagent.codec.plain_text import clean, count_text
from edgeagent.model.status import AgentStatus, VerificationNow
from edgeagent.service.events import LastingStream

_ROWS = 12


class LiveTable:
    """Owns the terminal while the service runs. ``sink`` takes log events, ``show`` the service's status."""

    def __init__(self) -> None:
        self._console = Console(file=LastingStream(sys.stdout))  # type: ignore[arg-type]
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

    def show(self, status: AgentStatus) -> None:
        """Draw the table anew."""
        self._live.update(Group(self._head(status), self._parts()), refresh=True)

    def _head(self, status: AgentStatus) -> Table:
        head = Table(box=None, show_header=False, pad_edge=False)
        verified = "; ".join(_verified_text(one, status) for one in status.verifications) or "none on record"
        counts = ", ".join(f"{n} {word}" for word, n in self._counts.items())
        lamp = f"{status.lamp.digit} {status.lamp.word}"
        if status.lamp.why:
            lamp += f": {'; '.join(status.lamp.why)}"
        rows = [("lamp", lamp)]
        if status.broker is not None:
            how = "ready" if status.broker.ready else "connected" if status.broker.connected else "away"
            rows.append(("broker", f"{how}, {count_text(status.broker.undelivered, 'record')} to deliver"))
        if status.queue is not None:
            files = status.queue.files + status.queue.analysing
            open_parts = count_text(status.queue.open_parts, "part")
            rows.append(("waiting", f"{count_text(files, 'file')}; {open_parts} not whole yet"))
        rows += [("verification", verified), ("since start", counts)]
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


def _verified_text(one: VerificationNow, status: AgentStatus) -> str:
    at, now = datetime.fromisoformat(one.measured_at), datetime.fromisoformat(status.written_at)
    hours = (now - at).total_seconds() / 3600
    return f"{one.instrument} {'passed' if one.passed else 'failed'} {hours:.1f} h ago"
