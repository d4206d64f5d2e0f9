"""A store as a hall has it in the middle of a shift, made once by the real pieces. All invented."""

import sys
from pathlib import Path

import pytest
from fixture_modules import load

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture(scope="session")
def hall():
    """The module that makes such stores and speaks for their agent."""
    load("invented_store", "report")
    return load("invented_hall", "report")


@pytest.fixture(scope="session")
def hall_station(hall, tmp_path_factory):
    """A station with two parts, one of them rejected; its journal is closed."""
    station = hall.make_hall(tmp_path_factory.mktemp("hall") / "station", parts=1)
    station.close()
    return station
