"""A store as a hall has it in the middle of a shift, made once by the real pieces. All invented."""

import importlib.util
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
ROOT = Path(__file__).resolve().parents[2]


def _load(name: str, path: Path):
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, path)
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(scope="session")
def hall():
    """The module that makes such stores and speaks for their agent."""
    _load("invented_store", ROOT / "fixtures" / "report" / "invented_store.py")
    return _load("invented_hall", ROOT / "fixtures" / "report" / "invented_hall.py")


@pytest.fixture(scope="session")
def hall_station(hall, tmp_path_factory):
    """A station with two parts, one of them rejected; its journal is closed."""
    station = hall.make_hall(tmp_path_factory.mktemp("hall") / "station", parts=1)
    station.close()
    return station
