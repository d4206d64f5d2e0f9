"""Figures of evidence: proofs of one part among a million records, and verification against `sha256sum`.

    python tests/bench/evidence.py

Targets: verification of 100,000 records and more at half the speed of `sha256sum` or better.
"""

from __future__ import annotations

import hashlib
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from evidence import WITNESS_KEY, key_of
from records import body_of, line_of

from edgeagent.codec.evidence.checkpoints import TreeHead, cosign, sign_checkpoint
from edgeagent.codec.evidence.merkle import Frontier, Tree
from edgeagent.codec.evidence.notes import with_signatures
from edgeagent.codec.evidence.proofs import FORM, ProofFile, check_proof, proved_line
from edgeagent.codec.records.record import GENESIS, encode_body
from edgeagent.codec.records.result import encode
from edgeagent.store.verify import verify_journal

RECORDS, CHAIN = 1_000_000, 100_000


def proof_among_a_million() -> None:
    """Size of a part's proof with two records, and how long checking it takes."""
    measured = {"kind": "measurement", "reasons": ["x" * 2500]}
    line, digest = line_of(600_001, "2026-03-02T10:00:00.000000Z", "recovery", GENESIS, measured)
    second, other = line_of(600_002, "2026-03-02T10:00:00.000000Z", "recovery", digest, measured)
    leaves = bytearray(b"".join(hashlib.sha256(b"%d" % i).digest() for i in range(RECORDS)))
    leaves[600_000 * 32 : 600_002 * 32] = bytes.fromhex(digest + other)
    began = time.perf_counter()
    tree = Tree(lambda begin, end: bytes(leaves[32 * begin : 32 * end]))
    for i in range(RECORDS):
        tree.append(bytes(leaves[32 * i : 32 * i + 32]))
    grown_s = time.perf_counter() - began
    key = key_of()
    note = sign_checkpoint(TreeHead(key.name, RECORDS, tree.root()), key)
    note = with_signatures(note, [cosign(note, WITNESS_KEY, 1_800_000_000)])
    began = time.perf_counter()
    paths = [tree.inclusion_path(i, RECORDS) for i in (600_000, 600_001)]
    path_s = (time.perf_counter() - began) / 2
    records = [proved_line(600_000 + i, one.rstrip(b"\n"), paths[i]) for i, one in enumerate((line, second))]
    proof = encode(ProofFile(proof=FORM, part="P", serial="1", checkpoint=note.whole, records=tuple(records)))
    times = []
    for _ in range(50):
        began = time.perf_counter()
        check_proof(proof, key.verifier, [WITNESS_KEY.verifier])
        times.append(time.perf_counter() - began)
    print(
        f"tree of {RECORDS:,} records: {1e6 * grown_s / RECORDS:.2f} µs a record, a path {1e3 * path_s:.2f} ms"
    )
    bare = len(proof) - len(line) - len(second)
    print(f"proof of 2 records of {len(line)} bytes: {len(proof)} bytes ({bare} beside the records)")
    print(f"checked in {1e3 * median(times):.2f} ms, its witness too")


def write_chain(folder: Path, count: int) -> None:
    """A journal of measurements of some 2 KB, in segments of 64 MB."""
    checks = [{"check": f"check-{i}", "note": "none of this is so" * 3} for i in range(4)]
    body = body_of("measurement", {"characteristics": [{}] * 6, "quality_failed": checks})
    raw = encode_body(body)
    head, size, number, lines = GENESIS, 0, 1, list[bytes]()
    (folder / "journal").mkdir()
    for seq in range(1, count + 1):
        begin = (
            f'{{"seq":{seq},"time":"2026-03-02T10:00:00.{seq % 1_000_000:06d}Z","kind":"measurement","prev":"'
        )
        line = begin.encode() + head.encode() + b'","body":' + raw
        head = hashlib.sha256(line).hexdigest()
        lines.append(line + b',"hash":"' + head.encode() + b'"}\n')
        size += len(lines[-1])
        if size > 64e6 or seq == count:
            (folder / "journal" / f"{number:08d}.jsonl").write_bytes(b"".join(lines))
            lines, size, number = [], 0, number + 1


def verification_against_sha256sum(count: int) -> None:
    """The same bytes hashed by the system's program and verified by ours, one after the other, five times."""
    with tempfile.TemporaryDirectory() as base:
        folder = Path(base)
        write_chain(folder, count)
        paths = sorted((folder / "journal").iterdir())
        ours, theirs = [], []
        for _ in range(5):
            began = time.perf_counter()
            subprocess.run(["sha256sum", *paths], check=True, stdout=subprocess.DEVNULL)
            theirs.append(time.perf_counter() - began)
            began = time.perf_counter()
            whole = verify_journal(folder)
            ours.append(time.perf_counter() - began)
        assert whole.records == count
        megabytes = sum(p.stat().st_size for p in paths) / 1e6
        ratio = median(theirs) / median(ours)
        print(
            f"{count:,} records, {megabytes:.0f} MB: verified in {median(ours):.2f} s, sha256sum "
            f"{median(theirs):.2f} s: {ratio:.2f} times its speed (wanted 0.5)"
        )


def frontier_alone() -> None:
    """What the tree adds to a verification that has checkpoints to compare with."""
    frontier, leaf = Frontier(), bytes(32)
    began = time.perf_counter()
    for _ in range(CHAIN):
        frontier.append(leaf)
    print(f"the tree adds {1e6 * (time.perf_counter() - began) / CHAIN:.2f} µs a record")


if __name__ == "__main__":
    proof_among_a_million()
    frontier_alone()
    verification_against_sha256sum(CHAIN)
