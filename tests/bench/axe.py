"""Accessibility of page and reports in all their states, by axe-core in headless Chromium.

    npm install --prefix /tmp/axe axe-core
    python tests/bench/axe.py /tmp/axe/node_modules/axe-core/axe.min.js

Prints every finding with its impact; ends with 1 where one is serious or critical. axe-core checks the rules of
WCAG that a program can check; keyboard and wording remain for people.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(ROOT / "tests" / "page"), str(ROOT / "fixtures" / "report")]

from browser import Browser  # noqa: E402
from field import free_port  # noqa: E402
from invented_hall import agent_status, make_hall, say  # noqa: E402
from invented_store import InventedStation, measure_part, verify_gauge  # noqa: E402

from edgeagent.model.status import GateNow, WaitingNow  # noqa: E402
from edgeagent.report.write import write_file_report, write_part_report, write_period_report  # noqa: E402

WIDTHS = (390, 1280, 1920)
SERIOUS = ("serious", "critical")


@contextmanager
def serving(store: Path) -> Iterator[str]:
    """The page over a store."""
    port = free_port()
    command = [sys.executable, "-m", "edgeagent", "page", f"--store={store}", f"--port={port}"]
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    try:
        yield f"http://127.0.0.1:{port}/"
    finally:
        process.terminate()
        process.wait(30)


def reports(folder: Path) -> dict[str, str]:
    """Reports of an accepted, a rejected and a held part, of a file, of a broken file, of a period."""
    station = InventedStation(folder / "station", profile=True, max_age_h=24)
    verify_gauge(station, seed=1)
    measure_part(station, "1", seed=1, profile={})
    measure_part(station, "2", seed=2, left={37: 74.0, 74: 19.5}, profile={"contact_angle_deg": (50.0, 50.0)})
    measure_part(station, "3", seed=3, profile={"contact_angle_deg": (47.99, 44.2)})
    measure_part(station, "1", seed=4)
    station.measure("broken.txt", b"# trace = 1\n# kind = \n")
    station.close()
    store, out = station.store, folder / "reports"
    made = {f"report, part {s}": write_part_report(store, None, s, out / f"{s}.html") for s in "123"}
    made["report, file"] = write_file_report(store, "2-left-flank.txt", out / "file.html")
    made["report, broken file"] = write_file_report(store, "broken.txt", out / "broken.html")
    made["report, period"] = write_period_report(store, out / "period.html", None, part_pages=0)
    return {name: path.as_uri() for name, path in made.items()}


def findings(browser: Browser, source: str, url: str, width: int, lamp: str) -> list[dict[str, Any]]:
    """What axe-core says of a page, once its lamp says that word: rule, impact, and the first places."""
    browser.open(url, width)
    if lamp:
        browser.wait(f"document.querySelector('.lamp .word')?.textContent === '{lamp}'")
    browser.run("document.querySelectorAll('details').forEach(d => d.open = true)")
    browser.run(source + "; true")
    found: list[dict[str, Any]] = browser.run(
        "axe.run().then(r => r.violations.map(v => ({id: v.id, impact: v.impact, "
        "where: v.nodes.slice(0, 3).map(n => n.html.slice(0, 160))})))"
    )
    return found


def main() -> int:
    """Look at everything; the exit code."""
    source = Path(sys.argv[1]).read_text(encoding="utf-8")
    serious = looked = 0
    with tempfile.TemporaryDirectory() as name, Browser(Path(name) / "profile") as browser:
        folder = Path(name)

        def look(state: str, url: str, lamp: str = "", speak: Callable[[], object] = bool) -> None:
            nonlocal serious, looked
            said: dict[str, tuple[list[int], str]] = {}
            for width in WIDTHS:
                looked += 1
                speak()  # an agent that says nothing for long is no agent
                for one in findings(browser, source, url, width, lamp):
                    serious += one["impact"] in SERIOUS
                    found = f"{one['impact']}: {one['id']}"
                    said.setdefault(found, ([], one["where"]))[0].append(width)
            for found, (widths, where) in said.items():
                print(f"{state}, {widths} px: {found}: {where}")

        for state, url in reports(folder).items():
            look(state, url)
        hall = make_hall(folder / "hall")
        hall.close()
        waiting = tuple(
            WaitingNow(n, what, "KX-2005-R", "000422") for n, what in ((35, "reject"), (19, "hold"))
        )
        closed = GateNow(closed=True, until="")
        with serving(hall.store) as url:
            time.sleep(3)
            for lamp, more in (
                ("clear", {}),
                ("reject", {"waiting": waiting}),
                ("hold", {"waiting": waiting[1:], "gate": closed}),
                ("unknown", {"monotonic_s": time.monotonic() - 600}),
            ):
                look(f"page, {lamp}", url, lamp, lambda more=more: say(hall, agent_status(39, **more)))
        (folder / "empty" / "journal").mkdir(parents=True)
        with serving(folder / "empty") as url:
            time.sleep(3)
            look("page, empty store", url, "fault")
    print(f"{looked} looks, {serious} serious or critical findings")
    return 1 if serious else 0


if __name__ == "__main__":
    sys.exit(main())
