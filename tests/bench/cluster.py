"""Replays and values of many stores on a Dask cluster of processes on this machine, against one worker.

Run: python tests/bench/cluster.py [parts] [points a turn]
One worker and two replay the same store in turns; a busy machine slows both down, so that their ratio counts,
beside it the processor time of the workers (target: two at least 1.8 times as fast as one, on two idle
processors). Then a worker is killed in the middle, then the archive is read from an S3-compatible server. Every
replay must come out the same to the last byte, Parquet files included. ``parts`` have one trace each, measured
from bytes of its own; more than a thousand are replayed once, by two workers.
"""

import hashlib
import logging
import os
import shutil
import statistics
import sys
import tempfile
import threading
import time
from datetime import timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))
from edgeagent.store.running.arithmetic import arithmetic_environment

os.environ.update(arithmetic_environment(os.environ))  # as every command does, before numpy is loaded
os.environ |= {
    "AWS_ACCESS_KEY_ID": "invented",
    "AWS_SECRET_ACCESS_KEY": "invented",
    "AWS_DEFAULT_REGION": "us-east-1",
}

import psutil
import s3fs
from click.testing import CliRunner
from distributed import LocalCluster
from figures import print_table
from moto.server import ThreadedMotoServer

sys.path.insert(0, str(Path(__file__).parent.parent))
from field import free_port, spiral_text
from played_store import PlayedStation

from edgeagent.cli import main as edgeagent
from edgeagent.store.replaying.executors import usable_processors

PARTS = int(sys.argv[1]) if len(sys.argv) > 1 else 150
POINTS = int(sys.argv[2]) if len(sys.argv) > 2 else 900
FEW, PAIRS = 1000, 3


def write_store(folder: Path) -> Path:
    """Nuts with one trace each of bytes of its own, the amplitude at 20 UPR rising through its limit."""
    with PlayedStation(folder / "station", step=timedelta(seconds=40)) as played:
        for n in range(PARTS):
            given = {
                "kind": "circle",
                "part": "HN-1610-R",
                "feature": "outside",
                "turns": 2,
                "points_per_turn": POINTS,
            }
            waves = {2: 150.0, 20: 1.5 * (n % 100)}
            played.measure(f"{n:06d}.txt", spiral_text(serial=f"{n:06d}", waves_nm=waves, seed=n, **given))
    return played.store


def digest_of(told: str, folder: Path) -> str:
    """Of what a replay said and of all files that it wrote."""
    found = hashlib.sha256(told.encode())
    for path in sorted(folder.rglob("*.parquet")):
        found.update(path.relative_to(folder).as_posix().encode())
        found.update(path.read_bytes())
    return found.hexdigest()[:16]


def replay(store: object, out: Path, *more: str) -> tuple[float, str]:
    """Seconds, and a digest of everything that came out."""
    shutil.rmtree(out, ignore_errors=True)
    began = time.perf_counter()
    words = ["replay", "--store", str(store), "--json", "--parquet", str(out), *more]
    told = CliRunner().invoke(edgeagent, words)
    assert told.exit_code == 0, told.output
    return time.perf_counter() - began, digest_of(told.stdout, out)


def cpu_s(cluster: LocalCluster) -> float:
    """Processor time of the workers."""
    pids = [worker.pid for worker in cluster.workers.values()]
    return sum(sum(psutil.Process(pid).cpu_times()[:2]) for pid in pids)


def on_workers(count: int, store: object, out: Path, *, kill_after_s: float = 0.0) -> tuple[float, float, str]:
    """Seconds, processor seconds of the workers, and the digest; one worker is killed after a while."""
    with LocalCluster(n_workers=count, threads_per_worker=1, dashboard_address=None) as cluster:
        before = cpu_s(cluster)
        killer = None
        if kill_after_s:
            nanny = next(iter(cluster.workers.values()))
            killer = threading.Timer(kill_after_s, lambda: psutil.Process(nanny.pid).kill())
            killer.start()
        seconds, digest = replay(store, out, "--scheduler", cluster.scheduler_address)
        return seconds, 0.0 if killer else cpu_s(cluster) - before, digest


def main() -> None:
    folder = Path(tempfile.mkdtemp(prefix="cluster-"))
    out = folder / "out"
    rows: list[tuple[object, ...]] = []
    digests: set[str] = set()
    pairs: list[float] = []
    try:
        began = time.perf_counter()
        store = write_store(folder)
        print(
            f"{PARTS} parts measured in {time.perf_counter() - began:.0f} s, {usable_processors()} processors"
        )
        if PARTS > FEW:
            seconds, cpu, digest = on_workers(2, store, out)
            rows.append(("2 workers", seconds, PARTS / seconds, f"{cpu:.1f}", digest))
            digests.add(digest)
        else:
            pairs = compare(store, out, rows, digests)
    finally:
        shutil.rmtree(folder)
    heads = ("", "s", "files/s", "processor s of workers", "everything that came out")
    print_table("replays of one store", heads, rows)
    if pairs:
        ratios = ", ".join(f"{p:.2f}" for p in pairs)
        print(f"  two workers over one, paired: {ratios}; median {statistics.median(pairs):.2f}")
    print(f"  {len(digests)} different outcome{'s' if len(digests) > 1 else ''}")


def compare(store: Path, out: Path, rows: list[tuple[object, ...]], digests: set[str]) -> list[float]:
    """Rows of one and two workers, of two with one killed, of S3; paired ratios of two to one."""
    seconds, digest = replay(store, out, "--jobs", "1")
    digests.add(digest)
    rows.append(("this process alone", seconds, PARTS / seconds, "", digest))
    singles, doubles = [], []
    for _ in range(PAIRS):
        for count, kept in ((1, singles), (2, doubles)):
            kept.append(on_workers(count, store, out))
    for words, kept in (("1 worker", singles), ("2 workers", doubles)):
        best = min(kept)
        digests |= {one[2] for one in kept}
        rows.append((words, best[0], PARTS / best[0], f"{best[1]:.1f}", best[2]))
    killed = on_workers(2, store, out, kill_after_s=min(doubles)[0] / 2)
    rows.append(("2 workers, one killed", killed[0], PARTS / killed[0], "", killed[2]))
    digests.add(killed[2])
    rows.append(("2 workers, S3", *from_s3(store, out, digests)))
    return [one[0] / two[0] for one, two in zip(singles, doubles, strict=True)]


def from_s3(store: Path, out: Path, digests: set[str]) -> tuple[object, ...]:
    """The same from an S3-compatible server, through the URL alone."""
    port = free_port()
    logging.getLogger("werkzeug").setLevel(logging.ERROR)  # a line for each request would hide the table
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=port, verbose=False)
    server.start()
    os.environ["AWS_ENDPOINT_URL"] = f"http://127.0.0.1:{port}"
    try:
        files = s3fs.S3FileSystem(endpoint_url=os.environ["AWS_ENDPOINT_URL"])
        files.mkdir("plant")
        for part in ("archive", "journal"):
            files.put(str(store / part), f"plant/gauge-1/store/{part}", recursive=True)
        seconds, _, digest = on_workers(2, "s3://plant/gauge-1/store", out)
    finally:
        server.stop()
    digests.add(digest)
    return seconds, PARTS / seconds, "", digest


if __name__ == "__main__":
    main()
