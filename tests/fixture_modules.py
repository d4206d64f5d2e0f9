"""Modules that are in no package, such as those beside the fixtures they make, loaded once by their path."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

FIXTURES = Path(__file__).resolve().parents[1] / "fixtures"


def load(name: str, folder: str | Path) -> ModuleType:
    """The module ``name`` of a folder of the fixtures, or of another one by its whole path."""
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, FIXTURES / folder / f"{name}.py")
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]
