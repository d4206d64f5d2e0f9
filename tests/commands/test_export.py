"""Export: three tables that independent readers read alike, whole or not at all."""

from __future__ import annotations

import csv
import hashlib
import json
import resource
import subprocess
import sys
from datetime import UTC, datetime, timedelta

import duckdb
import msgspec
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner
from records import body_of

from edgeagent.cli import main
from edgeagent.codec.records.result import encode
from edgeagent.store.archive import Archive
from edgeagent.store.index import lookup
from edgeagent.store.index.index import IndexWriter, path_of
from edgeagent.store.journal import JournalReader, JournalWriter

BEGIN = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
VALUE = {
    "name": "roundness_total", "instance": "", "value": 0.1 + 0.2, "unit": "um", "expanded_uncertainty": 0.05,
    "lower": None, "upper": 1.2, "caution": 0.9, "verdict": "conforming", "conformance_probability": 0.99,
}  # fmt: skip
CHECK = {"check": "spikes", "ok": True, "value": 0.0, "allowed": 3.0, "unit": "", "note": "-none"}


class Clock:
    def __init__(self):
        self.moment = BEGIN

    def now(self):
        return self.moment

    def monotonic(self):
        return 0.0


class Store:
    """A store written record by record, an hour apart."""

    def __init__(self, folder):
        self.folder = folder / "store"
        self.archive = Archive(self.folder / "archive")
        self.clock = Clock()
        self.writer = JournalWriter(self.folder / "journal", self.clock, segment_bytes=10**7)
        self.writer.open(lambda *_: None)

    def measure(self, serial, values=(VALUE,), checks=(CHECK,), **trace):
        self.clock.moment += timedelta(hours=1)
        who = {
            "part": "KX-1",
            "serial": serial,
            "feature": "left-flank",
            "measured_at": "2026-03-02T09:41:07+01:00",
        }
        body = body_of(
            "measurement", {"trace": {**who, **trace}, "settled_at": self.clock.moment.timestamp() - 2.5}
        )
        result = {
            "schema": "edgeagent.result/1",
            "trace": {**who, "kind": "spiral", "points": 3, "turns": 1.0, **trace},
            "quality": checks,
            "characteristics": values,
            "spectrum": None,
            "disposition": "accept",
            "reasons": [],
        }
        body = msgspec.structs.replace(body, result_sha256=self.archive.put(encode(result)))
        source = {"feature": "left-flank", "name": "a.txt", "sha256": None, "instrument": "gauge-1"}
        decided = body_of(
            "disposition",
            {
                "part": "KX-1", "serial": serial, "settled_at": self.clock.moment.timestamp() - 2.5,
                "reasons": ["x", "y"], "sources": [{**source, "seq": self.writer.seq + 1}],
            },
        )  # fmt: skip
        self.writer.append([body, decided])
        return body

    def close(self):
        self.writer.close()
        return self


@pytest.fixture
def store(tmp_path):
    found = Store(tmp_path)
    yield found
    found.close()


def run(*args):
    return CliRunner().invoke(main, ["export", *map(str, args)])


def exported(store, out, *more, file_format="csv"):
    found = run("--store", store.folder, "--out", out, "--format", file_format, *more)
    assert found.exit_code == 0, found.output
    return found


def rows_of(path):
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def test_three_tables_hold_parts_values_and_checks(store, tmp_path):
    store.measure("000412", values=(VALUE, {**VALUE, "name": "roundness_rms", "value": None}))
    found = exported(store, tmp_path / "out")
    assert found.output == f"1 part, 2 values, 1 check: {tmp_path / 'out'}\n"
    (part,) = rows_of(tmp_path / "out" / "parts.csv")
    assert (part["part"], part["serial"], part["disposition"]) == ("KX-1", "000412", "accept")
    assert (part["reasons"], part["features"], part["measurements"]) == ("x; y", "left-flank", "1")
    assert (part["time"], part["decided_after"]) == ("2026-03-02T07:00:00.000000Z", "2.5")
    value, missing = rows_of(tmp_path / "out" / "values.csv")
    assert float(value["value"]) == 0.1 + 0.2, "to the last bit"
    assert (value["unit"], value["expanded_uncertainty"], value["lower"], value["upper"]) == (
        "um",
        "0.05",
        "",
        "1.2",
    )
    assert value["measured_at"] == "2026-03-02T08:41:07.000000Z", "in UTC"
    assert (missing["characteristic"], missing["value"]) == ("roundness_rms", "")
    (check,) = rows_of(tmp_path / "out" / "checks.csv")
    assert (check["check"], check["ok"], check["note"]) == ("spikes", "true", "'-none")


def test_all_characteristics_come_from_the_archive_not_only_those_of_the_record(store, tmp_path):
    many = tuple({**VALUE, "name": "contact_angle_left", "instance": f"top[{n}]"} for n in range(60))
    store.measure("1", values=many)
    exported(store, tmp_path / "out")
    assert len(rows_of(tmp_path / "out" / "values.csv")) == 60


def test_serial_that_is_a_formula_is_text_in_every_reader(store, tmp_path):
    evil = "=cmd|' /C calc'!A0"
    store.measure(evil)
    for file_format in ("csv", "jsonl", "parquet"):
        exported(store, tmp_path / file_format, file_format=file_format)
    assert rows_of(tmp_path / "csv" / "parts.csv")[0]["serial"] == "'" + evil
    (line,) = (tmp_path / "jsonl" / "parts.jsonl").read_text(encoding="utf-8").splitlines()
    assert json.loads(line)["serial"] == evil
    assert pq.read_table(tmp_path / "parquet" / "parts.parquet")["serial"].to_pylist() == [evil]


def test_three_formats_hold_the_same_for_a_database(store, tmp_path):
    for number in range(5):
        store.measure(f"{number:06}", values=(VALUE, {**VALUE, "value": None, "name": "x", "upper": -1e-9}))
    columns = "record, serial, feature, characteristic, value, upper, verdict, expanded_uncertainty"
    found = []
    for file_format in ("csv", "jsonl", "parquet"):
        exported(store, tmp_path / file_format, file_format=file_format)
        path = str(tmp_path / file_format / f"values.{file_format}")
        reader = {
            "csv": "read_csv(?, types={'serial': 'VARCHAR'})",
            "jsonl": "read_json(?, format='newline_delimited', columns={record: 'BIGINT', serial: 'VARCHAR',"
            " feature: 'VARCHAR', characteristic: 'VARCHAR', value: 'DOUBLE', upper: 'DOUBLE',"
            " verdict: 'VARCHAR', expanded_uncertainty: 'DOUBLE'})",
            "parquet": "read_parquet(?)",
        }[file_format]
        found.append(
            duckdb.execute(f"select {columns} from {reader} order by record, characteristic", [path]).fetchall()
        )
    assert found[0] == found[1] == found[2]
    assert len(found[0]) == 10
    assert found[0][0][:3] == (1, "000000", "left-flank")


def test_parquet_carries_units_and_meanings_and_types(store, tmp_path):
    store.measure("1")
    exported(store, tmp_path / "out", file_format="parquet")
    parts, values = (pq.read_table(tmp_path / "out" / f"{name}.parquet") for name in ("parts", "values"))
    field = parts.schema.field("decided_after")
    assert field.metadata[b"unit"] == b"s"
    assert all(f.metadata[b"meaning"] for f in [*parts.schema, *values.schema])
    assert str(values.schema.field("measured_at").type) == "timestamp[us, tz=UTC]"
    assert values["measured_at"].to_pylist() == [datetime(2026, 3, 2, 8, 41, 7, tzinfo=UTC)]
    assert values["value"].to_pylist() == [0.1 + 0.2]


def test_export_json_describes_each_column_and_proves_the_files(store, tmp_path):
    store.measure("1")
    for file_format in ("csv", "jsonl", "parquet"):
        out = tmp_path / file_format
        exported(store, out, "--serial", "1", file_format=file_format)
        about = json.loads((out / "export.json").read_text(encoding="utf-8"))
        assert about["schema"] == "edgeagent.export/1"
        for name, said in about["files"].items():
            assert hashlib.sha256((out / name).read_bytes()).hexdigest() == said["sha256"]
        assert {p.name for p in out.iterdir()} == {*about["files"], "export.json"}
        assert (about["journal"]["records"], about["journal"]["head"]) == (2, store.writer.head)
        assert about["asked"]["serial"] == "1"
        assert about["journal"]["chain_checked"] is False, "a serial is looked up"
        columns = {t["name"]: [c["name"] for c in t["columns"]] for t in about["tables"]}
        if file_format == "csv":
            assert {n: list(rows_of(out / f"{n}.csv")[0]) for n in columns} == columns
        assert all(c["meaning"] for t in about["tables"] for c in t["columns"])


def test_period_part_and_serial_narrow_it_down(store, tmp_path):
    for serial in ("1", "2", "3"):
        store.measure(serial)  # at 7, 8 and 9 o'clock
    exported(store, tmp_path / "a", "--since", "2026-03-02T08:00:00", "--until", "2026-03-02T09:00:00")
    assert [r["serial"] for r in rows_of(tmp_path / "a" / "parts.csv")] == ["2"]
    exported(store, tmp_path / "b", "--serial", "3")
    assert [r["serial"] for r in rows_of(tmp_path / "b" / "values.csv")] == ["3"]
    exported(store, tmp_path / "c", "--part", "other", file_format="parquet")
    assert pq.read_table(tmp_path / "c" / "parts.parquet").num_rows == 0


def test_existing_folder_is_kept(store, tmp_path):
    store.measure("1")
    (tmp_path / "out").mkdir()
    found = run("--store", store.folder, "--out", tmp_path / "out")
    assert found.exit_code == 2
    assert "exists already" in found.output
    assert list((tmp_path / "out").iterdir()) == []


def test_long_journal_is_looked_up_and_gives_the_same(store, tmp_path, monkeypatch):
    for number in range(30):
        store.measure(str(number))
    period = ("--since", "2026-03-02T15:00:00", "--until", "2026-03-02T20:00:00")
    for name, asked in (("period", period), ("serial", ("--serial", "17"))):
        exported(store, tmp_path / f"{name}-walked", *asked)
    monkeypatch.setattr(lookup, "LONG", 10)
    writer = IndexWriter.create(path_of(store.folder))
    records = list(JournalReader(store.folder / "journal").walk())
    writer.add(records[:50], None)
    writer.close()
    monkeypatch.setattr(JournalReader, "walk", only_behind_the_index(JournalReader.walk))
    for name, asked in (("period", period), ("serial", ("--serial", "17"))):
        exported(store, tmp_path / f"{name}-looked-up", *asked)
        for table in ("parts", "values", "checks"):
            walked, found = (
                rows_of(tmp_path / f"{name}-{how}" / f"{table}.csv") for how in ("walked", "looked-up")
            )
            assert walked == found
            assert walked


def only_behind_the_index(walk):
    def walk_behind(self, behind=None):
        assert behind is not None, "the whole journal is walked"
        return walk(self, behind)

    return walk_behind


@pytest.mark.parametrize("file_format", ["csv", "parquet"])
def test_missing_result_leaves_nothing_that_looks_whole(store, tmp_path, file_format):
    store.measure("1")
    body = store.measure("2", values=({**VALUE, "value": 7.0},))
    Archive(store.folder / "archive").path_of(body.result_sha256).unlink()
    found = run("--store", store.folder, "--out", tmp_path / "out", "--format", file_format)
    assert found.exit_code == 1
    assert found.output.count("\n") == 1
    assert found.output.startswith("edgeagent: record 3: archive/")
    assert found.output.endswith("nothing was written\n")
    assert {p.name for p in tmp_path.iterdir()} == {"store"}


def test_damaged_journal_leaves_nothing(store, tmp_path):
    for serial in ("1", "2"):
        store.measure(serial)
    store.close()
    segment = next((store.folder / "journal").glob("*.jsonl"))
    segment.write_bytes(segment.read_bytes().replace(b'"serial":"1"', b'"serial":"9"', 1))
    found = run("--store", store.folder, "--out", tmp_path / "out")
    assert found.exit_code == 22
    assert {p.name for p in tmp_path.iterdir()} == {"store"}


def test_full_disk_leaves_nothing(store, tmp_path):
    store.measure("1", values=tuple({**VALUE, "instance": str(n)} for n in range(2000)))
    small = (resource.RLIMIT_FSIZE, (50_000, 50_000))

    command = [sys.executable, "-m", "edgeagent", "export", "--store", store.folder, "--out", tmp_path / "out"]
    ran = subprocess.run(
        list(map(str, command)),
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=lambda: resource.setrlimit(*small),
    )
    assert ran.returncode == 1
    assert "nothing was written" in ran.stderr
    assert "Traceback" not in ran.stderr
    assert {p.name for p in tmp_path.iterdir()} == {"store"}


def test_no_store_and_no_library_are_said(store, tmp_path, monkeypatch):
    assert run("--store", tmp_path, "--out", tmp_path / "out").exit_code == 2
    assert "say one of --store and --config" in run("--out", tmp_path / "out").output
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    monkeypatch.delitem(sys.modules, "edgeagent.store.export.parquet", raising=False)
    found = run("--store", store.folder, "--out", tmp_path / "out", "--format", "parquet")
    assert (found.exit_code, found.output.count("\n")) == (2, 1)
    assert "pip install 'edgeagent[parquet]'" in found.output
    assert {p.name for p in tmp_path.iterdir()} == {"store"}
