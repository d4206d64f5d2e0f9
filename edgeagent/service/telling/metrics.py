"""The agent's status as Prometheus metrics: in a file for the node exporter, and on a port of this machine.

Needs the extra "metrics". Names end in their unit; every metric carries the label ``station``, so that two
agents on one machine stay apart.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

from prometheus_client import CollectorRegistry, generate_latest, start_http_server
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric, SummaryMetricFamily

from edgeagent.codec.configuration.settings import MetricsSettings
from edgeagent.model.status import AgentStatus, DiskNow
from edgeagent.rules.disk import DAY_S
from edgeagent.store.files import exchange

LOCAL = "127.0.0.1"
"""Metrics name parts' counts and the gate: for this machine's collector, not for the network."""
_VERIFIED = ("passed", "failed", "incomplete", "inconclusive", "disregarded")
Families = Iterator[Metric]


class Metrics:
    """Shows the newest status wherever the configuration says. Used from the service loop only.

    The port is served by a thread that sees one status after the other, each whole. ``report`` gets once
    what cannot be written or opened: the agent's work goes on without its numbers.
    """

    def __init__(
        self,
        settings: MetricsSettings,
        base: Path,
        station: str,
        report: Callable[[str, dict[str, Any]], None],
    ) -> None:
        self._station, self._report = station, report
        self._path = None if settings.textfile is None else base / settings.textfile
        self._status: AgentStatus | None = None
        # One of our own: the library's global one would add numbers of the Python process.
        self._registry = CollectorRegistry(auto_describe=False)
        self._registry.register(self)
        self._failing = False
        self._server: Any = None
        if settings.port is not None:
            try:
                self._server, self._thread = start_http_server(settings.port, LOCAL, self._registry)
            except OSError as error:
                report("metrics-failed", {"reason": f"port {settings.port} of {LOCAL}: {error.strerror}"})

    def collect(self) -> Families:
        """What the registry asks for; nothing before the first status."""
        status = self._status
        if status is not None:
            yield from families(status, self._station)

    def show(self, status: AgentStatus) -> None:
        """From now on this is how the agent stands."""
        self._status = status
        if self._path is None:
            return
        try:
            # By rename: the exporter must never read half a file.
            exchange(self._path, generate_latest(self._registry))
        except OSError as error:
            if not self._failing:
                self._report("metrics-failed", {"reason": f"{self._path}: {error.strerror}"})
            self._failing = True
        else:
            self._failing = False

    def close(self) -> None:
        """Give the port back. The file stays, and says that the agent has stopped."""
        if self._server is not None:
            self._server.shutdown()
            # shutdown ends the loop alone; the port is free for the next start only behind this.
            self._server.server_close()
            self._thread.join()


def families(status: AgentStatus, station: str) -> Families:
    """All metrics of one status."""

    def gauge(name: str, text: str, value: float) -> Metric:
        return _with_label(GaugeMetricFamily(f"edgeagent_{name}", text, labels=["station"]), station, value)

    build = GaugeMetricFamily("edgeagent_build_info", "Version of the agent.", labels=["station", "version"])
    build.add_metric([station, status.version], 1)
    yield build
    yield gauge("running", "1 while the agent runs, 0 after an orderly stop.", status.phase == "running")
    yield gauge("start_time_seconds", "When it was started.", _posix(status.started_at))
    yield gauge("status_time_seconds", "When this was written: old means dead.", _posix(status.written_at))
    yield gauge("could_accept", "1 when a good part would be accepted now.", not status.not_accepting)
    yield gauge("lamp_digit", "What the line sees: 0 clear, 1 reject, 2 hold, 3 fault.", status.lamp.digit)
    waiting = status.lamp.waiting_count
    yield gauge("unacknowledged_records", "Rejects, holds and quarantines nobody acknowledged.", waiting)
    yield gauge("journal_records", "Records in the journal.", status.seq)
    if status.gate is not None:
        yield gauge("gate_closed", "1 while parts are held for want of a verification.", status.gate.closed)
        if status.gate.until is not None:
            yield gauge("gate_open_until_time_seconds", "When the gate closes.", _posix(status.gate.until))
    if status.queue is not None:
        yield gauge("files_waiting", "Files that are not read yet.", status.queue.files)
        yield gauge("files_analysing", "Files with worker processes.", status.queue.analysing)
        yield gauge("parts_open", "Parts that lack a trace.", status.queue.open_parts)
    if status.broker is not None:
        yield gauge("broker_connected", "1 while the broker lets the agent in.", status.broker.connected)
        yield gauge("broker_ready", "1 when the agent's own lamp message came back.", status.broker.ready)
        yield gauge("undelivered_records", "Records not delivered to the line yet.", status.broker.undelivered)
    if status.disk is not None:
        yield from _disk(status.disk, gauge)
    yield from _verifications(status, station)
    yield from _counters(status, station)


def _disk(disk: DiskNow, gauge: Callable[[str, str, float], Metric]) -> Families:
    yield gauge("disk_free_bytes", "Free on the store's disk.", disk.free_mb * 1e6)
    yield gauge("disk_free_ratio", "Free share of space or file entries, whichever is less.", disk.free_share)
    yield gauge("disk_warning", "1 when the days left are few.", disk.level == "warning")
    yield gauge("disk_alarm", "1 when the disk is about to be full.", disk.level == "alarm")
    if disk.grown_per_day_mb is not None:
        rate = disk.grown_per_day_mb * 1e6 / DAY_S
        yield gauge("store_growth_bytes_per_second", "How fast the store grows.", rate)
    if disk.days_left is not None:
        yield gauge("disk_full_in_seconds", "Time left at that rate.", disk.days_left * DAY_S)


def _verifications(status: AgentStatus, station: str) -> Families:
    labels = ["station", "instrument"]
    passed = GaugeMetricFamily("edgeagent_verification_passed", "1 when the last one passed.", labels=labels)
    text = "When the artefact of the last one was measured."
    at = GaugeMetricFamily("edgeagent_verification_time_seconds", text, labels=labels)
    for one in status.verifications:
        passed.add_metric([station, one.instrument], one.passed)
        at.add_metric([station, one.instrument], _posix(one.measured_at))
    yield from (passed, at)


def _counters(status: AgentStatus, station: str) -> Families:
    counts = status.since_start
    if not counts:  # a stopped agent counts nothing; a missing number is no reset to 0
        return
    tables = (
        (
            "files",
            "Files by what became of them.",
            "result",
            {"measured": "measured", "quarantined": "quarantined"},
        ),
        ("parts", "Dispositions of parts.", "disposition", {d: d for d in ("accept", "reject", "hold")}),
        (
            "verifications",
            "Verifications of the reference artefact.",
            "result",
            {r: f"verifications_{r}" for r in _VERIFIED},
        ),
        (
            "acknowledgements",
            "Acknowledgements by whether anything waited for them.",
            "matched",
            {"yes": "acknowledged", "no": "acknowledgements_unmatched"},
        ),
    )
    for name, text, label, keys in tables:
        counter = CounterMetricFamily(f"edgeagent_{name}", text, labels=["station", label])
        for value, key in keys.items():
            counter.add_metric([station, value], counts[key])
        yield counter
    troubles = CounterMetricFamily(
        "edgeagent_troubles", "Recoveries and alarms of its own.", labels=["station"]
    )
    yield _with_label(troubles, station, counts["recoveries"])
    took = SummaryMetricFamily(
        "edgeagent_file_recorded_seconds", "From settled to on record.", labels=["station"]
    )
    took.add_metric([station], count_value=int(counts["measured"]), sum_value=counts["recorded_s"])
    yield took


def _with_label(family: Any, station: str, value: float) -> Metric:
    family.add_metric([station], float(value))
    return family  # type: ignore[no-any-return]


def _posix(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()
