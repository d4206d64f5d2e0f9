"""Awkward exports are read right, asked about or refused: never read as something else without a doubt."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from fixture_modules import load
from test_export_families import KEYS, asks, key_is_right

from edgeagent.codec.proposals.layout import LayoutProposal, propose_layout
from edgeagent.errors import InputError

made = load("export_families_awkward", ".")
NAMED = {family.name: family for family in made.FAMILIES}


def reads_the_truth(family, proposal: LayoutProposal) -> bool:
    """Whether every trace is what was written, no more and no fewer; lost samples are lost and nothing else."""
    wanted = {feature or family.feature: columns for feature, columns in family.traces.items()}
    found = {trace.header.feature: trace.columns for trace in proposal.traces}
    return found.keys() == wanted.keys() and all(
        _equal(found[feature], wanted[feature], family.lost) for feature in wanted
    )


def _equal(found, wanted, lost) -> bool:
    if found.keys() != wanted.keys() or any(len(found[name]) != len(wanted[name]) for name in wanted):
        return False
    for name, values in wanted.items():
        gone = np.isnan(found[name])
        if name != "angle_deg" and sorted(np.flatnonzero(gone)) != sorted(lost):
            return False
        if not np.allclose(found[name][~gone] - found[name][0], values[~gone] - values[0], atol=2e-3):
            return False  # angles may be counted from another turn
    return True


@cache
def outcome(name: str) -> str:
    """right, asked, refused or silently wrong."""
    family = NAMED[name]
    try:
        proposal = propose_layout("000412.txt", family.data, family.kind)
    except InputError:
        return "refused"
    keys = KEYS | family.header
    if family.feature is None:
        keys = {k: v for k, v in keys.items() if k != "feature"}
    right = all(key_is_right(proposal, key, wanted) for key, wanted in keys.items())
    if right and (asks(proposal) or any(not f.sure and f.what in keys for f in proposal.findings)):
        return "asked"
    return "right" if right and family.told and reads_the_truth(family, proposal) else "silently wrong"


@pytest.mark.parametrize("family", made.FAMILIES, ids=lambda family: family.name)
def test_awkward_export_is_read_right_or_asked_about(family):
    assert outcome(family.name) in (("right", "asked", "refused") if family.told else ("asked", "refused"))


def test_most_awkward_exports_that_tell_what_they_mean_are_read_right():
    told = [outcome(family.name) for family in made.FAMILIES if family.told]
    assert len(NAMED) == len(made.FAMILIES) >= 60
    assert told.count("right") >= 0.9 * len(told)
