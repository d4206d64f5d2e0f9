"""Every test module is in the inner loop or out of it by a decision, and the inner loop starts no service."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest
from quick import FOLDERS, LONGEST, MODULES, TESTS, decision, long_functions

NOT_COLLECTED = {"bench", "faults", "mutation"}
TEST_MODULES = sorted(
    name
    for path in TESTS.rglob("test_*.py")
    if (name := path.relative_to(TESTS).as_posix()).split("/")[0] not in NOT_COLLECTED
)


def imported(path: Path) -> set[str]:
    """Names that a module takes from others, with the module they come from."""
    nodes = [n for n in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(n, ast.ImportFrom)]
    return {f"{node.module}.{alias.name}" for node in nodes for alias in node.names}


def test_every_test_module_is_decided():
    undecided = [module for module in TEST_MODULES if decision(module) is None]
    assert undecided == [], "say in tests/quick.py whether they are quick"


def test_quick_modules_start_no_service():
    services = {"field.Agent", "field.Broker"}
    waiting = [m for m in TEST_MODULES if decision(m) and imported(TESTS / m) & services]
    assert waiting == [], "they cannot be quick: say so in MODULES of tests/quick.py"


@pytest.mark.usefixtures("cell")
def test_test_that_asks_for_the_measuring_cell_is_not_quick_in_whatever_folder(request):
    assert decision("test_quick.py")
    assert request.node.get_closest_marker("quick") is None


def test_simulation_of_what_comes_out_over_many_seeds_is_not_quick(request):
    assert request.node.get_closest_marker("quick") is None


def test_this_test_is_quick(request):
    assert request.node.get_closest_marker("quick") is not None


def test_every_function_that_takes_long_is_there():
    gone = []
    for function in long_functions():
        module, _, name = function.partition("::")
        if not decision(module) or f"def {name}(" not in (TESTS / module).read_text(encoding="utf-8"):
            gone.append(function)
    assert gone == [], "pytest -n 0 --write-long"


def test_every_decision_is_about_something_that_is_there():
    folders = {module.split("/")[0] for module in TEST_MODULES if "/" in module}
    assert set(MODULES) <= set(TEST_MODULES)
    assert set(FOLDERS) <= folders
    assert [begin for begin in LONGEST if not any(m.startswith(begin) for m in TEST_MODULES)] == []
