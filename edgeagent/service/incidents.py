"""What folders, workers, the connection and the index report: logged, on record, on the lamp while it lasts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from edgeagent.codec.records.record import Record
from edgeagent.model.records import AnyBody, Recovery
from edgeagent.rules.line import delivery_state as delivery
from edgeagent.service.broker.publisher import Publisher
from edgeagent.service.intake import FAULTS

_REASON_MAX = 500
"""Characters of a reason on record: a path or a driver's message may be of any length, a record may not."""


class Incidents:
    """Used from the service loop only. ``append`` writes records, ``workers_ready`` counts workers that are up.

    ``publisher`` is asked for when something happens: it is made after folders and workers, which report here.
    """

    def __init__(
        self,
        log: Any,
        broker_url: str,
        append: Callable[[Sequence[AnyBody]], list[Record]],
        publisher: Callable[[], Publisher],
        workers_ready: Callable[[], int],
    ) -> None:
        self._log, self._broker_url, self._append = log, broker_url, append
        self._publisher, self._workers_ready = publisher, workers_ready

    def of_source(self, event: str, details: dict[str, Any]) -> None:
        """A folder was lost or found, a watch rebuilt: on record, and on the lamp while it lasts."""
        self._log.warning(event, **details)
        reason = str(details.get("reason", event))[:_REASON_MAX]
        self._append([Recovery(what=event, reason=reason, folder=details["folder"])])
        if event in FAULTS:
            name, present = FAULTS[event]
            # One fault for each folder: that one of two is back must not clear the other's.
            self._publisher().tell(delivery.Fault, f"{name} {details['folder']}", present)

    def of_worker(self, event: str, details: dict[str, Any]) -> None:
        """A worker is up, or is not: fault on the lamp while none can be started, as no file is read then."""
        (self._log.info if event == "worker-ready" else self._log.warning)(event, **details)
        if event == "worker-ready":
            self._publisher().tell(delivery.Fault, "worker", False)
        elif event == "worker-start-failed" and not self._workers_ready():
            self._publisher().tell(delivery.Fault, "worker", True)

    def of_connection(self, event: str, details: dict[str, Any]) -> None:
        """What the delivery machine reports of its session; what a person must act on is also on record."""
        if event in ("mqtt-connected", "connection-failed"):
            details = {"url": self._broker_url, **details}
        good = event in ("mqtt-connected", "ready")
        (self._log.info if good else self._log.warning)(event, **details)
        if event in ("publish-refused", "connection-refused", "foreign-writer"):
            (record,) = self._append([Recovery(what=event, reason=details["reason"])])
            # Beside the order of records, which a refused message holds up: the alarm must not wait behind it.
            self._publisher().tell(delivery.Aside, self._publisher().compose(record))

    def of_index(self, reason: str) -> None:
        """Index or table of values is given up until the next start; parts are decided without them."""
        self._log.warning("index-failed", reason=reason)
        self._append([Recovery(what="index-failed", reason=reason[:_REASON_MAX])])
