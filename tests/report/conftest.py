"""One store of invented parts for all tests of the report, made by the real pieces."""

from datetime import UTC, datetime
from types import SimpleNamespace

import pytest
from fixture_modules import load


@pytest.fixture(scope="session")
def invented():
    """The module that makes invented stores."""
    return load("invented_store", "report")


@pytest.fixture(scope="session")
def station(invented, made_once):
    """Accepted, rejected, held, incomplete, re-measured and hostile parts; verifications; a broken file."""
    folder = made_once("report-station", lambda folder: play(invented, folder))
    return SimpleNamespace(store=folder / "config" / "store", config=folder / "config" / "agent.toml")


def play(invented, folder):
    """Let the invented station measure."""
    s = invented.InventedStation(folder, profile=True, max_age_h=24)
    invented.verify_gauge(s, seed=1)
    invented.measure_part(s, "000411", seed=1, profile={})
    invented.measure_part(
        s, "000412", seed=2, left={37: 74.0, 74: 19.5, 111: 14.2}, profile={"contact_angle_deg": (45.0, 46.4)}
    )
    s.acknowledge(10)
    invented.measure_part(s, "000413", seed=3, right={18: 55.0}, profile={"contact_angle_deg": (47.99, 44.2)})
    s.wait(hours=20)
    invented.verify_gauge(s, seed=2, error_nm=9.0)
    s.measure("broken.txt", b"# trace = 1\n# kind = \n")
    for serial, slope in (("000501", 6.0), ("000502", 19.0)):
        at = s.wait(minutes=3)
        who = invented.Who(part=invented.TRAVEL_PART, serial=serial, feature="travel")
        s.measure(f"{serial}.txt", invented.travel_text(who, at, seed=5, slope_um_per_300=slope))
    at = s.wait(minutes=3)
    s.measure("000416.txt", invented.spiral_text(invented.Who(serial="000416"), at, {2: 90.0}, seed=77))
    s.wait(hours=1)
    s.expire()
    at = s.wait(minutes=3)
    s.measure("hostile.txt", invented.spiral_text(invented.HOSTILE, at, {2: 90.0}, seed=78))
    s.close()


@pytest.fixture(scope="session")
def pages(station, made_once):
    """The period's page and, by serial, the pages of its parts."""
    from edgeagent.report.write import write_period_report

    as_of = datetime(2026, 3, 4, tzinfo=UTC)

    def write(folder):
        write_period_report(station.store, folder / "period.html", None, as_of=as_of, part_pages=60)

    return made_once("report-pages", write) / "period.html"
