"""The event log on a terminal shows what others wrote and obeys none of it; JSON keeps every character."""

from __future__ import annotations

import io
import json

import pytest
import structlog

from edgeagent.service.events import open_log

HOSTILE = "a\u202e\x1b[2J\x9b.txt"


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.fixture
def logged():
    def write(stream):
        open_log(stream).warning("quarantined", name=HOSTILE, line=7)
        return stream.getvalue()

    yield write
    structlog.reset_defaults()


def test_terminal_gets_no_control_character(logged):
    text = logged(Terminal())
    assert "name=a??[2J?.txt" in text
    assert "line=7" in text
    assert text.rstrip("\n").isprintable()


def test_json_keeps_the_name_as_it_is(logged):
    assert json.loads(logged(io.StringIO()))["name"] == HOSTILE
