"""The last mutation of the decisions: no survivor without a reason, and the table says what was found."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

HERE = Path(__file__).parent / "mutation"
RESULTS = json.loads((HERE / "results.json").read_text(encoding="utf-8"))
SURVIVORS = {(m, s["before"], s["after"]) for m, found in RESULTS.items() for s in found["survivors"]}


def test_every_mutant_that_survives_has_its_reason():
    entries = tomllib.loads((HERE / "equivalent.toml").read_text(encoding="utf-8"))["mutant"]
    reasons = {(e["module"], e["before"], e["after"]): e["why"] for e in entries}
    assert sorted(SURVIVORS - {mutant for mutant, why in reasons.items() if why.strip()}) == []
    assert len(reasons) == len(entries), "each reason once"


def test_nine_of_ten_mutants_are_killed_and_the_table_says_so():
    text = (HERE / "README.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `(\S+)`(?:, changed since)? \| (\d+) \| (\d+) \| (\d+) \|$", text, re.MULTILINE)
    told = {module: tuple(map(int, counts)) for module, *counts in rows}
    counts = {m: (found["mutants"], len(found["survivors"])) for m, found in RESULTS.items()}
    assert told == {m: (made, made - left, left) for m, (made, left) in counts.items()}
    made, left = (sum(column) for column in zip(*counts.values(), strict=True))
    assert made >= 400
    assert made - left >= 0.9 * made
