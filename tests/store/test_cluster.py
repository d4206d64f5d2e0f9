"""A Dask cluster gives what one process gives, bit for bit, or one line that says what was not done."""

from __future__ import annotations

import json
import operator
import shutil
from pathlib import Path

import duckdb
import fsspec
import pytest
from click.testing import CliRunner
from distributed import LocalCluster
from field import copy_station, free_port, spiral_text
from played_store import PlayedStation

from edgeagent.cli import main
from edgeagent.errors import AgentError
from edgeagent.store import replay as replay_module
from edgeagent.store.archive import Archive
from edgeagent.store.replaying import cluster
from edgeagent.store.replaying import remote as remote_stores

pytestmark = pytest.mark.uses_dask


@pytest.fixture(scope="module")
def store(tmp_path_factory) -> Path:
    """Two parts, measured by one station in two months."""
    base = tmp_path_factory.mktemp("played")
    with PlayedStation(base / "station") as played:
        for serial, day in (("1", "2026-10-31"), ("2", "2026-11-02")):
            for feature in ("left-flank", "right-flank"):
                text = spiral_text(
                    serial=serial, feature=feature, measured_at=f"{day}T08:00:00Z", seed=int(serial),
                    points_per_turn=3600, waves_nm={2: 150.0, 37: 40.0 * int(serial)},
                )  # fmt: skip
                played.measure(f"{serial}-{feature}.txt", text)
    return base / "station" / "store"


@pytest.fixture
def remote(store, tmp_path) -> str:
    """The same store behind a URL."""
    copy_station(store, tmp_path / "remote-store")
    return (tmp_path / "remote-store").as_uri()


@pytest.fixture(scope="module")
def scheduler() -> str:
    with LocalCluster(n_workers=2, threads_per_worker=1, processes=False, dashboard_address=None) as found:
        with found.get_client() as client:  # each worker starts its thread with its first task
            client.gather(
                [client.submit(operator.neg, n, workers=[w]) for n, w in enumerate(client.nthreads())]
            )
        yield found.scheduler_address


def called(*words: object):
    return CliRunner().invoke(main, [str(word) for word in words])


def test_cluster_gives_what_one_process_gives(store, remote, scheduler, tmp_path, monkeypatch):
    monkeypatch.setattr(replay_module, "CHUNK_FILES", 1)
    alone = called("replay", "--store", store, "--jobs", 1, "--json", "--parquet", tmp_path / "alone")
    assert alone.exit_code == 0, alone.output
    assert json.loads(alone.stdout)["identical"] == 4
    for root, out in ((store, tmp_path / "cluster"), (remote, tmp_path / "remote")):
        found = called("replay", "--store", root, "--scheduler", scheduler, "--json", "--parquet", out)
        assert found.stdout == alone.stdout, found.output
        assert contents(out) == contents(tmp_path / "alone")


def contents(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_engine_reads_values_of_many_stores_as_they_were_written(store, remote, scheduler, tmp_path):
    listed = tmp_path / "stores.txt"
    listed.write_text(f"# all stations\n{store}\n{remote}\n")
    out = tmp_path / "values"
    asked = ("trend", "--stores", listed, "--characteristic", "roundness_total", "--minimum", 2, "--json")
    alone = called(*asked)
    found = called(*asked, "--scheduler", scheduler, "--parquet", out)
    assert found.exit_code == 0, found.output
    assert found.stdout == alone.stdout
    told = [json.loads(line) for line in found.stdout.splitlines()]
    instruments = {one["instrument"] for one in told}
    assert instruments == {"plant-a/cell-3/gauge-1"}
    rows = duckdb.sql(
        f"select site, part, month, count(*), min(value) > 0, count(distinct serial) "
        f"from read_parquet('{out}/**/*.parquet', hive_partitioning = true) group by all order by month"
    ).fetchall()
    assert rows == [
        ("plant-a", "KX-2005-R", "2026-10", 4, True, 1),
        ("plant-a", "KX-2005-R", "2026-11", 4, True, 1),
    ]


def test_store_that_misses_a_result_writes_nothing_for_an_engine(store, scheduler, tmp_path):
    other = tmp_path / "store"
    shutil.copytree(store, other)
    archive = Archive(other / "archive")
    next(path for digest, path in archive.objects() if b'"disposition"' in archive.get(digest)).unlink()
    out = tmp_path / "values"
    found = called("trend", "--store", store, "--store", other, "--scheduler", scheduler, "--parquet", out)
    assert found.exit_code == 1
    assert found.stderr.splitlines() == [
        f"edgeagent: {other}: 1 archived results are missing or damaged; nothing was written"
    ]
    assert not out.exists()


def test_missing_object_behind_a_url_is_a_difference(remote, tmp_path):
    max((tmp_path / "remote-store" / "archive").rglob("*.zst"), key=lambda p: p.stat().st_size).unlink()
    found = called("replay", "--store", remote, "--jobs", 1)
    assert found.exit_code == 1
    assert "is in no archive" in found.stdout


def test_state_behind_a_url_is_never_newer_than_the_journal_that_is_fetched_with_it(
    remote, tmp_path, monkeypatch
):
    fetched = []
    fs = fsspec.filesystem("file", use_listings_cache=False)
    real = fs.cat_file
    monkeypatch.setattr(fs, "cat_file", lambda path: (fetched.append(Path(path).name), real(path))[1])
    monkeypatch.setattr(remote_stores, "open_url", lambda url: (fs, url.removeprefix("file://")))
    Path(remote.removeprefix("file://"), "state").mkdir(exist_ok=True)
    Path(remote.removeprefix("file://"), "state", "publisher.json").write_text("{}")
    remote_stores.fetch_journal(remote, tmp_path / "fetched")
    assert fetched[0] == "publisher.json"
    assert len(fetched) > 1


def test_url_without_a_journal_and_workers_without_the_share_are_one_line(scheduler, store, tmp_path):
    found = called("replay", "--store", "memory://nowhere")
    assert (found.exit_code, found.stderr) == (2, "edgeagent: memory://nowhere: there is no journal here\n")
    shutil.copytree(store / "journal", tmp_path / "store" / "journal")
    found = called("trend", "--store", tmp_path / "store", "--scheduler", scheduler)
    assert found.exit_code == 1
    assert "no archive is seen by process" in found.stderr


def test_scheduler_that_is_not_there_is_one_line(store, monkeypatch):
    monkeypatch.setattr(cluster, "_ANSWER_S", 0.2)
    address = f"tcp://127.0.0.1:{free_port()}"
    found = called("replay", "--store", store, "--scheduler", address)
    assert found.exit_code == 1
    assert found.stderr == f"edgeagent: {address}: no scheduler answers here; nothing was computed\n"


def test_worker_of_another_version_computes_nothing(store, scheduler, monkeypatch):
    ok, error = cluster.attempt_as("edgeagent 0.0.1", operator.neg, 1)
    assert not ok
    assert isinstance(error, AgentError)
    assert cluster.attempt_as(cluster.program_stamp(), operator.neg, 1) == (True, -1)
    monkeypatch.setattr(cluster.ClusterExecutor, "_checked", lambda self: refuse(self))
    found = called("replay", "--store", store, "--scheduler", scheduler)
    assert "not edgeagent 0.0.1; nothing was computed" in found.stderr


CHECKED = cluster.ClusterExecutor._checked


def refuse(executor: cluster.ClusterExecutor) -> int:
    """As the workers look to a program of another version."""
    executor._stamp = "edgeagent 0.0.1"
    return CHECKED(executor)
