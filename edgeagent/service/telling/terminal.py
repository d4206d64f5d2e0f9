"""The service on a terminal: one live table for a person who looks in, instead of log lines.

Shows what the line's people ask first: lamp, broker, what waits and which number acknowledges it, the last
parts and why, verification, and the last thing that went wrong. Needs the extra "terminal"; without it the
event log is printed line by line.
"""

from __future__ import annotations

import sys
from collections.abc import MutableMapping
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
from edgeagent.service.telling.part_rows import part_rows

_ROWS = 12
"""Rows of parts: with the head they fit a terminal of 24 lines."""
_UNREAD_MAX = 100
"""Unreadable files whose reason is remembered, the newest ones."""


class LiveTable:
    """Owns the terminal while the service runs. ``sink`` takes log events, ``show`` the service's status.

    ``console`` None is the terminal that the service was started on.
    """

    def __init__(self, console: Console | None = None) -> None:
        self._console = console or Console(file=LastingStream(sys.stdout))  # type: ignore[arg-type]
        # No refreshing thread: it would draw in the midst of a line that the loop composes.
        self._live = Live(console=self._console, auto_refresh=False, transient=False)
        self._unread: dict[str, str] = {}
        self._trouble = ""
        self.failure = ""
        """The last error in words, for a run that ends by it: the table may never have been drawn."""

    def __enter__(self) -> LiveTable:
        self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._live.stop()

    def sink(self, _logger: Any, method: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
        """A structlog processor that keeps what the status does not hold, and prints nothing."""
        name = event.get("event")
        if name == "quarantined":
            self._unread[str(event.get("name", ""))] = str(event.get("reason", ""))
            while len(self._unread) > _UNREAD_MAX:
                del self._unread[next(iter(self._unread))]
        elif method in ("warning", "error"):
            reason = f": {event['reason']}" if "reason" in event else ""
            self._trouble = f"{event.get('timestamp', '')[11:19]} {name}{reason}"
            if method == "error":
                self.failure = str(event.get("reason", name))
        # structlog would otherwise print the line across the table.
        raise structlog.DropEvent

    def show(self, status: AgentStatus) -> None:
        """Draw the table anew."""
        self._live.update(Group(self._head(status), *self._parts(status)), refresh=True)

    def _head(self, status: AgentStatus) -> Table:
        head = Table(box=None, show_header=False, pad_edge=False)
        verified = "; ".join(_verified_text(one, status) for one in status.verifications) or "none on record"
        lamp = f"{status.lamp.digit} {status.lamp.word}"
        if status.lamp.why:
            lamp += f": {'; '.join(status.lamp.why)}"
        rows = [("lamp", lamp)]
        if status.broker is not None:
            how = (
                "ready" if status.broker.ready else "connected" if status.broker.connected else "not connected"
            )
            rows.append(("broker", f"{how}, {count_text(status.broker.undelivered, 'record')} to deliver"))
        if status.queue is not None:
            files = status.queue.files + status.queue.analysing
            open_parts = count_text(status.queue.open_parts, "part")
            rows.append(("waiting", f"{count_text(files, 'file')}; {open_parts} incomplete"))
        rows += [("verification", verified), ("since start", _count_text(status))]
        if self._trouble:
            rows.append(("last trouble", self._trouble))
        for name, words in rows:
            head.add_row(Text(name, style="dim"), Text(clean(words)))
        return head

    def _parts(self, status: AgentStatus) -> list[Table | Text]:
        rows = part_rows(status, self._unread, _ROWS)
        table = Table(box=box.SIMPLE_HEAD, expand=True)
        columns = (("time", 8), ("part", None), ("verdict", 10), ("acknowledge", 11), ("because", None))
        for name, width in columns:
            table.add_column(name, width=width, overflow="fold")
        for row in rows:
            table.add_row(
                row.time,
                Text(clean(row.subject)),
                Text(row.verdict, style="" if row.verdict == "accept" else "bold"),
                Text(str(row.acknowledge or "")),
                Text(clean(row.because)),
            )
        if not any(row.acknowledge for row in rows):
            return [table]
        how = "once looked at: edgeagent acknowledge NUMBER --config agent.toml --who NAME --why TEXT"
        return [table, Text(how, style="dim")]


def _count_text(status: AgentStatus) -> str:
    counts = {name: int(value) for name, value in status.since_start.items()}
    parts = ", ".join(f"{counts.get(word, 0)} {word}" for word in ("accept", "reject", "hold"))
    files = f"{counts.get('measured', 0)} measured, {counts.get('quarantined', 0)} not read"
    return f"parts: {parts}; files: {files}"


def _verified_text(one: VerificationNow, status: AgentStatus) -> str:
    at, now = datetime.fromisoformat(one.measured_at), datetime.fromisoformat(status.written_at)
    hours = (now - at).total_seconds() / 3600
    return f"{one.instrument} {'passed' if one.passed else 'failed'} {hours:.1f} h ago"
