"""Attacks of somebody with root on the station, each as it would be done, and what finds it on which level.

The store is a real one: a passed verification, an accepted part, a rejected one, a failed verification, a part
that the gate holds. The attacker rewrites the journal with all hashes computed anew, takes away what
contradicts it, and on the last level has the log's key as well.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec
from evidence import WITNESS_KEY, checkpoint_of, rewritten
from field import Agent, spiral_text

from edgeagent.codec.evidence.notes import LOG, SigningKey, read_signing_key
from edgeagent.codec.records.result import encode
from edgeagent.errors import JournalCorruptError
from edgeagent.judging import bodies
from edgeagent.judging.evaluation.evaluate import Rulebook, evaluate
from edgeagent.model.records import Source
from edgeagent.store.archive import Archive
from edgeagent.store.configuration import load_configuration
from edgeagent.store.evidence.kept import KeptCheckpoints
from edgeagent.store.evidence.keys import load_verifier_key
from edgeagent.store.journal import JournalReader
from edgeagent.store.replay import replay_store
from edgeagent.store.replaying.outcomes import ReplayReport
from edgeagent.store.state import read_state, write_state
from edgeagent.store.verify import verify_journal

PART = "HN-1610-R"
GOOD, BAD, HELD = "A1", "R1", "H1"
CHANGES = {
    "verification": {"artefact": "MW-03", "max_age_h": 24},
    "intake.settle_s": 0.05,
    "decision.reject_latches": True,
}


def trace(serial: str | None, scale: float = 1.0, amplitude_nm: float = 20.0, seed: int = 0) -> str:
    """A part's trace, or the reference artefact's where no serial is given."""
    at = (datetime.now(UTC) - timedelta(seconds=5 - seed / 10)).isoformat()
    more: dict[str, Any] = {"measured_at": at, "seed": seed, "kind": "circle", "turns": 2}
    more["points_per_turn"] = 1800
    if serial is None:
        waves = {36: scale * 812.0, 180: scale * 403.0}
        return spiral_text(artefact="MW-03", feature="waves", waves_nm=waves, noise_nm=3.0, **more)
    waves = {2: 150.0, 3: amplitude_nm}
    return spiral_text(part=PART, serial=serial, feature="outside", waves_nm=waves, noise_nm=3.0, **more)


def play(folder: Path, changes: dict[str, Any] | None = None) -> Path:
    """The station with its store, played by the agent without a broker; beside it what others keep."""
    agent = Agent(folder / "station", 9, changes=changes or CHANGES, wait=False)
    certificate = agent.folder / "artefacts" / "MW-03.toml"
    certificate.write_text(certificate.read_text(encoding="utf-8").replace("2027-06-30", "2999-12-31"))
    with agent:
        agent.wait_event("started")
        steps = [
            (trace(None, seed=1), 2), (trace(GOOD, seed=2), 2), (trace(BAD, amplitude_nm=4000.0, seed=3), 2),
            (trace(None, scale=1.05, seed=4), 2), (trace(HELD, seed=5), 2),
        ]  # fmt: skip
        for number, (text, _) in enumerate(steps, 1):
            agent.drop(f"{number}.txt", text)
            agent.wait_event("measured", number)
        assert agent.terminate() == 0
    others = folder / "others"
    others.mkdir()
    shutil.copy(agent.store / "keys" / "log.key.pub", others / "log.pub")
    key = read_signing_key((agent.store / "keys" / "log.key").read_text())
    size = verify_journal(agent.store).records
    note = checkpoint_of(agent.store, size, key=key, witness=WITNESS_KEY)
    (others / "witness.note").write_text(note.whole)
    return agent.folder


@dataclass
class Forger:
    """What an attacker does to a station. ``journal_changed`` says whether records were rewritten."""

    station: Path
    journal_changed: bool = False

    @property
    def store(self) -> Path:
        return self.station / "store"

    def rewrite(self, change: Callable[[dict[str, Any]], list[dict[str, Any]]]) -> None:
        rewritten(self.store, change)
        self.journal_changed = True

    def measured(self, text: str, like: dict[str, Any], rules: Rulebook | None = None) -> dict[str, Any]:
        """The body of a measurement of this text, made by the program itself, everything archived."""
        configuration, archive = (
            load_configuration(self.station / "agent.toml"),
            Archive(self.store / "archive"),
        )
        source = {**like["source"], "sha256": archive.put(text.encode()), "bytes": len(text.encode())}
        source = msgspec.convert(source, Source)
        rules = rules or Rulebook.of(configuration)
        evaluation = evaluate(source.name, text.encode(), None, rules, digest=source.sha256)
        result = archive.put(encode(evaluation.result))
        body = bodies.measurement_body(
            like["settled_at"], source, evaluation, configuration, result, like["decided_at"]
        )
        return json.loads(encode(body))


def of(record: dict[str, Any], serial: str) -> bool:
    """Whether a record is about this part."""
    body = record["body"]
    return serial in (body.get("serial"), body.get("trace", {}).get("serial"))


def doubted_too(record: dict[str, Any], serial: str) -> None:
    """A failed verification names a part that was accepted before it, as the program would have."""
    for reason in record["body"].get("reason_codes", ()):
        if record["kind"] == "verification" and reason["code"] == "accepted-since":
            reason["values"]["parts"].insert(0, f"{PART} {serial}")


def key_of(measurement: dict[str, Any]) -> list[dict[str, Any]]:
    """The values that a part's disposition names of its only measurement, as the program chooses them."""
    found = [{"feature": "outside", **c} for c in measurement["characteristics"][:4]]
    return sorted(
        found,
        key=lambda c: ("nonconforming", "inconclusive", "caution", "conforming", "unjudged").index(
            c["verdict"]
        ),
    )


def accepted_with_a_forged_trace(forger: Forger) -> None:
    forged: dict[str, Any] = {}

    def change(record: dict[str, Any]) -> list[dict[str, Any]]:
        body = record["body"]
        if record["kind"] == "measurement" and of(record, BAD):
            record["body"] = forged["body"] = forger.measured(trace(BAD, seed=9), body)
        elif record["kind"] == "disposition" and of(record, BAD):
            body.update(
                disposition="accept", reasons=[], reason_codes=[], characteristics=key_of(forged["body"])
            )
            body["sources"][0]["sha256"] = forged["body"]["source"]["sha256"]
        doubted_too(record, BAD)
        return [record]

    forger.rewrite(change)


def ghost_accept(forger: Forger) -> None:
    def change(record: dict[str, Any]) -> list[dict[str, Any]]:
        if record["kind"] == "disposition" and of(record, GOOD):
            ghost = json.loads(json.dumps(record))
            ghost["body"].update(serial="G1")
            return [record, ghost]
        return [record]

    forger.rewrite(change)


def ghost_accept_with_a_copied_trace(forger: Forger) -> None:
    last: dict[str, Any] = {}

    def change(record: dict[str, Any]) -> list[dict[str, Any]]:
        if record["kind"] == "measurement" and of(record, GOOD):
            last["measurement"] = json.loads(json.dumps(record))
        if record["kind"] == "disposition" and of(record, GOOD):
            ghost, second = last["measurement"], json.loads(json.dumps(record))
            ghost["body"] = forger.measured(trace("G1", seed=8), ghost["body"])
            (source,) = second["body"]["sources"]
            rests_on = {**source, "sha256": ghost["body"]["source"]["sha256"], "seq": record["seq"] + 1}
            second["body"].update(serial="G1", sources=[rests_on], characteristics=key_of(ghost["body"]))
            return [record, ghost, second]
        doubted_too(record, "G1")
        return [record]

    forger.rewrite(change)


def reject_struck_out(forger: Forger) -> None:
    forger.rewrite(lambda record: [] if of(record, BAD) else [record])


def gate_failure_struck_out(forger: Forger) -> None:
    def change(record: dict[str, Any]) -> list[dict[str, Any]]:
        body = record["body"]
        failed = record["kind"] == "verification" and body["outcome"] == "failed"
        measured = record["kind"] == "measurement" and "artefact" in body["trace"]
        if failed or (measured and body["disposition"] == "reject"):
            return []
        if record["kind"] == "disposition" and of(record, HELD):
            body.update(disposition="accept", reasons=[], reason_codes=[])
            body.pop("gate", None), body.pop("gate_code", None)
        return [record]

    forger.rewrite(change)


def gate_hold_turned_accept(forger: Forger) -> None:
    def change(record: dict[str, Any]) -> list[dict[str, Any]]:
        body = record["body"]
        if record["kind"] == "disposition" and of(record, HELD):
            body.update(disposition="accept", reasons=[], reason_codes=[])
            body.pop("gate", None), body.pop("gate_code", None)
        return [record]

    forger.rewrite(change)


def forged_release(forger: Forger) -> None:
    def change(record: dict[str, Any]) -> list[dict[str, Any]]:
        if record["kind"] == "disposition" and of(record, HELD):
            release = {"seq": 1, "who": "A. N.", "matched": False, "what": "release", "part": PART,
                       "serial": HELD, "why": "fine"}  # fmt: skip
            second = json.loads(json.dumps(record))
            second["body"].update(disposition="accept", reasons=[], reason_codes=[])
            second["body"].pop("gate", None), second["body"].pop("gate_code", None)
            return [record, {**record, "kind": "acknowledgement", "body": release}, second]
        return [record]

    forger.rewrite(change)


def values_changed(forger: Forger) -> None:
    def change(record: dict[str, Any]) -> list[dict[str, Any]]:
        if record["kind"] == "measurement" and of(record, GOOD):
            for value in record["body"]["characteristics"]:
                value["value"] = value["value"] and value["value"] * 0.5
        return [record]

    forger.rewrite(change)


def verdict_changed(forger: Forger) -> None:
    def change(record: dict[str, Any]) -> list[dict[str, Any]]:
        if of(record, BAD) and "disposition" in record["body"]:
            record["body"].update(disposition="accept", reasons=[], reason_codes=[])
        return [record]

    forger.rewrite(change)


def back_dated(forger: Forger) -> None:
    def change(record: dict[str, Any]) -> list[dict[str, Any]]:
        if of(record, GOOD):
            at = datetime.fromisoformat(record["time"]) - timedelta(hours=3)
            record["time"] = at.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
        return [record]

    forger.rewrite(change)


def looser_recipe_slipped_in(forger: Forger) -> None:
    archive = Archive(forger.store / "archive")
    text = (forger.station / "recipes" / f"{PART}.toml").read_text().replace("upper = 3.0", "upper = 30.0")
    digest = archive.put(text.encode())

    def change(record: dict[str, Any]) -> list[dict[str, Any]]:
        body = record["body"]
        if record["kind"] == "measurement" and of(record, BAD):
            body["recipe"]["sha256"] = digest
        return [record]

    forger.rewrite(change)


def end_cut(forger: Forger) -> None:
    records = [s.seq for s, *_ in JournalReader(forger.store / "journal").steps()]
    left = iter(range(len(records) - 3))
    forger.rewrite(lambda record: [record] if next(left, None) is not None else [])


def acknowledgement_forged(forger: Forger) -> None:
    def change(record: dict[str, Any]) -> list[dict[str, Any]]:
        if record["kind"] == "disposition" and of(record, BAD):
            body = {"seq": record["seq"], "who": "line", "matched": True}
            return [record, {**record, "kind": "acknowledgement", "body": body}]
        return [record]

    forger.rewrite(change)


def latches_emptied(forger: Forger) -> None:
    path = forger.store / "state" / "publisher.json"
    state = read_state(path)
    assert state is not None
    write_state(path, msgspec.structs.replace(state, waiting=(), position=state.end))


def source_exchanged(forger: Forger) -> None:
    archive = Archive(forger.store / "archive")
    for record, _ in JournalReader(forger.store / "journal").walk():
        if record.kind == "measurement" and of({"body": json.loads(record.raw)}, BAD):
            path = archive.path_of(json.loads(record.raw)["source"]["sha256"])
            other = archive.path_of(archive.put(trace(BAD, seed=9).encode()))
            path.unlink()
            other.rename(path)


def result_taken_away(forger: Forger) -> None:
    archive = Archive(forger.store / "archive")
    for record, _ in JournalReader(forger.store / "journal").walk():
        if record.kind == "measurement" and of({"body": json.loads(record.raw)}, BAD):
            archive.path_of(json.loads(record.raw)["result_sha256"]).unlink()


ATTACKS = {
    "reject turned accept with a forged trace, all of it recomputed": accepted_with_a_forged_trace,
    "ghost accept that was never measured": ghost_accept,
    "ghost accept with another part's trace": ghost_accept_with_a_copied_trace,
    "rejected part struck out": reject_struck_out,
    "the gate's failure struck out, the held part accepted": gate_failure_struck_out,
    "held part accepted, the failure left": gate_hold_turned_accept,
    "release forged": forged_release,
    "values changed in records": values_changed,
    "verdict changed in records": verdict_changed,
    "back-dated": back_dated,
    "looser recipe slipped in": looser_recipe_slipped_in,
    "end cut off": end_cut,
    "acknowledgement forged": acknowledgement_forged,
    "latches emptied in the state file": latches_emptied,
    "source exchanged in the archive": source_exchanged,
    "result taken away": result_taken_away,
}
LEVELS = ("chain", "key", "witness", "replay")


def found_on(station: Path, others: Path, attack: Callable[[Forger], None]) -> dict[str, str]:
    """What each level says of an attack; '' where it finds nothing."""
    forger = Forger(station)
    key = read_signing_key((forger.store / "keys" / "log.key").read_text())
    attack(forger)
    if forger.journal_changed:  # what would contradict it is taken away
        for name in ("evidence", "state"):
            shutil.rmtree(forger.store / name, ignore_errors=True)
    found = {"chain": _verified(forger.store), "replay": _replayed(replay_store(forger.store))}
    log = load_verifier_key(others / "log.pub", LOG)
    found["key"] = _verified(forger.store, keys=[log])
    if forger.journal_changed:
        _sign_again(forger.store, key)
    found["witness"] = _verified(
        forger.store, keys=[log], witnesses=[WITNESS_KEY.verifier], checkpoints=[others]
    )
    return {level: found[level] for level in LEVELS}


def _sign_again(store: Path, key: SigningKey) -> None:
    records = verify_journal(store).records
    KeptCheckpoints(store).keep(checkpoint_of(store, records, key=key))


def _verified(store: Path, **options: Any) -> str:
    try:
        whole = verify_journal(store, **options)
    except JournalCorruptError as error:
        return str(error)
    if whole.as_asked:
        return ""
    missing = [s.why_not for s in (*whole.signed, *whole.witnessed) if not s.up_to]
    return f"whole, but not signed: {missing[0]}"


def _replayed(report: ReplayReport) -> str:
    for one in report.contradictions:
        return f"{one.kind}: {one.subject}: {one.what}"
    for other in (*report.verdict_flips, *report.differences, *report.missing):
        return f"{other.subject}: {other.what}"
    return f"remark: {len(report.orphans)} contents that no record names" if report.orphans else ""
