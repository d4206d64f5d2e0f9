"""What a STATE message of the primary host says."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeagent.rules.sparkplug.host import HostState, read_state

BEFORE = HostState(True, 1000)


@pytest.mark.parametrize("online", [True, False])
def test_state_is_taken_with_its_time(online):
    """payloads-state-birth-payload, payloads-state-will-message-payload."""
    text = b'{"online": %s, "timestamp": 1000, "more": [1]}' % (b"true" if online else b"false")
    assert read_state(BEFORE, text) == (HostState(online, 1000), None)


@pytest.mark.parametrize(
    "payload",
    [
        b"ONLINE",
        b"",
        b"[]",
        b'{"online": "true", "timestamp": 2000}',
        b'{"online": 1, "timestamp": 2000}',
        b'{"online": true}',
        b'{"online": true, "timestamp": true}',
        b'{"online": true, "timestamp": 2000.5}',
        b'{"online": true, "timestamp": -1}',
        b'{"online": true, "timestamp": 1e300}',
        b'{"online": true, "timestamp": 9223372036854775808}',
        b'{"online": true, "timestamp": 2000}' + b" " * 2000,
        b"[" * 5000,
        b"\xff\xfe",
    ],
)
def test_what_is_no_state_changes_nothing_and_says_why(payload):
    state, problem = read_state(BEFORE, payload)
    assert state == BEFORE
    assert problem


def test_first_state_counts_from_1970_on_and_not_from_before():
    for timestamp, taken in ((0, True), (-1, False), (2**63 - 1, True)):
        state, problem = read_state(HostState(), b'{"online": true, "timestamp": %d}' % timestamp)
        assert (state == HostState(True, timestamp), problem is None) == (taken, taken)


def test_state_of_an_earlier_session_changes_nothing():
    state, problem = read_state(BEFORE, b'{"online": false, "timestamp": 999}')
    assert state == BEFORE
    assert "999 is before the last one, 1000" in str(problem)


@given(st.binary(max_size=80))
def test_any_bytes_are_a_state_or_none(payload):
    read_state(BEFORE, payload)
