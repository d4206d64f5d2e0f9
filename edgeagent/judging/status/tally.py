"""What happened since the start, counted record by record, for status and metrics."""

from __future__ import annotations

from datetime import datetime

from edgeagent.codec.records.record import Record
from edgeagent.model.records import (
    Acknowledgement,
    Measurement,
    Outcome,
    PartDisposition,
    Quarantine,
    Recovery,
    Verification,
)

COUNTED = (
    *("measured", "quarantined", "accept", "reject", "hold"),
    *("verifications_passed", "verifications_failed", "verifications_inconclusive"),
    *("verifications_incomplete", "verifications_disregarded"),
    *("acknowledged", "acknowledgements_unmatched", "recoveries", "recorded_s"),
)
"""What is counted, from 0 on: a monitor takes a missing number for none. ``recorded_s`` are seconds."""


class Tally:
    """Counts of what this start has put on record."""

    def __init__(self) -> None:
        self._counts: dict[str, float] = dict.fromkeys(COUNTED, 0)

    def apply(self, record: Record) -> None:
        """Count one record that was just written."""
        match record.body:
            case Measurement() as body:
                self._counts["measured"] += 1
                took_s = datetime.fromisoformat(record.time).timestamp() - body.settled_at
                # A clock that was set back must not take from a counter, which only grows.
                self._counts["recorded_s"] += max(0.0, took_s)
            case Quarantine():
                self._counts["quarantined"] += 1
            case PartDisposition() as body:
                self._counts[body.disposition.value] += 1
            case Verification() as body:
                # Lost waves close the gate as a failure does. What changes nothing must not ring as one: of an
                # artefact with a file a band, every file but the last is incomplete.
                found = Outcome.FAILED if body.outcome == Outcome.LOST else body.outcome
                self._counts[f"verifications_{found.value}"] += 1
            case Acknowledgement() as body:
                self._counts["acknowledged" if body.matched else "acknowledgements_unmatched"] += 1
            case Recovery():
                self._counts["recoveries"] += 1
            case _:
                pass

    def counts(self) -> dict[str, float]:
        """All of COUNTED."""
        return dict(self._counts)
