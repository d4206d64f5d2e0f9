"""A station in memory: measurements in, records out, folded at once. No file, clock, thread or analysis.

Times are hours after BEGIN. What a trace's values amount to is given with each measurement; the tests ask
what follows from it. Parts, artefact and certificate are invented.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Any

from records import body_of

from edgeagent.codec.configuration.settings import parse_certificate, parse_settings
from edgeagent.codec.records.record import GENESIS, Record, encode_record
from edgeagent.judging.configuration import Configuration, Document
from edgeagent.judging.memory import Memory
from edgeagent.judging.part_decisions import artefact_entries, decision_entries, part_entries
from edgeagent.model.records import AnyBody

BEGIN = datetime(2026, 3, 2, tzinfo=UTC)
STATION = '[station]\nsite = "plant-a"\ncell = "cell-3"\nname = "gauge-1"\n[decision]\nset_timeout_s = 900\n'
CERTIFICATE = """artefact = "MW-03"
certificate = "C-2291"
valid_until = 2027-06-30
[[wave]]
upr = 36
amplitude_nm = 812.0
expanded_uncertainty_nm = 6.0
[[wave]]
upr = 180
amplitude_nm = 403.0
expanded_uncertainty_nm = 5.0
[accept]
en_max = 1.0
spurious_nm = 4.0
"""


def text_of(hours: float) -> str:
    return (BEGIN + timedelta(hours=hours)).isoformat()


def posix(hours: float) -> float:
    return (BEGIN + timedelta(hours=hours)).timestamp()


def configured(
    verification: str = "max_age_h = 24", certificate: str = CERTIFICATE, more: str = ""
) -> Configuration:
    """A configuration with a gate for MW-03, and ``more``; without ``verification`` there is no such table."""
    table = f'[verification]\nartefact = "MW-03"\n{verification}\n' if verification else ""
    text = f"{STATION}{table}{more}".encode()
    document = Document("MW-03.toml", certificate.encode())
    certificates = {"MW-03": (parse_certificate(document.data, document.name), document)} if certificate else {}
    return Configuration(
        settings=parse_settings(text, "agent.toml"),
        document=Document("agent.toml", text),
        recipes={},
        layouts={},
        certificates=certificates,
    )


class JudgedStation:
    """Puts records one behind the other, as the service does, and folds them."""

    def __init__(self, configuration: Configuration | None = None) -> None:
        self.configuration = configuration or configured()
        self.memory = Memory({}, None, live_s=60.0, latches=True)
        self.records: list[Record] = []

    @property
    def certificate_sha256(self) -> str | None:
        found = self.configuration.certificates.get("MW-03")
        return found[1].sha256 if found else None

    def append(self, bodies: Iterable[AnyBody], at_h: float) -> list[AnyBody]:
        """Records of these bodies, written at that time; returns the bodies."""
        written = list(bodies)
        for body in written:
            time = (BEGIN + timedelta(hours=at_h)).isoformat(timespec="microseconds").replace("+00:00", "Z")
            record = encode_record(len(self.records) + 1, time, GENESIS, body)[1]
            self.records.append(record)
            self.memory.apply(record)
        return written

    def measurement(self, hours: float, at_h: float | None, **members: Any) -> AnyBody:
        name = members.pop("name", f"{len(self.records)}.txt")
        source = {"name": name, "sha256": members.pop("sha256", name), **members.pop("source", {})}
        at = posix(hours if at_h is None else at_h)
        trace = {"measured_at": text_of(hours), **members.pop("trace", {})}
        return body_of(
            "measurement", {"source": source, "trace": trace, "settled_at": at, "decided_at": at, **members}
        )

    def part(
        self, serial: str, hours: float, *, at_h: float | None = None, feature: str = "outside", **members: Any
    ) -> list[AnyBody]:
        """Measure a part's feature at ``hours``; the file is read at ``at_h``. Returns what follows from it."""
        trace = {"part": "P", "serial": serial, "feature": feature}
        body = self.measurement(hours, at_h, **{"required": ["outside"], "trace": trace, **members})
        at = hours if at_h is None else at_h
        follow = part_entries(body, len(self.records) + 1, self.memory, self.configuration, posix(at))
        self.append([body], at)
        return self.append(follow, at)

    def verify(self, hours: float, disposition: str = "accept", *, at_h: float | None = None, **members: Any):
        """Measure the artefact at ``hours``. Returns the verification and what else follows."""
        trace = {"artefact": members.pop("artefact", "MW-03"), "feature": "waves"}
        given = {"certificate_sha256": self.certificate_sha256, "errors_nm": {"36": 1.0, "180": -2.0}}
        body = self.measurement(hours, at_h, trace=trace, disposition=disposition, **{**given, **members})
        at = hours if at_h is None else at_h
        follow = artefact_entries(body, len(self.records) + 1, self.memory, self.configuration, posix(at))
        self.append([body], at)
        return self.append(follow, at)

    def time_out(self, serial: str, at_h: float) -> list[AnyBody]:
        """What the passing of time brings about for a part."""
        state = self.memory.part_set("P", serial)
        return self.append(decision_entries(state, self.memory, self.configuration, posix(at_h)), at_h)


def codes(body: Any) -> list[str]:
    """The codes of a record's reasons."""
    return [reason.code for reason in body.reason_codes]
