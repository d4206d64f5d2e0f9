"""How the agent stands, where people and monitors look: `state/status.json`, metrics, the terminal."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Any

from edgeagent.errors import ConfigError
from edgeagent.judging.memory import Memory
from edgeagent.judging.status.agent_status import Moment, Writer, agent_status, stopped_status
from edgeagent.judging.status.tally import Tally
from edgeagent.model.status import AgentStatus, DiskNow, QueueNow
from edgeagent.rules.line.delivery_state import Delivery
from edgeagent.store.clock import Clock
from edgeagent.store.configuration import StationConfiguration
from edgeagent.store.files import make_folder
from edgeagent.store.running.process import this_process
from edgeagent.store.running.status_file import StatusFile


class Vitals:
    """Used from the service loop only, and only by an agent that holds the journal's lock.

    Raises ConfigError where metrics are asked for and their extra is not installed.
    """

    def __init__(self, configuration: StationConfiguration, clock: Clock, log: Any) -> None:
        self._clock = clock
        self._file = StatusFile(configuration.store / "state")
        self._writer = Writer(this_process(), clock.now().timestamp())
        self._open_metrics = metrics_of(configuration)
        self._log = log
        self._metrics: Any = None
        self.tally = Tally()

    def begin(self) -> None:
        """The journal is ours: from now on the status is, too."""
        # A disk that refuses this refuses the next record as well, which ends the agent with the right words.
        with contextlib.suppress(OSError):
            make_folder(self._file.path.parent)
        if self._open_metrics is not None:
            self._metrics = self._open_metrics(lambda event, details: self._log.warning(event, **details))

    def show(
        self,
        memory: Memory,
        configuration: StationConfiguration,
        delivery: Delivery,
        *,
        seq: int,
        queue: QueueNow,
        disk: DiskNow | None,
    ) -> AgentStatus:
        """Compose the status and write it everywhere; at most once a second."""
        status = agent_status(
            memory,
            configuration,
            delivery,
            writer=self._writer,
            moment=self._moment(),
            seq=seq,
            queue=queue,
            disk=disk,
            counts=self.tally.counts(),
        )
        self._tell(status)
        return status

    def end(self, why: str) -> None:
        """The last word."""
        self._tell(stopped_status(why, self._writer, self._moment()))
        if self._metrics is not None:
            self._metrics.close()

    def _tell(self, status: AgentStatus) -> None:
        self._file.write(status)
        if self._metrics is not None:
            self._metrics.show(status)

    def _moment(self) -> Moment:
        return Moment(self._clock.now().timestamp(), self._clock.monotonic())


Report = Callable[[str, dict[str, Any]], None]


def metrics_of(configuration: StationConfiguration) -> Callable[[Report], Any] | None:
    """What opens the metrics that the configuration asks for, None where it asks for none.

    Raises ConfigError where their extra is not installed.
    """
    wanted, station = configuration.settings.metrics, configuration.settings.station
    if wanted is None:
        return None
    try:
        from edgeagent.service.telling.metrics import Metrics
    except ImportError as error:
        missing = "needs the extra: pip install 'edgeagent[metrics]'"
        raise ConfigError(configuration.path.name, "metrics", missing) from error
    name = f"{station.site}/{station.cell}/{station.name}"
    return lambda report: Metrics(wanted, configuration.folder, name, report)
