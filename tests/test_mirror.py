"""Tests mirror the rooms: tests/<room>/test_<module>.py, or a behaviour that tests/README.md names."""

from __future__ import annotations

import re
from functools import cache
from itertools import pairwise
from pathlib import Path

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
    return any(subject == stem or subject.startswith(f"{stem}_") for stem in stems(room))


@cache
def stems(room: str) -> set[str]:
    """Names of a room's modules."""
    return {p.stem for p in (ROOMS / room).rglob("*.py")}


def test_test_modules_are_named_after_their_modules_or_a_listed_behaviour():
    assert len(MODULES) > 100
    assert [m for m in MODULES if not mirrors(m) and m not in BEHAVIOURS] == []


def test_every_listed_behaviour_has_its_module_and_needs_its_place_in_the_list():
    assert {m for m in BEHAVIOURS if not (TESTS / m).is_file()} == set()
    assert {m for m in BEHAVIOURS if m.split("/")[0] in MIRRORED and mirrors(m)} == set()


def test_no_two_test_modules_have_the_same_name():
    names = sorted(p.name for p in TESTS.rglob("test_*.py"))
    assert [a for a, b in pairwise(names) if a == b] == [], "they are imported by their names alone"
