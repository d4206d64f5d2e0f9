"""Tests mirror the rooms: tests/<room>/test_<module>.py, or a behaviour that tests/README.md names."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path

import pytest

TESTS = Path(__file__).parent
ROOMS = TESTS.parent / "edgeagent"
README = (TESTS / "README.md").read_text(encoding="utf-8")
MIRRORED = ("analysis", "codec", "commands", "judging", "page", "report", "rules", "service", "store")
BEHAVIOURS = set(re.findall(r"^\| `(\S+\.py)` \|", README, re.M))
MODULES = sorted(p.relative_to(TESTS).as_posix() for room in MIRRORED for p in (TESTS / room).glob("test_*.py"))


def mirrors(module: str) -> bool:
    """Whether a test module is named after a module of its room, alone or with what it is about behind it."""
    room, _, name = module.partition("/")
    subject = name.removeprefix("test_").removesuffix(".py")
    stems = {p.stem for p in (ROOMS / room).rglob("*.py")}
    return any(subject == stem or subject.startswith(f"{stem}_") for stem in stems)


@pytest.mark.parametrize("module", MODULES)
def test_test_module_is_named_after_its_module_or_a_listed_behaviour(module):
    assert mirrors(module) or module in BEHAVIOURS


def test_every_listed_behaviour_has_its_module_and_needs_its_place_in_the_list():
    assert {m for m in BEHAVIOURS if not (TESTS / m).is_file()} == set()
    assert {m for m in BEHAVIOURS if m.split("/")[0] in MIRRORED and mirrors(m)} == set()


def test_no_two_test_modules_have_the_same_name():
    names = sorted(p.name for p in TESTS.rglob("test_*.py"))
    assert [a for a, b in pairwise(names) if a == b] == [], "they are imported by their names alone"
