"""The corpus and the first seeded mutations of every target; ``fuzz_run.py`` goes on from there."""

from __future__ import annotations

import random
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from fuzz_mutate import mutate
from fuzz_targets import CORPUS, TARGETS, run_target, seeds_of

MUTATIONS = 150


@pytest.mark.parametrize("name", TARGETS)
def test_seed_is_taken_as_it_stands(name):
    for data in TARGETS[name].seeds[:1]:
        TARGETS[name].run(data)


@pytest.mark.parametrize("name", TARGETS)
def test_what_was_found_before_and_mutations_end_in_a_result_or_a_documented_refusal(name):
    seeds, source = seeds_of(name), random.Random(name)
    for data in seeds:
        run_target(name, data)
    for _ in range(MUTATIONS):
        run_target(name, mutate(source.choice(seeds), seeds, source))


def test_every_folder_of_the_corpus_belongs_to_a_target():
    assert {p.name for p in CORPUS.iterdir() if p.is_dir()} <= set(TARGETS)


def test_mutations_come_again_by_their_seed():
    seeds = [b"a = 1\nb = [2, 3]\n"]
    first, second = ([mutate(seeds[0], seeds, random.Random(k)) for k in range(50)] for _ in range(2))
    assert first == second
    assert len(set(first)) > 40
