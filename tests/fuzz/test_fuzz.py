"""The corpus and the first seeded mutations of every target; ``fuzz_run.py`` goes on from there."""

from __future__ import annotations

import random
import sys
from pathlib import Path

import pytest

from edgeagent.judging.evaluation.evaluate import evaluate

sys.path.insert(0, str(Path(__file__).parent))
from fuzz_mutate import mutate
from fuzz_targets import CORPUS, RULES, TARGETS, run_target, seeds_of
from fuzz_truth import KNOWN, TRUTH_NM, strict, wrong_values

MUTATIONS = 60


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


def test_known_file_is_accepted_with_the_truth_and_a_wrong_value_would_be_found():
    result = evaluate("a.txt", KNOWN, None, RULES).result
    assert result["disposition"] == "accept"
    assert (round(TRUTH_NM[2]), round(TRUTH_NM[3])) == (150, 20)
    assert wrong_values(KNOWN, result) == []
    at = result["spectrum"]["upr"].index(3)
    result["spectrum"]["amplitude_nm"][at] += 3 * result["spectrum"]["noise_nm"][at]
    assert [text[:5] for text in wrong_values(KNOWN, result)] == ["3 UPR"]


def test_strict_reader_takes_the_plain_format_to_the_letter_and_nothing_beside_it():
    assert strict(KNOWN) is not None
    row = b"0.30000,"
    assert row in KNOWN
    for old, new in (
        (row, b"0,30000,"),
        (row, b" 0.30000,"),
        (row, b"5.30000,"),
        (b"\n", b"\r\n"),
        (b"# kind", b"#kind"),
    ):
        assert strict(KNOWN.replace(old, new, 1)) is None
    changed = strict(KNOWN.replace(row, b"0.30001,", 1))
    assert changed is not None
    assert changed[1][1] == 0.30001


def test_every_folder_of_the_corpus_belongs_to_a_target():
    assert {p.name for p in CORPUS.iterdir() if p.is_dir()} <= set(TARGETS)


def test_mutations_come_again_by_their_seed():
    seeds = [b"a = 1\nb = [2, 3]\n"]
    first, second = ([mutate(seeds[0], seeds, random.Random(k)) for k in range(50)] for _ in range(2))
    assert first == second
    assert len(set(first)) > 40
