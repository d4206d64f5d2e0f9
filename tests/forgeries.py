"""Further attacks on a played station, by somebody who knows the format as well as we do; see `attacks`."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from attacks import BAD, GOOD, Forger, key_of, of, trace

from edgeagent.codec.evidence.notes import LOG, SigningKey
from edgeagent.codec.records.record import GENESIS
from edgeagent.judging.evaluation.evaluate import Rulebook
from edgeagent.model import InstrumentUncertainty
from edgeagent.store.archive import Archive
from edgeagent.store.configuration import load_configuration

Record = dict[str, Any]


def line_by_line(forger: Forger, change: Callable[[bytes], bytes]) -> None:
    """Change bytes of lines before their hash, and compute the chain anew."""
    journal = forger.store / "journal"
    lines = [line for path in sorted(journal.glob("*.jsonl")) for line in path.read_bytes().splitlines()]
    before = now = GENESIS.encode()
    found = []
    for line in lines:
        head, _, tail = line.rpartition(b',"hash":"')
        head = change(head.replace(before, now))
        before, now = tail[:64], hashlib.sha256(head).hexdigest().encode()
        found.append(head + b',"hash":"' + now + b'"}\n')
    for path in journal.glob("*.jsonl"):
        path.unlink()
    (journal / "00000001.jsonl").write_bytes(b"".join(found))
    forger.journal_changed = True


def on(kind: str, serial: str, change: Callable[[Record], Any]) -> Callable[[Forger], None]:
    """An attack on one kind of record of one part; every record where no serial is given."""

    def attack(forger: Forger) -> None:
        def each(record: Record) -> list[Record]:
            if record["kind"] == kind and (not serial or of(record, serial)):
                return change(record) or [record]
            return [record]

        forger.rewrite(each)

    return attack


def said_twice(forger: Forger) -> None:
    twice = b'"disposition":"accept","disposition":"reject"'
    line_by_line(forger, lambda head: head.replace(b'"disposition":"reject"', twice))


def escaped(forger: Forger) -> None:
    line_by_line(forger, lambda head: head.replace(b'"serial":"R1"', b'"serial":"\\u00521"'))


def unknown_record(record: Record) -> list[Record]:
    return [record, {**record, "kind": "note", "body": {"text": f"{BAD} was good"}}]


def shifted(forger: Forger) -> None:
    def change(record: Record) -> list[Record]:
        at = datetime.fromisoformat(record["time"]) + timedelta(days=2)
        record["time"] = at.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
        for name in ("settled_at", "decided_at"):
            if name in record["body"]:
                record["body"][name] += 2 * 86400
        return [record]

    forger.rewrite(change)


def objects_exchanged(forger: Forger) -> None:
    found = sorted(
        (path for _, path in Archive(forger.store / "archive").objects()), key=lambda p: p.stat().st_size
    )
    first, second = found[-2:]
    contents = second.read_bytes(), first.read_bytes()
    for path, data in zip((first, second), contents, strict=True):
        path.chmod(0o644)
        path.write_bytes(data)


def acknowledged_though_it_did_not_wait(record: Record) -> list[Record]:
    body = {"seq": record["seq"], "who": "line", "matched": True}
    return [record, {**record, "kind": "acknowledgement", "body": body}]


def values_of_the_part_changed(record: Record) -> None:
    for value in record["body"]["characteristics"]:
        value["value"] *= 0.1


def smaller_uncertainty(forger: Forger) -> None:
    """The good part is judged anew as if the instrument had no error of its own."""
    configuration = load_configuration(forger.station / "agent.toml")
    rules = replace(Rulebook.of(configuration), uncertainty=InstrumentUncertainty(gauge_scale=1e-6))
    forged: dict[str, Any] = {}

    def change(record: Record) -> list[Record]:
        if record["kind"] == "measurement" and of(record, GOOD):
            record["body"] = forged["body"] = forger.measured(trace(GOOD, seed=2), record["body"], rules)
        elif record["kind"] == "disposition" and of(record, GOOD):
            record["body"]["characteristics"] = key_of(forged["body"])
            record["body"]["sources"][0]["sha256"] = forged["body"]["source"]["sha256"]
        return [record]

    forger.rewrite(change)


def key_exchanged(record: Record) -> None:
    name = record["body"]["key"].partition("+")[0]
    record["body"]["key"] = SigningKey(name, LOG, bytes(range(7, 39))).verifier.text


def approval_written_in(record: Record) -> None:
    for changed in record["body"]["changed"]:
        changed.update(by="A. N.", reason="checked", key="quality")


FORGERIES: dict[str, Callable[[Forger], None]] = {
    "a member said twice in one record": said_twice,
    "the same text with other escapes": escaped,
    "record of an unknown kind slipped in": on("disposition", GOOD, unknown_record),
    "everything two days later": shifted,
    "two objects of the archive exchanged": objects_exchanged,
    "acknowledged what did not wait": on("disposition", GOOD, acknowledged_though_it_did_not_wait),
    "delivery noted ahead of the journal": on("stop", "", lambda r: r["body"].update(published=99)),
    "values changed in the part's record alone": on("disposition", BAD, values_of_the_part_changed),
    "reasons taken out of the part's record": on(
        "disposition", BAD, lambda r: r["body"].update(reason_codes=[])
    ),
    "fewer traces asked for": on("measurement", GOOD, lambda r: r["body"].update(required=[])),
    "smaller uncertainty, all of it recomputed": smaller_uncertainty,
    "errors of the artefact made smaller": on(
        "verification", "", lambda r: r["body"].update(errors_nm=dict.fromkeys(r["body"]["errors_nm"], 0.0))
    ),
    "approval written into the record": on("configuration", "", approval_written_in),
    "key exchanged in the start's record": on("start", "", key_exchanged),
}
