"""Files that cost too much, each followed by a good part: the cell goes on, and the journal says what it was.

Run: python tests/faults/poison.py [lifted]   (needs Mosquitto)

Each line is an agent of its own with the limits of the deployment guide. With ``lifted`` the readers' limits do
not hold in the workers: then it is for the workers' memory and time limits to stop the file.
"""

from __future__ import annotations

import hashlib
import io
import os
import sys
import tempfile
import time
import zipfile
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

sys.path[:0] = [
    str(Path(__file__).parent),
    str(Path(__file__).parent.parent),
    str(Path(__file__).parent.parent.parent),
]
from field import ROOT, Agent, Broker, Listener, spiral_text, wait_until
from kill_anywhere import text_of

LIFTED = Path(__file__).parent / "lifted"
CHANGES = {"intake.file_mb_max": 8, "verification": None}
PATIENCE_S = 300.0


def many_turns(inbox: Path) -> Path:
    """6.8 MB of ordinary trace text with 9,700 turns, as by an angle in the wrong unit."""
    header = spiral_text(turns=1, points_per_turn=10).partition("angle_deg")[0]
    step_deg, count = 9700 * 360 / 345_000, 345_000
    rows = "".join(f"{k * step_deg:.4f},{k % 7}.{k % 9973:04d}\n" for k in range(count))
    path = inbox / "poison.txt"
    path.write_text(f"{header}angle_deg,deviation_um\n{rows}")
    return path


def large_profile(inbox: Path) -> Path:
    """A valid X3P of 16 million points in some 130 KB."""
    points = 16_000_000
    data = bytes(8 * points)
    axes = "".join(
        f"<{name}><AxisType>{kind}</AxisType><DataType>D</DataType>"
        f"<Increment>1e-6</Increment><Offset>0</Offset></{name}>"
        for name, kind in (("CX", "I"), ("CY", "I"), ("CZ", "A"))
    )
    checksum = hashlib.md5(data, usedforsecurity=False).hexdigest()
    main = (
        '<p:ISO5436_2 xmlns:p="http://www.opengps.eu/2008/ISO5436_2"><Record1><Revision>invented</Revision>'
        f"<FeatureType>PRF</FeatureType><Axes>{axes}</Axes></Record1><Record3><MatrixDimension>"
        f"<SizeX>{points}</SizeX><SizeY>1</SizeY><SizeZ>1</SizeZ></MatrixDimension><DataLink><PointDataLink>data.bin</PointDataLink>"
        f"<MD5ChecksumPointData>{checksum}</MD5ChecksumPointData></DataLink></Record3><Record4>"
        "<ChecksumFile>md5checksum.hex</ChecksumFile></Record4></p:ISO5436_2>"
    ).encode()
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("main.xml", main)
        archive.writestr("data.bin", data)
        digest = hashlib.md5(main, usedforsecurity=False).hexdigest()
        archive.writestr("md5checksum.hex", f"{digest} *main.xml\n")
    (inbox / "poison.x3p.meta.toml").write_text(side_text())
    path = inbox / "poison.x3p"
    path.write_bytes(packed.getvalue())
    return path


def side_text() -> str:
    lines = spiral_text(turns=1, points_per_turn=10).splitlines()
    return "\n".join(line[2:] for line in lines if line.startswith("# ") and "trace =" not in line) + "\n"


def long_key(inbox: Path) -> Path:
    """A 28 KB header with one dotted key of 14,000 parts."""
    return with_header(inbox, ".".join("a" * 14_000) + " = 1")


def long_table(inbox: Path) -> Path:
    """A 240 KB header with one table name of 120,000 parts, for which a parser takes quadratic time."""
    return with_header(inbox, f"[{'.'.join('a' * 120_000)}]")


def with_header(inbox: Path, line: str) -> Path:
    head, columns, rows = spiral_text(turns=2, points_per_turn=200).partition("angle_deg")
    path = inbox / "poison.txt"
    path.write_text(f"{head}# {line}\n{columns}{rows}")
    return path


def sparse_side(inbox: Path) -> Path:
    """A good profile whose side file has 3 GB of nothing."""
    path = inbox / "poison.x3p"
    with (inbox / "poison.x3p.meta.toml").open("wb") as side:
        side.truncate(3 << 30)
    path.write_bytes((ROOT / "fixtures" / "x3p" / "profile_int16_binary.x3p").read_bytes())
    return path


POISON: dict[str, Callable[[Path], Path]] = {
    "9,700 turns of text": many_turns,
    "X3P of 16 million points": large_profile,
    "key of 14,000 parts": long_key,
    "table of 120,000 parts": long_table,
    "side file of 3 GB": sparse_side,
}


def after_poison(folder: Path, make: Callable[[Path], Path], *, lifted: bool) -> dict[str, object]:
    """Drop the file, a good part behind it, and see what becomes of both, checked."""
    env = {"PYTHONPATH": f"{ROOT}{os.pathsep}{LIFTED}"} if lifted else {}
    with (
        Broker(folder / "broker") as broker,
        Listener(broker.port) as line,
        Agent(folder / "agent", broker.port, changes=CHANGES, env=env) as agent,
    ):
        agent.wait_event("worker-ready")
        path = make(agent.inbox)
        began = time.monotonic()
        agent.drop("good.txt", text_of(1))
        told = line.wait(lambda x: x.messages("disposition"), PATIENCE_S)[0]
        assert told.json["disposition"] == "accept"

        def outcome() -> list[dict[str, object]]:
            return [r for r in agent.records() if r["body"].get("source", {}).get("name") == path.name]

        (record, *_) = wait_until(outcome, PATIENCE_S, "a record of the poison")
        ended = time.monotonic()
        line.wait(lambda x: sum(m.at > ended for m in x.messages("heartbeat")) >= 2)
        beats = [m.at for m in line.messages("heartbeat") if m.at >= began]
        body = record["body"]
        kills = len(agent.events("worker-killed")) + len(agent.events("worker-ended"))
        assert agent.alive, agent.said()
        assert agent.terminate() == 0
    return {
        "bytes": path.stat().st_size,
        "workers killed": kills,
        "good part told after s": round(told.at - began, 2),
        "poison on record after s": round(ended - began, 1),
        "longest heartbeat gap s": round(max(b - a for a, b in pairwise(beats)), 2),
        "journal": f"{record['kind']}: {str(body.get('reason') or body.get('reasons'))[:150]}",
    }


if __name__ == "__main__":
    for name, make in POISON.items():
        found = after_poison(Path(tempfile.mkdtemp(prefix="poison-")), make, lifted="lifted" in sys.argv[1:])
        print(f"{name}: " + ", ".join(f"{what} {value}" for what, value in found.items()), flush=True)
    print("the agent lived through all of it, and every good part was accepted")
