"""Values of the pure rooms never change once they are made: whoever holds one may pass it on."""

from __future__ import annotations

import dataclasses
import importlib
from pathlib import Path

import msgspec
import pytest

ROOT = Path(__file__).parent.parent
PURE = ("analysis", "rules", "codec", "judging")
PATHS = [p for room in PURE for p in sorted((ROOT / "edgeagent" / room).rglob("*.py")) if p.stem != "__init__"]
MODULES = ["edgeagent/model.py", *(p.relative_to(ROOT).as_posix() for p in PATHS)]


def own_classes(module: str) -> list[type]:
    loaded = importlib.import_module(module.removesuffix(".py").replace("/", "."))
    return [c for c in vars(loaded).values() if isinstance(c, type) and c.__module__ == loaded.__name__]


def may_change(found: type) -> bool:
    """Whether a record's members can be exchanged, or others added to it."""
    if dataclasses.is_dataclass(found):
        return not found.__dataclass_params__.frozen or "__slots__" not in vars(found)
    return issubclass(found, msgspec.Struct) and not found.__struct_config__.frozen


@pytest.mark.parametrize("module", MODULES)
def test_values_of_a_module_never_change(module):
    assert [c.__name__ for c in own_classes(module) if may_change(c)] == []
