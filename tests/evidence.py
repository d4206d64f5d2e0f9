"""A journal with checkpoints and a witness, made by the store alone, for tests of what they prove."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

from records import body_of, line_of

from edgeagent.codec.evidence.checkpoints import TreeHead, cosign, sign_checkpoint
from edgeagent.codec.evidence.merkle import Frontier
from edgeagent.codec.evidence.notes import LOG, WITNESS, SignedNote, SigningKey, with_signatures
from edgeagent.codec.records.record import GENESIS
from edgeagent.model.records import AnyBody
from edgeagent.store.clock import SystemClock
from edgeagent.store.evidence.kept import KeptCheckpoints
from edgeagent.store.journal import JournalReader, JournalWriter

WITNESS_KEY = SigningKey("witness/office", WITNESS, bytes(range(1, 33)))
SEEN_AT = 1_800_000_000
ORIGIN = "edgeagent/plant-a/cell-3/gauge-1/0123456789abcdef"


def key_of(origin: str = ORIGIN, seed: int = 0) -> SigningKey:
    return SigningKey(origin, LOG, bytes(range(seed, seed + 32)))


def roots_of(store: Path) -> list[bytes]:
    """The root at each size."""
    frontier = Frontier()
    roots = [frontier.root()]
    for step, _, _, _ in JournalReader(store / "journal").steps():
        frontier.append(bytes.fromhex(step.hash.decode()))
        roots.append(frontier.root())
    return roots


def checkpoint_of(
    store: Path,
    size: int,
    *,
    origin: str = ORIGIN,
    seed: int = 0,
    key: SigningKey | None = None,
    witness: SigningKey | None = None,
) -> SignedNote:
    """A checkpoint of the first ``size`` records, cosigned where a witness's key is given."""
    roots = roots_of(store)
    key = key or key_of(origin, seed)
    note = sign_checkpoint(TreeHead(key.name, size, roots[size]), key)
    return note if witness is None else with_signatures(note, [cosign(note, witness, SEEN_AT)])


def part_bodies(serial: str) -> list[AnyBody]:
    """A measurement and the disposition that rests on it."""
    return [
        body_of("measurement", {"trace": {"part": "P", "serial": serial}}),
        body_of("disposition", {"serial": serial}),
    ]


def signed_store(folder: Path, parts: int = 6, origin: str = ORIGIN) -> Path:
    """A store whose journal is signed at its end and witnessed four records before it."""
    writer = JournalWriter(folder / "journal", SystemClock(), 4000)
    writer.open(lambda *_: None)
    writer.append([body_of("start", {"key": key_of(origin).verifier.text}), body_of("configuration")])
    for number in range(parts):
        writer.append(part_bodies(f"{number}"))
    end = writer.seq
    writer.close()
    kept = KeptCheckpoints(folder)
    kept.keep(checkpoint_of(folder, 2, origin=origin))
    kept.keep(checkpoint_of(folder, end, origin=origin))
    kept.keep_cosigned(checkpoint_of(folder, end - 4, origin=origin, witness=WITNESS_KEY), WITNESS_KEY.name)
    return folder


def rewritten(store: Path, change: Callable[[dict[str, Any]], list[dict[str, Any]]]) -> None:
    """Write the journal anew, all hashes and numbers computed again, as only somebody with access could.

    ``change`` gets each record and returns what stands in its place: the record, others, or none.
    """
    records = [json.loads(line) for _, line, _, _ in JournalReader(store / "journal").steps()]
    shutil.rmtree(store / "journal")
    (store / "journal").mkdir()
    head, lines, numbers = GENESIS, list[bytes](), dict[int, int]()
    for record in records:
        old = record["seq"]
        for found in change(record):
            numbers.setdefault(old, len(lines) + 1)
            line, head = line_of(
                len(lines) + 1, found["time"], found["kind"], head, _renumbered(found["body"], numbers)
            )
            lines.append(line)
    (store / "journal" / "00000001.jsonl").write_bytes(b"".join(lines))


def _renumbered(body: Any, numbers: dict[int, int]) -> Any:
    """A body whose mentions of earlier records, at whatever depth, follow these where they are now."""
    if isinstance(body, list):
        return [_renumbered(each, numbers) for each in body]
    if not isinstance(body, dict):
        return body
    mentions = {name: body[name] for name in ("seq", "replaces") if isinstance(body.get(name), int)}
    renumbered = {name: _renumbered(value, numbers) for name, value in body.items()}
    return renumbered | {name: numbers.get(seq, seq) for name, seq in mentions.items()}


def key_files(folder: Path) -> tuple[Path, Path]:
    """Files with the public keys of log and witness, as an auditor brings them."""
    log, witness = folder / "log.pub", folder / "witness.pub"
    log.write_text(key_of().verifier.text + "\n")
    witness.write_text(WITNESS_KEY.verifier.text + "\n")
    return log, witness
