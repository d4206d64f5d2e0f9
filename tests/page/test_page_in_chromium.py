"""The page in a real browser: fits its screen, follows the store by itself, comes back after a restart."""

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


@pytest.fixture(scope="module")
def busy(hall, tmp_path_factory):
    """A shift of which nobody acknowledged anything: more waits and is held than a screen has lines for."""
    station = hall.make_hall(tmp_path_factory.mktemp("busy") / "station")
    station.close()
    return station


# How far the lowest of what is shown reaches, and whether anything is cut off within its own box
REACH = """(() => {
  const shown = [...document.querySelectorAll("body *")].filter(e => e.checkVisibility() &&
    !e.closest(".unseen, .skip, svg") && getComputedStyle(e.closest("thead") || e).clipPath === "none");
  const box = e => e.getBoundingClientRect();
  return {
    lowest: Math.max(...shown.map(e => box(e).bottom + scrollY)),
    widest: Math.max(...shown.map(e => box(e).right)),
    cut: shown.filter(e => getComputedStyle(e).overflow !== "visible" && e.scrollHeight > e.clientHeight + 1)
      .map(e => e.outerHTML.slice(0, 80)),
    over: shown.filter(e => e.matches("section") && shown.some(
      c => e.contains(c) && box(c).bottom > box(e).bottom + 1)).map(e => e.id),
    whole: document.documentElement.scrollHeight,
    shown: document.body.innerText,
  };
})()"""


def test_everything_stands_on_a_screen_in_the_hall_and_smaller_ones_scroll(busy, hall, tmp_path):
    port = free_port()
    command = [sys.executable, "-m", "edgeagent", "page", f"--store={busy.store}", f"--port={port}"]
    url = f"http://127.0.0.1:{port}/"
    words = ("worst", "no safety function", "shift-notes.txt")
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as process:
        try:
            assert wait_until(lambda: answered(url))
            with Browser(tmp_path / "profile") as browser:
                for width, height in ((1920, 1080), (1366, 768), (390, 844)):
                    look_at(browser, url, width, height)
                    found = wait_until(lambda: as_told(browser, hall, busy))
                    assert found["lowest"] <= (height if width == 1920 else found["whole"]), width
                    assert found["widest"] <= width, width
                    assert (found["cut"], found["over"]) == ([], []), width
                    assert [w for w in words if w not in found["shown"]] == [], width
                    assert ("more that wait" in found["shown"]) == (width == 1920)
                process.terminate()
                said = process.communicate(timeout=30)[1]
        finally:
            process.kill()
    assert said == f"{url}\n", "an open page is let go, not broken off"


def as_told(browser, hall, station):
    """What is shown of an agent that speaks now; None where the page holds its word for old."""
    hall.say(station, hall.status_of(station))
    found = browser.run(REACH)
    return found if "version 0.2.0" in found["shown"] else None


def look_at(browser, url, width, height):
    browser.open(url, width)
    size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
    browser.ask("Emulation.setDeviceMetricsOverride", **size)
    browser.wait(f"innerWidth === {width} && innerHeight === {height}")


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
