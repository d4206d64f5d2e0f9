"""The page over a store of ten years: time to the first byte, memory, and how soon a part is shown.

    python tests/bench/page_at_scale.py [files]

800000 files make 1,000,000 records (some 3 GB, minutes to write). The journal is synthetic, as in
``ten_years``: the records of one invented part stand for all others. The same figures for 1,000 files beside.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
import urllib.request
from datetime import UTC, datetime
from pathlib import Path

from figures import print_table, resident_mb
from ten_years import write_years

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "fixtures" / "report")]
from field import free_port  # noqa: E402
from invented_store import InventedStation, measure_part  # noqa: E402
from records import body_of  # noqa: E402

from edgeagent.model.records import Measurement, PartDisposition  # noqa: E402
from edgeagent.store.clock import SystemClock  # noqa: E402
from edgeagent.store.index.index import Index, path_of  # noqa: E402
from edgeagent.store.journal import JournalReader, JournalWriter, last_record  # noqa: E402

FILES = int(sys.argv[1]) if len(sys.argv) > 1 else 800_000


def store_of(folder: Path, files: int) -> Path:
    """A store of so many files, the records of one invented part again and again."""
    station = InventedStation(folder)
    measure_part(station, "1", seed=1)
    station.close()
    bodies = [record.body for record, _ in JournalReader(station.store / "journal").walk()]
    measurement = next(b for b in bodies if isinstance(b, Measurement))
    disposition = next(b for b in bodies if isinstance(b, PartDisposition))
    (station.store / "state").mkdir(exist_ok=True)
    write_years(station.store, measurement, disposition, files)
    return station.store


def asked(url: str) -> tuple[float, bytes]:
    """Seconds until the whole answer was there, and the answer."""
    began = time.perf_counter()
    with urllib.request.urlopen(url, timeout=300) as answer:
        data = answer.read()
    return time.perf_counter() - began, data


def row_of(store: Path, files: int) -> list[object]:
    """What the page costs over a store."""
    port = free_port()
    url = f"http://127.0.0.1:{port}/"
    command = [sys.executable, "-m", "edgeagent", "page", f"--store={store}", f"--port={port}"]
    began = time.perf_counter()
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    try:
        while True:
            try:
                asked(url)
                break
            except OSError:
                time.sleep(0.02)
        ready = time.perf_counter() - began
        again = min(asked(url)[0] for _ in range(5))
        link = asked(url)[1].split(b'href="/report/')[1].split(b'"')[0].decode()
        report, _ = asked(f"{url}report/{link}")
        cached, _ = asked(f"{url}report/{link}")
        memory = resident_mb(process.pid)
        shown = until_shown(store, url)
    finally:
        process.terminate()
        process.wait(30)
    last = last_record(store / "journal")
    return [
        files,
        last.seq if last is not None else 0,
        ready,
        1000 * again,
        report,
        1000 * cached,
        shown,
        memory,
    ]


def until_shown(store: Path, url: str) -> float:
    """Seconds from the record of a part's disposition to the event that shows it."""
    writer = JournalWriter(store / "journal", SystemClock(), segment_bytes=64_000_000)
    index = Index.open(path_of(store))
    writer.open(lambda *_: None, index.position if index is not None else None)
    body = {"part": "KX-2005-R", "serial": f"{datetime.now(UTC):%H%M%S}", "disposition": "accept"}
    with urllib.request.urlopen(f"{url}events", timeout=60) as events:
        while not events.readline().startswith(b"data: "):
            pass
        began = time.perf_counter()
        writer.append([body_of("disposition", body)])
        while body["serial"].encode() not in events.readline():
            pass
        took = time.perf_counter() - began
    writer.close()
    return took


def main() -> None:
    """Both stores, one table."""
    rows = []
    for files in (1000, FILES):
        with tempfile.TemporaryDirectory() as name:
            rows.append(row_of(store_of(Path(name) / "station", files), files))
    heads = ["files", "records", "ready s", "page ms", "report s", "again ms", "shown after s", "resident MB"]
    print_table("page over a store", heads, rows)


if __name__ == "__main__":
    main()
