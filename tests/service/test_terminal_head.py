"""The live table shows texts that others wrote, and obeys none of them."""

from __future__ import annotations

import io

import pytest
import structlog
from rich.console import Console

from edgeagent.model.status import AgentStatus, BrokerNow, LampNow, ProcessMark, QueueNow, VerificationNow
from edgeagent.service.telling.terminal import LiveTable

T = "2026-03-27T09:41:00.000000Z"


def screen(status, *events):
    out = io.StringIO()
    table = LiveTable(Console(file=out, width=120, color_system=None, force_terminal=False))
    for event in events:
        with pytest.raises(structlog.DropEvent):
            table.sink(None, "warning", event)
    Console(file=out, width=120, color_system=None).print(table._head(status))
    return out.getvalue()


def status(**more):
    return AgentStatus(
        phase="running", written_at=T, monotonic_s=1.0, process=ProcessMark(1), started_at=T, version="0",
        lamp=LampNow(3, "fault", ("the export folder in\x1b[2Jbox is not available",), 0, ()),
        not_accepting=(), **more,
    )  # fmt: skip


def test_no_row_of_the_head_moves_the_cursor_or_turns_the_direction():
    verified = (VerificationNow("gauge\x1b]0;x\x07-1\u202e", True, T),)
    text = screen(
        status(verifications=verified), {"event": "mqtt-refused", "reason": "no\x9b31m", "timestamp": T}
    )
    assert not [c for c in text if not c.isprintable() and c != "\n"]
    for words in ("in?[2Jbox", "gauge?]0;x?-1?", "no?31m"):
        assert words in text


def test_connection_and_queue_are_said_in_plain_words():
    text = screen(status(broker=BrokerNow("mqtt://x", False, False, 2), queue=QueueNow(1, 1, 3)))
    assert "not connected, 2 records to deliver" in text
    assert "2 files; 3 parts incomplete" in text
