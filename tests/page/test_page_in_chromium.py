"""The page in a real browser: it loads, follows the store by itself, and comes back after a restart."""

import subprocess
import sys

import pytest
from browser import Browser
from field import free_port, wait_until
from test_app import OpenStore, answered

pytestmark = pytest.mark.needs_chromium


@pytest.fixture
def opened(tmp_path):
    made = OpenStore(tmp_path / "store")
    yield made
    made.writer.close()


def begin(opened, port):
    command = [sys.executable, "-m", "edgeagent", "page", f"--store={opened.path}", f"--port={port}"]
    return subprocess.Popen(command, stderr=subprocess.DEVNULL)


def end(process):
    process.terminate()
    process.wait(30)


def test_page_follows_the_store_and_comes_back_after_restarts(opened, tmp_path, hall):
    port = free_port()
    process = begin(opened, port)
    url = f"http://127.0.0.1:{port}/"
    newest = "document.querySelector('.newest .serial')?.textContent"
    try:
        opened.decide("000001")
        assert wait_until(lambda: answered(url))
        with Browser(tmp_path / "profile") as browser:
            browser.open(url)
            browser.wait(f"{newest} === '000001'")
            browser.run("window.untouched = true; document.querySelector('.newest a').focus()")
            opened.decide("000002", "reject", reasons=["too wavy"])
            browser.wait(f"{newest} === '000002'")
            browser.wait("document.querySelector('#said').textContent.includes('reject: KX 000002')")
            opened.say(hall)
            browser.wait("document.querySelector('.lamp .word').textContent === 'clear'")
            end(process)
            process = begin(opened, port)
            opened.decide("000003", "hold")
            browser.wait(f"{newest} === '000003'")
            assert browser.run("window.untouched"), "the page was never loaded again"
            for width in (390, 1280, 1920):
                browser.open(url, width)
                wide = browser.run(
                    "document.documentElement.scrollWidth - document.documentElement.clientWidth"
                )
                assert wide <= 0, width
    finally:
        end(process)
