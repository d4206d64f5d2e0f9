"""No trap of an export is walked into silently: it is read right, asked about, or refused."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from fixture_modules import load

from edgeagent.codec.proposals.layout import LayoutProposal, propose_layout
from edgeagent.errors import InputError

made = load("export_families", ".")
COLUMNS = (
    *("angle", "unit of the angle", "turns", "deviation", "unit of the deviation", "decimal mark", "factor"),
    *("delimiter", "data end", "direction of the angle", "missing samples", "table", "encoding"),
)
"""Findings that are about the columns."""
KEYS = {"part": "KX-2005-R", "serial": "000412", "feature": "left-flank"}


def asks(proposal: LayoutProposal) -> bool:
    """Whether the columns, their numbers or what the part is are left to a person."""
    opened = any(key.startswith(("column", "text", "data", "constants")) for key, _ in proposal.fill_in)
    return opened or any(not f.sure and f.what in COLUMNS for f in proposal.findings)


def key_is_right(proposal: LayoutProposal, key: str, wanted: object) -> bool:
    """Whether a header key is read as meant, left open or called unsure."""
    found = getattr(proposal.trace.header, key)
    right = found == pytest.approx(wanted) if isinstance(wanted, float) else found == wanted
    if key == "feature" and len(proposal.traces) > 1:
        return len({trace.header.feature for trace in proposal.traces}) == len(proposal.traces)
    opened = any(f" {key}:" in name or name == f"constants: {key}" for name, _ in proposal.fill_in)
    return right or opened or any(not f.sure and f.what == key for f in proposal.findings)


def reads_the_truth(family, proposal: LayoutProposal) -> bool:
    """Whether angle and deviation are what was written; lost samples are lost and nothing else."""
    if not family.joined:
        traces = [trace.columns["deviation_um"] for trace in proposal.traces]
        return len(traces) == 3 and np.allclose(np.concatenate(traces), made.DEVIATION_UM, atol=2e-3)
    angle_deg, deviation_um = (proposal.trace.columns[name] for name in ("angle_deg", "deviation_um"))
    if proposal.trace.points != made.COUNT:
        return False
    lost = np.isnan(deviation_um)
    return (
        np.allclose(angle_deg, made.ANGLE_DEG, atol=0.02)
        and np.allclose(deviation_um[~lost], made.DEVIATION_UM[~lost], atol=2e-3)
        and np.count_nonzero(lost) == (3 if family.name.startswith("lost") else 0)
    )


FAMILIES = {family.name: family for family in made.FAMILIES}


@cache
def outcome(name: str) -> str:
    """right, asked, refused or silently wrong."""
    family = FAMILIES[name]
    try:
        proposal = propose_layout("000412.txt", family.data, family.kind)
    except InputError:
        return "refused"
    keys = all(key_is_right(proposal, key, wanted) for key, wanted in (KEYS | family.header).items())
    if keys and asks(proposal):
        return "asked"
    return "right" if keys and family.told and reads_the_truth(family, proposal) else "silently wrong"


@pytest.mark.parametrize("family", made.FAMILIES, ids=lambda family: family.name)
def test_export_is_read_right_or_asked_about(family):
    assert outcome(family.name) in (("right", "asked", "refused") if family.told else ("asked", "refused"))


def test_most_exports_that_tell_what_they_mean_are_read_right():
    outcomes = [outcome(family.name) for family in made.FAMILIES if family.told]
    assert len(made.FAMILIES) >= 60
    assert len(FAMILIES) == len(made.FAMILIES)
    assert outcomes.count("right") >= 0.85 * len(outcomes)
