"""Times in UTC and beside it in local time; how a station wants its reports, as its configuration says.

Offsets are those of the IANA time zone database: Berlin keeps UTC+1, and UTC+2 from the last Sunday of March
to that of October; New York UTC-5 in winter; Kathmandu UTC+5:45.
"""

import pytest
from fixture_modules import load

from edgeagent.report.presentation import moment_text, presentation, zone_of
from edgeagent.report.story.gather import Store


@pytest.mark.parametrize(
    ("text", "zone", "shown"),
    [
        ("2026-03-02T06:17:10.123Z", "Europe/Berlin", "2026-03-02 06:17:10 UTC (07:17:10 CET)"),
        ("2026-07-02T06:17:10Z", "Europe/Berlin", "2026-07-02 06:17:10 UTC (08:17:10 CEST)"),
        ("2026-03-02T02:00:00+00:00", "America/New_York", "2026-03-02 02:00:00 UTC (2026-03-01 21:00:00 EST)"),
        ("2026-03-02T02:00:00Z", "Asia/Kathmandu", "2026-03-02 02:00:00 UTC (07:45:00 UTC+0545)"),
        ("2026-03-02T07:17:10+01:00", "UTC", "2026-03-02 06:17:10 UTC"),
        ("last tuesday", "Europe/Berlin", "last tuesday"),
    ],
)
def test_local_time_stands_beside_utc(text, zone, shown):
    assert moment_text(text, zone_of(zone)) == shown


def test_zone_that_nobody_knows_is_none():
    assert zone_of("Nowhere/Land") is None
    assert zone_of("../etc/passwd") is None


def test_station_says_its_zone_and_what_heads_its_reports(tmp_path):
    invented = load("invented_store", "report")
    station = invented.InventedStation(
        tmp_path, more='[report]\ntime_zone = "Asia/Kathmandu"\nheader = ["batch", "order"]\n'
    )
    station.close()
    found = presentation(Store(station.store))
    assert (str(found.zone), found.header) == ("Asia/Kathmandu", ("batch", "order"))
    assert str(presentation(Store(station.store), "Europe/Berlin").zone) == "Europe/Berlin"
