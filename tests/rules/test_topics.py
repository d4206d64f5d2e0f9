"""Sparkplug's topics."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeagent.rules.sparkplug.topics import Names, topic_id

NAMES = Names("plant-a", "cell-3.gauge-1", "scada")


@given(st.text(), st.text())
def test_ids_hold_no_reserved_character_and_two_names_stay_two(a, b):
    """topic-structure-namespace-valid-group-id, -valid-edge-node-id, -valid-device-id, -unique-device-id."""
    made = topic_id(a)
    assert not set(made) & set("+/#")
    assert not any(ord(c) < 32 for c in made)
    assert (topic_id(b) == made) == (a == b)


def test_plain_names_stay_as_they_are():
    assert topic_id("Werk Süd 3") == "Werk Süd 3"
    assert topic_id("50 % line/2") == "50 %25 line%2F2"


@pytest.mark.parametrize(
    ("topic", "command"),
    [
        ("spBv1.0/plant-a/NCMD/cell-3.gauge-1", ("NCMD", None)),
        ("spBv1.0/plant-a/DCMD/cell-3.gauge-1/gauge-1", ("DCMD", "gauge-1")),
        ("spBv1.0/plant-a/DCMD/cell-3.gauge-1", None),
        ("spBv1.0/plant-a/DCMD/cell-3.gauge-1/", None),
        ("spBv1.0/plant-a/DCMD/cell-3.gauge-1/a/b", None),
        ("spBv1.0/plant-b/NCMD/cell-3.gauge-1", None),
        ("spBv1.0/STATE/scada", None),
    ],
)
def test_commands_are_known_by_their_topic(topic, command):
    assert NAMES.command_of(topic) == command


def test_state_topic_ends_in_the_host():
    """host-topic-phid-birth-topic."""
    assert NAMES.state_topic == "spBv1.0/STATE/scada"
    assert Names("g", "n").state_topic is None
    assert Names.of(("plant/a", "50%", "50%")) == Names("plant%2Fa", "50%25", "50%")
