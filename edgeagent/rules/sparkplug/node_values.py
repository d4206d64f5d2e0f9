"""The edge node's present values: folded from records, bounded whatever exports name."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from edgeagent.model.sparkplug import DataType, Metric
from edgeagent.rules.sparkplug.node_state import Metrics, Node
from edgeagent.rules.sparkplug.record_metrics import DEVICE_METRICS, EVERY_DEVICE, NODE_METRICS, Found

DEVICES_MAX = 50
METRICS_MAX = 400
"""Beyond these the oldest device, or the metric with the oldest value, is forgotten."""
_ALWAYS = frozenset(name for name, _ in DEVICE_METRICS)

Unborn = tuple[tuple[str | None, Metric], ...]


def with_basics(node: Node) -> Node:
    """The node with what it always has: its own metrics, and the station itself as a device."""
    # Null before any value, so that a host can subscribe and build its displays at the first birth.
    own = {**_nulls(NODE_METRICS), **node.own}
    devices = {d: {**_nulls(DEVICE_METRICS), **values} for d, values in node.devices.items()}
    devices.setdefault(node.station_device, _nulls(DEVICE_METRICS))
    return replace(node, own=own, devices=devices)


def _nulls(named: Iterable[tuple[str, DataType]]) -> dict[str, Metric]:
    return {name: Metric(name, datatype, None, 0) for name, datatype in named}


def fold(node: Node, found: Iterable[Found]) -> Node:
    """The node with these values in place of earlier ones."""
    own, devices = dict(node.own), dict(node.devices)
    for device, metrics in found:
        new = {m.name: m for m in metrics}
        if device is None:
            own.update(new)
        elif device == EVERY_DEVICE:
            devices = {d: {**values, **new} for d, values in devices.items()}
        else:
            # Taken out and put back, so that the first of the dict is the device that was quiet longest.
            values = {**devices.pop(device, _nulls(DEVICE_METRICS)), **new}
            devices[device] = _bound(values)
    while len(devices) > DEVICES_MAX:
        # The station itself stays: a host acknowledges at a device, also before anything was measured.
        devices.pop(next(d for d in devices if d != node.station_device))
    return replace(node, own=own, devices=devices)


def _bound(values: Metrics) -> Metrics:
    if len(values) <= METRICS_MAX:
        return values
    # What every device must have is never the oldest to go, however long it was quiet.
    droppable = sorted((n for n in values if n not in _ALWAYS), key=lambda n: values[n].at_ms)
    dropped = set(droppable[: len(values) - METRICS_MAX])
    return {name: metric for name, metric in values.items() if name not in dropped}


def named_unborn(node: Node, found: Iterable[Found]) -> Unborn:
    """What these values name that the last births did not; nothing of a device whose folder is lost."""
    return tuple(
        (device, metric)
        for device, metrics in found
        if device != EVERY_DEVICE and device not in node.lost
        for metric in metrics
        if metric.name not in node.born.get(device, frozenset())
    )


def with_null(node: Node, unborn: Unborn) -> Node:
    """The node with metrics that it had forgotten, without a value: so they can be born."""
    devices: dict[str, Mapping[str, Metric]] = dict(node.devices)
    own = dict(node.own)
    for device, metric in unborn:
        empty = Metric(metric.name, metric.datatype, None, 0)
        if device is None:
            # A null and not the old value: it would be published as the present one.
            own.setdefault(metric.name, empty)
        else:
            values = devices.get(device, _nulls(DEVICE_METRICS))
            devices[device] = values if metric.name in values else {**values, metric.name: empty}
    return replace(node, own=own, devices=devices)
