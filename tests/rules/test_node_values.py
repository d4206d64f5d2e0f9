"""The edge node's present values stay bounded whatever exports name."""

from __future__ import annotations

from sparkplug_world import DEVICE, World

from edgeagent.rules.sparkplug.node_values import DEVICES_MAX, METRICS_MAX


def test_export_that_invents_instruments_fills_no_memory():
    world = World()
    world.connect()
    for number in range(DEVICES_MAX + 20):
        world.part(str(number), f"gauge {number}")
    assert len(world.node.devices) == DEVICES_MAX
    assert DEVICE in world.node.devices, "the station itself stays"
    assert f"gauge {DEVICES_MAX + 19}" in world.node.devices


def test_export_that_invents_features_forgets_the_oldest_values():
    world = World()
    for number in range(METRICS_MAX + 50):
        trace = {"feature": f"f{number}"}
        world.record("measurement", {"characteristics": [{}], "trace": trace})
    values = world.node.devices[DEVICE]
    assert len(values) == METRICS_MAX
    assert f"Values/f{METRICS_MAX + 49}/roundness_total" in values
    assert "Values/f0/roundness_total" not in values
    assert "Acknowledge" in values
