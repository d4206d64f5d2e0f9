"""The page over a store: what it shows, what it refuses, and that it leaves the store alone."""

import json
import os
import re
import socket
import subprocess
import sys
import time
import urllib.request
from datetime import UTC, datetime, timedelta

import pytest
from click.testing import CliRunner
from field import copy_station, free_port, wait_until
from records import CHARACTERISTIC, body_of
from starlette.testclient import TestClient

from edgeagent.cli import main
from edgeagent.model.status import WaitingNow
from edgeagent.page.app import allowed_hosts, make_app
from edgeagent.page.view import HEADINGS
from edgeagent.store.clock import SystemClock
from edgeagent.store.journal import JournalWriter

HOSTILE = "<script>alert(1)</script>\u202e\x1b[31m"
LIMITED = {**CHARACTERISTIC, "feature": "left-flank"}


class OpenStore:
    """A store whose journal a test writes, and whose agent it speaks for."""

    def __init__(self, folder):
        self.path = folder
        self.writer = JournalWriter(folder / "journal", SystemClock(), segment_bytes=1_000_000)
        self.writer.open(lambda *_: None)

    def decide(self, serial, disposition="accept", **members):
        body = {
            "part": "KX",
            "serial": serial,
            "disposition": disposition,
            "characteristics": [LIMITED],
            **members,
        }
        (record,) = self.writer.append([body_of("disposition", body)])
        return record.seq

    def say(self, hall, **changes):
        (self.path / "state").mkdir(exist_ok=True)
        hall.say(self, hall.agent_status(self.writer.seq, **changes))

    @property
    def store(self):
        return self.path


@pytest.fixture
def opened(tmp_path):
    made = OpenStore(tmp_path / "store")
    yield made
    made.writer.close()


def asking(opened, tmp_path, **more):
    app = make_app(opened.path, tmp_path / "cache", allowed_hosts("127.0.0.1", 8420, ()))
    return TestClient(app, base_url="http://127.0.0.1:8420", **more)


def test_page_shows_lamp_parts_and_what_waits(opened, tmp_path, hall):
    seq = opened.decide("000412", "reject", reasons=["too wavy"])
    waiting = (WaitingNow(seq, "reject", "KX", "000412"),)
    opened.say(hall, waiting=waiting)
    with asking(opened, tmp_path) as client:
        text = client.get("/").text
    assert [h for _, h in HEADINGS] == re.findall(r"<h2[^>]*>([^<]+)</h2>", text)
    for found in (
        '<p class="word">reject</p>',
        "000412",
        f'<strong class="seq">{seq}</strong>',
        f"/report/{seq}",
    ):
        assert found in text
    assert "182,400 MB free" in text


def test_page_without_a_word_from_the_agent_claims_nothing(opened, tmp_path, hall):
    opened.decide("1")
    with asking(opened, tmp_path) as client:
        text = client.get("/").text
    assert "no status from the agent" in text
    assert '<p class="word">clear</p>' not in text
    opened.say(hall, monotonic_s=time.monotonic() - 60)
    with asking(opened, tmp_path) as client:
        old = client.get("/").text
    assert '<p class="word">clear</p>' not in old
    assert "has written no status for" in old


def test_texts_of_files_stay_texts(opened, tmp_path, hall):
    opened.decide(HOSTILE, "hold", part=HOSTILE, reasons=[HOSTILE], gate=HOSTILE)
    opened.writer.append([body_of("quarantine", {"source": {"name": HOSTILE}, "reason": HOSTILE})])
    opened.say(hall, waiting=(WaitingNow(1, "hold", HOSTILE, HOSTILE),))
    with asking(opened, tmp_path) as client:
        text = client.get("/").text
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert" in text
    assert not {"\u202e", "\x1b"} & set(text)


@pytest.mark.parametrize("path", ["/", "/page.css", "/page.js", "/report/1", "/none"])
def test_every_answer_keeps_the_browser_within_the_page(opened, tmp_path, path):
    with asking(opened, tmp_path) as client:
        headers = client.get(path).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert (headers["x-content-type-options"], headers["referrer-policy"]) == ("nosniff", "no-referrer")
    assert headers["cache-control"] == "no-store"


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:8420", "127.0.0.1:9", "127.0.0.1.evil:8420", ""]
)
def test_other_names_are_not_answered(opened, tmp_path, host):
    with asking(opened, tmp_path) as client:
        for path in ("/", "/events", "/report/1"):
            found = client.get(path, headers={"host": host})
            assert found.status_code == 421
            assert "000412" not in found.text


def test_names_that_are_given_are_answered(opened, tmp_path):
    hosts = allowed_hosts("0.0.0.0", 8420, ("hall.invalid",))
    app = make_app(opened.path, tmp_path / "cache", hosts)
    with TestClient(app, base_url="http://HALL.invalid:8420") as client:
        assert client.get("/").status_code == 200


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH"])
def test_nothing_can_be_changed(opened, tmp_path, method):
    with asking(opened, tmp_path) as client:
        assert client.request(method, "/").status_code == 405


def test_held_parts_are_given_their_age_and_gate(opened, tmp_path, monkeypatch):
    opened.decide("1", "hold", gate="closed: no verification")
    later = datetime.now(UTC) + timedelta(hours=30, minutes=5)
    monkeypatch.setattr(SystemClock, "now", lambda _self: later)
    with asking(opened, tmp_path) as client:
        text = client.get("/").text
    assert "held for 1 d 6 h" in text
    assert "closed: no verification" in text


def test_report_is_made_when_asked_for_and_kept(hall_station, tmp_path):
    app = make_app(hall_station.store, tmp_path / "cache", allowed_hosts("127.0.0.1", 8420, ()))
    with TestClient(app, base_url="http://127.0.0.1:8420") as client:
        link = re.search(r"/report/\d+", client.get("/").text)[0]
        first = client.get(link)
        kept = list((tmp_path / "cache").glob("report-*.html"))
        again = client.get(link)
        missing = client.get("/report/999999")
    assert first.status_code == 200
    assert "<svg" in first.text
    assert "sandbox" in first.headers["content-security-policy"]
    assert len(kept) == 1
    assert again.content == first.content == kept[0].read_bytes()
    assert missing.status_code == 404


def test_report_that_cannot_be_made_is_said(opened, tmp_path):
    seq = opened.decide("--out=/x\0y", part="--store=/")
    with asking(opened, tmp_path) as client:
        found = client.get(f"/report/{seq}")
    assert found.status_code == 503
    assert "No report" in found.text


@pytest.fixture
def running(hall_station, tmp_path):
    """The command over a copy of a store that nobody can write to, without the rights of an administrator."""
    store = tmp_path / "store"
    copy_station(hall_station.store, store)
    for path in (store, *store.rglob("*")):
        path.chmod(0o555 if path.is_dir() else 0o444)
    port = free_port()
    command = [sys.executable, "-m", "edgeagent", "page", f"--store={store}", f"--port={port}"]
    if os.geteuid() == 0:
        command = ["setpriv", "--bounding-set=-all", "--inh-caps=-all", *command]
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    yield store, f"http://127.0.0.1:{port}", process
    process.terminate()
    process.wait(30)
    for path in (store, *store.rglob("*")):
        path.chmod(0o755 if path.is_dir() else 0o644)


def answered(url):
    try:
        return urllib.request.urlopen(url, timeout=20).read()
    except OSError:
        return b""


@pytest.mark.needs_setpriv
def test_command_reads_a_store_that_it_may_not_write_to(running):
    store, url, process = running
    before = {path: path.stat().st_mtime_ns for path in store.rglob("*")}
    page = wait_until(lambda: answered(url))
    assert b"Last parts" in page
    link = re.search(rb"/report/\d+", page)[0].decode()
    assert b"<svg" in answered(url + link)
    with urllib.request.urlopen(f"{url}/events", timeout=20) as events:
        lines = [events.readline() for _ in range(3)]
    assert set(json.loads(lines[2].removeprefix(b"data: "))["sections"]) == {name for name, _ in HEADINGS}
    assert {path: path.stat().st_mtime_ns for path in store.rglob("*")} == before
    assert process.poll() is None


def test_port_that_is_taken_is_one_line_and_wrong_usage(hall_station):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        found = CliRunner().invoke(main, ["page", "--store", str(hall_station.store), "--port", str(port)])
    assert found.exit_code == 2
    assert found.stderr == f"edgeagent: 127.0.0.1:{port} cannot be listened on: Address already in use\n"
