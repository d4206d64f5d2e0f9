"""What the service knows, derived from the journal record by record: at start from disk, later as it writes.

There is no second database of what was seen. Everything in here can be thrown away and folded again.
"""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from edgeagent.codec.records.record import Place, Record
from edgeagent.model import Disposition
from edgeagent.rules.gate import History, Sighting, Verified, clock_doubt, later_sighting, noted
from edgeagent.rules.lamp import Lamp, acknowledged, shown
from edgeagent.rules.part_set import FeatureResult, PartSet, disposed, measured
from edgeagent.rules.settling import Look

_CERTIFICATES, _CERTIFICATE_WANTED = "artefacts/", ": uncertainty.artefact: "
"""Folder of the certificates, with which complaints about one of them begin; key of a complaint about none."""
_FILES_MAX = 1000
_SETS_MAX = 500
"""Finished part sets that stay in memory for re-measurements; unfinished ones always stay."""


def file_key(folder: str, name: str, sha256: str | None, side_sha256: str | None, look: Look | None) -> bytes:
    """Identity of a file: relative path and content; what could not be read is known by how it looks."""
    content = f"{sha256}\0{side_sha256}" if sha256 is not None else f"unread\0{look}"
    return hashlib.sha256(f"{folder}\0{name}\0{content}".encode()).digest()[:16]


class Memory:
    """The fold over the journal.

    ``present`` names the files that are in each folder at the start: only their looks are kept.
    ``position`` is the publisher's, whose record's place is noted on the way. ``unverified`` is an artefact's
    measurement whose verification record is not there; ``answered`` are rejects beyond the position that the
    line acknowledged already. ``gated`` are the parts that the closed gate holds, however long ago.
    ``verifications`` are those of each instrument, ``measured_last`` what its clock said at the one that was
    recorded last, ``verifying`` the newest files of them with the certificate that judged them.
    ``certificate_refused`` is why the certificates on disk are not those in force, None when they are.
    """

    def __init__(
        self, present: Mapping[str, frozenset[str]], position: int | None, *, live_s: float, latches: bool
    ) -> None:
        self._present = present
        self._live_s, self._latches = live_s, latches
        self._done: set[bytes] = set()
        self.looks: dict[tuple[str, str], Look] = {}
        self.sets: OrderedDict[tuple[str, str], PartSet] = OrderedDict()
        self.waiting_sets: set[tuple[str, str]] = set()
        self.verifications: dict[str, History] = {}
        self.verifying: OrderedDict[tuple[str, str | None], int] = OrderedDict()
        self.measured_last: dict[str, float] = {}
        self.certificate_refused: str | None = None
        self.artefact_errors_nm: dict[tuple[str, str], dict[int, float]] = {}
        self.sightings: dict[tuple[str, str], dict[int, Sighting]] = {}
        self.gated: dict[tuple[str, str], PartSet] = {}
        self.boot = 0
        self.decided = 0
        self.lamp = Lamp()
        self.checkpoint = 0
        self.position = position
        self.cursor: Place | None = None
        self.last_disposition: Record | None = None
        self.unverified: Record | None = None
        self.answered: set[int] = set()
        self._undelivered: list[Record] = []

    @property
    def verified(self) -> dict[str, Verified]:
        """The verification of each instrument that counts now."""
        return {name: history.current for name, history in self.verifications.items()}

    def part_set(self, part: str, serial: str) -> PartSet:
        """What is known of a part, of one that the gate holds however long ago; empty where nothing is."""
        key = (part, serial)
        return self.sets.get(key) or self.gated.get(key) or PartSet(part, serial)

    def known(self, key: bytes) -> bool:
        """Whether a file of this identity has its record already."""
        return key in self._done

    def visit(self, record: Record, place: Place) -> None:
        """Fold one record that was read from disk."""
        self.apply(record)
        if self.position is not None and record.seq <= self.position:
            self.cursor = place
        body = record.body
        if record.kind == "disposition":
            if self.position is None:
                self._undelivered.append(record)
            elif record.seq <= self.position:
                self.last_disposition = record
            if _posix(record.time) - float(body["settled_at"]) <= self._live_s:
                self.lamp = shown(
                    self.lamp, Disposition(body["disposition"]), record.seq, latches=self._latches
                )
        elif record.kind == "acknowledgement":
            self.lamp = acknowledged(self.lamp, int(body["seq"]))
            if body["matched"] and (self.position is None or int(body["seq"]) > self.position):
                self.answered.add(int(body["seq"]))
        elif record.kind in ("checkpoint", "stop"):
            self._delivered(int(body.get("published", 0)))
        source = body.get("source")
        if isinstance(source, Mapping) and "look" in source:
            self._note_look(source)

    def _delivered(self, published: int) -> None:
        """The journal's own note of the position, which stands in where the publisher's state is gone."""
        self.checkpoint = max(self.checkpoint, published)
        if self.position is None:
            for record in self._undelivered:
                if record.seq <= self.checkpoint:
                    self.last_disposition = record
            self._undelivered = [r for r in self._undelivered if r.seq > self.checkpoint]
            self.answered = {seq for seq in self.answered if seq > self.checkpoint}

    def apply(self, record: Record) -> None:
        """Fold one record, read or just written."""
        body = record.body
        if record.kind == "start":
            self.boot = int(body["boot"])
        elif record.kind == "measurement":
            self._note_done(body["source"])
            if body["trace"].get("part") is not None:
                self._note_measurement(record)
            else:
                self.unverified = record
        elif record.kind == "quarantine":
            self._note_done(body["source"])
        elif record.kind == "verification":
            self.unverified = None
            errors = {int(upr): float(nm) for upr, nm in body.get("errors_nm", {}).items() if nm is not None}
            found = self.artefact_errors_nm.setdefault((str(body["instrument"]), str(body["artefact"])), {})
            found.update(errors)
            self._note_verification(record, errors)
        elif record.kind == "configuration":
            self.certificate_refused = None
        elif record.kind == "recovery" and body.get("what") == "configuration-rejected":
            reason = str(body["reason"])
            if reason.startswith(_CERTIFICATES) or _CERTIFICATE_WANTED in reason:
                self.certificate_refused = reason
        elif record.kind == "disposition":
            self.decided = record.seq
            key = (str(body["part"]), str(body["serial"]))
            state = disposed(self.part_set(*key), Disposition(body["disposition"]), record.seq)
            self._keep(key, state)
            self.gated.pop(key, None)
            if body.get("gate") is not None:
                self.gated[key] = state

    def _note_verification(self, record: Record, errors: Mapping[int, float]) -> None:
        """What a verification says of its waves and of its instrument.

        A file that shows only some of the waves, and those well, neither opens nor closes the gate where the
        certificate says which file shows the others; nor does one that is no verification at all.
        """
        body = record.body
        self.verifying[str(body["source"]["sha256"]), body.get("certificate_sha256")] = record.seq
        while len(self.verifying) > _FILES_MAX:
            self.verifying.popitem(last=False)
        if not body.get("counts", True):
            return
        instrument, artefact = str(body["instrument"]), str(body["artefact"])
        measured_at, passed = _posix(str(body["measured_at"])), bool(body["passed"])
        certificate, incomplete = body.get("certificate_sha256"), bool(body.get("incomplete", False))
        partial, recorded_at = bool(body.get("partial", False)), _posix(record.time)
        doubt = clock_doubt(measured_at, recorded_at, self.measured_last.get(instrument))
        self.measured_last[instrument] = measured_at
        seen = self.sightings.setdefault((instrument, artefact), {})
        for upr in errors if doubt is None else ():
            sighting = Sighting(measured_at, certificate, passed or incomplete, record.seq, partial)
            seen[upr] = later_sighting(seen.get(upr), sighting)
        if incomplete and not partial and doubt is None:
            return
        counts = _posix(str(body.get("counted_from", body["measured_at"])))
        new = Verified(
            artefact, passed, counts, record.seq, doubt, measured_at, certificate, partial and incomplete
        )
        self.verifications[instrument] = noted(self.verifications.get(instrument), new, recorded_at)

    def _note_done(self, source: Mapping[str, Any]) -> None:
        look = Look(*source["look"])
        key = file_key(source["folder"], source["name"], source["sha256"], source.get("side_sha256"), look)
        self._done.add(key)

    def _note_look(self, source: Mapping[str, Any]) -> None:
        folder, name = str(source["folder"]), str(source["name"])
        if name in self._present.get(folder, ()):
            self.looks[folder, name] = Look(*source["look"])

    def _note_measurement(self, record: Record) -> None:
        body = record.body
        trace = body["trace"]
        key = (str(trace["part"]), str(trace["serial"]))
        result, required = feature_result(record.seq, body), tuple(body["required"])
        self._keep(key, measured(self.part_set(*key), result, required, float(body["decided_at"])))

    def _keep(self, key: tuple[str, str], state: PartSet) -> None:
        self.sets[key] = state
        self.sets.move_to_end(key)
        if state.disposed is None:
            self.waiting_sets.add(key)
        else:
            self.waiting_sets.discard(key)
        while len(self.sets) > _SETS_MAX + len(self.waiting_sets):
            oldest = next((k for k in self.sets if k not in self.waiting_sets), None)
            if oldest is None:
                break
            del self.sets[oldest]


def feature_result(seq: int, body: Mapping[str, Any]) -> FeatureResult:
    """What a part's disposition needs of one measurement record."""
    trace, source = body["trace"], body["source"]
    disposition, reasons = Disposition(body["disposition"]), tuple(body["reasons"])
    unclosed = unclosed_reason(source)
    if unclosed is not None and disposition == Disposition.ACCEPT:
        disposition, reasons = Disposition.HOLD, (unclosed, *reasons)
    return FeatureResult(
        feature=str(trace["feature"]),
        seq=seq,
        disposition=disposition,
        reasons=reasons,
        source={
            "feature": trace["feature"],
            "name": source["name"],
            "sha256": source["sha256"],
            "instrument": body["instrument"],
            "seq": seq,
        },
        key=tuple({"feature": trace["feature"], **c} for c in body["characteristics"][:4]),
        settled_at=float(body["settled_at"]),
        measured_at=_posix(str(trace["measured_at"])),
    )


def unclosed_reason(source: Mapping[str, Any]) -> str | None:
    """Why a file proves nothing good: its writer has it still open. None where that is not known."""
    seconds = source.get("unclosed_s")
    if seconds is None:
        return None
    return f"writer never closed {source['name']}: read after {float(seconds):g} s without a change"


def _posix(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()
