"""Which tests are the inner loop, ``pytest -m quick``, and in which order the whole suite runs.

One decision a folder, with exceptions by module. A quick test starts no service and no broker, simulates no
distributions, goes through no corpus and takes at most LONG_S of processor time; all of them together take at
most 40 s on two cores. `test_quick.py` asks for a decision on whatever is new, and
``pytest -n 0 --write-long`` measures anew which functions take longer.
"""

from __future__ import annotations

import gc
import os
from collections.abc import Iterable, Iterator
from functools import cache
from itertools import zip_longest
from pathlib import Path

import pytest

TESTS = Path(__file__).resolve().parent
QUICK, WHOLE = True, False
FOLDERS = {
    "analysis": QUICK,
    "codec": QUICK,
    "judging": QUICK,
    "rules": QUICK,
    "store": QUICK,
    "commands": WHOLE,
    "deploy": WHOLE,
    "page": WHOLE,
    "fuzz": WHOLE,
    "report": WHOLE,
    "service": WHOLE,
}
MODULES = {
    "analysis/test_stylus_contact.py": WHOLE,
    "codec/test_awkward_exports.py": WHOLE,
    "store/test_cluster.py": WHOLE,
    "store/test_replay_simd.py": WHOLE,
    "store/test_sealed.py": WHOLE,
    "store/test_verify_attacks.py": WHOLE,
    "test_demo.py": WHOLE,
    "test_guards.py": WHOLE,
    "test_house.py": QUICK,
    "test_mirror.py": QUICK,
    "test_mutation.py": QUICK,
    "test_quick.py": QUICK,
    "test_readme.py": WHOLE,
    "test_values.py": QUICK,
}
"""Modules beside the folders, and those that are unlike the rest of their folder."""
SIMULATIONS = (
    *("scatter", "seeds", "monte_carlo", "often", "hardly_ever", "hardly_one", "by_chance", "false_alarms"),
    *("from_the_truth", "stated_risk", "good_parts", "how_far", "forty_grooves"),
)
"""Words in the names of tests that draw many samples, to compare what is stated with what comes out."""
LONG_S = 0.15
"""Processor time of one case, from which on its test function waits for the whole suite."""
LONG_FILE = TESTS / "long_tests.txt"
"""Functions of quick modules that take longer, a line each."""
LONGEST = (
    *("test_demo.py", "service/test_delivery_faults.py", "report/test_pages.py", "service/test_notary.py"),
    *("analysis/test_harmonics.py", "service/test_line.py", "analysis/test_axial.py", "service/test_worker.py"),
)
"""What begins first, so that no worker is left alone with it at the end."""
WAITING = ("service/", "deploy/", "page/")
"""Modules that mostly wait for processes: one of them begins for each that computes."""
SERVICE = "cell"
"""The fixture that starts brokers and services."""


def decision(module: str) -> bool | None:
    """Whether a test module, named from the folder of the tests, is quick; None where nobody has decided."""
    return MODULES.get(module, FOLDERS.get(module.split("/")[0]))


@cache
def name_of(path: Path) -> str:
    """A test module's name from the folder of the tests."""
    return path.relative_to(TESTS).as_posix() if path.is_relative_to(TESTS) else path.name


def module_of(item: pytest.Item) -> str:
    return name_of(item.path)


def waits(item: pytest.Item) -> bool:
    """Whether a test of a quick module takes long all the same: for a service, or for many samples."""
    simulates = any(word in item.name.split("[")[0] for word in SIMULATIONS)
    return simulates or SERVICE in getattr(item, "fixturenames", ())


@cache
def long_functions() -> frozenset[str]:
    """What LONG_FILE lists, as ``folder/test_module.py::test_function``."""
    return frozenset(LONG_FILE.read_text(encoding="utf-8").split())


def function_of(item: pytest.Item) -> str:
    return f"{module_of(item)}::{item.name.split('[')[0]}"


def pytest_addoption(parser: pytest.Parser) -> None:
    told = "run quick tests and those that only take too long for it, and list the latter anew"
    parser.addoption("--write-long", action="store_true", help=told)


class LongTests:
    """Plugin that lists the tests which take long, by processor time, that of ended children included."""

    def __init__(self) -> None:
        self._long: set[str] = set()

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        before = sum(os.times()[:4])
        done = yield
        if sum(os.times()[:4]) - before > LONG_S:
            self._long.add(function_of(item))
        return done

    def pytest_sessionfinish(self) -> None:
        LONG_FILE.write_text("".join(f"{name}\n" for name in sorted(self._long)), encoding="utf-8")


def pytest_configure(config: pytest.Config) -> None:
    if config.option.write_long:
        config.pluginmanager.register(LongTests())
    config.addinivalue_line("markers", "quick: the inner loop; given by tests/quick.py, never by hand")


def only_quick(config: pytest.Config) -> bool:
    """Whether quick tests are asked for and nothing else."""
    return bool(config.option.markexpr == "quick")


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Leave modules without a quick test unread where only quick ones are asked for."""
    if not only_quick(config) or not collection_path.is_relative_to(TESTS):
        return None
    name = collection_path.relative_to(TESTS).as_posix()
    if collection_path.is_dir():
        return True if FOLDERS.get(name) is WHOLE else None
    return True if decision(name) is WHOLE else None


def in_turn(modules: Iterable[str]) -> list[str]:
    """The longest modules first, then by turns one that waits and one that computes: no core is idle."""
    rest = list(modules)
    first = [module for module in LONGEST if module in rest]
    rest = [module for module in rest if module not in first]
    waiting = [module for module in rest if module.startswith(WAITING)]
    computing = [module for module in rest if not module.startswith(WAITING)]
    pairs = zip_longest(waiting, computing)
    return [*first, *(module for pair in pairs for module in pair if module is not None)]


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Mark the quick tests and put the modules into the order in which they are to begin."""
    for item in items:
        if decision(module_of(item)) and not waits(item) and function_of(item) not in long_functions():
            item.add_marker("quick")
    turns = {module: turn for turn, module in enumerate(in_turn(dict.fromkeys(map(module_of, items))))}
    items.sort(key=lambda item: turns[module_of(item)])
    if config.option.write_long:
        items[:] = [i for i in items if decision(module_of(i)) and not waits(i)]


def pytest_collection_finish() -> None:
    """Let no later collection of garbage walk through thousands of tests and all loaded libraries again."""
    gc.collect()
    gc.freeze()


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Workers for ``-n auto``: none for a few named modules, one a core for quick tests, else three more.

    Many tests wait for processes most of the time, which leaves the cores to three more workers.
    """
    named = [Path(arg.split("::")[0]) for arg in config.args]
    if all(path.is_file() for path in named):
        return 0
    return (os.cpu_count() or 1) + (0 if only_quick(config) else 3)
