"""The edge node as the service loop sees it: nothing at all unless ``[mqtt.sparkplug]`` asks for it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import edgeagent
from edgeagent.errors import ConfigError
from edgeagent.model.sparkplug import DataType, Metric, MetricValue
from edgeagent.rules.line.acknowledgements import Asked
from edgeagent.rules.line.delivery_state import Delivery
from edgeagent.rules.sparkplug.topics import Names
from edgeagent.store.clock import Clock
from edgeagent.store.configuration import StationConfiguration

if TYPE_CHECKING:
    from edgeagent.service.sparkplug.edge_node import EdgeNode

_LOST = "source "
"""How a fault begins whose rest is a folder that cannot be used."""


class SparkplugSide:
    """Owned by the service loop. ``delivery`` gives how the plain topics stand; ``take`` acknowledgements.

    Raises ConfigError where Sparkplug is asked for and its extra is not installed.
    """

    def __init__(
        self,
        configuration: StationConfiguration,
        clock: Clock,
        wake: Callable[[], None],
        log: Any,
        delivery: Callable[[], Delivery],
        take: Callable[[Sequence[Asked]], None],
    ) -> None:
        self._log, self._delivery, self._take = log, delivery, take
        self._node = _new_edge_node(configuration, clock, wake, self._report)

    def start(self, end: int, store: str) -> None:
        """Begin with a journal of ``end`` records whose identity is ``store``."""
        if self._node is not None:
            self._node.start(end, store, standing_metrics(self._delivery(), self._node.now_ms()))

    def turn(self, end: int) -> None:
        """Do what is due, with ``end`` the journal's last record; acknowledgements go the line's way."""
        if self._node is None:
            return
        host = self._node.host
        # Only the host may command a node, so that its name is who acknowledged.
        who = "sparkplug" if host is None else f"sparkplug host {host}"
        asked = [Asked(seq, who) for seq in self._node.turn(end)]
        if asked:
            self._take(asked)

    def beat(self) -> None:
        """Once a second: how the agent stands."""
        if self._node is not None:
            delivery = self._delivery()
            # The lamp's faults are the one list of lost folders: lamp and devices must agree.
            lost = [f.removeprefix(_LOST) for f in delivery.lamp.faults if f.startswith(_LOST)]
            self._node.show(standing_metrics(delivery, self._node.now_ms()), lost)

    def stop(self) -> None:
        """Leave in order."""
        if self._node is not None:
            self._node.stop()

    def _report(self, event: str, details: Mapping[str, Any]) -> None:
        good = event in ("sparkplug-connected", "sparkplug-born")
        (self._log.info if good else self._log.warning)(event, **details)


def standing_metrics(delivery: Delivery, at_ms: int) -> Iterable[Metric]:
    """The node's own metrics: lamp and why, what waits, and who it is."""
    lamp = delivery.lamp
    values: tuple[tuple[str, DataType, MetricValue], ...] = (
        ("Lamp", DataType.INT32, lamp.value),
        ("Faults", DataType.STRING, "; ".join(sorted(lamp.faults))),
        ("Holding", DataType.STRING, "; ".join(sorted(lamp.holding))),
        ("Waiting", DataType.INT32, len(lamp.waiting)),
        ("Boot", DataType.INT64, delivery.boot),
        ("Store", DataType.STRING, delivery.store),
        ("Version", DataType.STRING, edgeagent.__version__),
    )
    return [Metric(name, datatype, value, at_ms) for name, datatype, value in values]


def _new_edge_node(
    configuration: StationConfiguration,
    clock: Clock,
    wake: Callable[[], None],
    report: Callable[[str, Mapping[str, Any]], None],
) -> EdgeNode | None:
    settings = configuration.settings
    if settings.sparkplug_identity is None or settings.mqtt is None or settings.mqtt.sparkplug is None:
        return None
    names = Names.of(settings.sparkplug_identity)
    try:
        from edgeagent.service.sparkplug.edge_node import EdgeNode, Outside
    except ImportError as error:
        needed = "needs protobuf: pip install 'edgeagent[sparkplug]'"
        raise ConfigError(configuration.path.name, "mqtt.sparkplug", needed) from error
    store = configuration.store
    outside = Outside(
        settings.mqtt.of_sparkplug,
        configuration.folder,
        store / "state" / "sparkplug.json",
        store / "journal",
        clock,
        wake,
        report,
    )
    return EdgeNode(outside, names, settings.station.name, settings.mqtt.sparkplug.host_grace_s)
