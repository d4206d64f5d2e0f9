"""May anything be accepted now? The last verification of the instrument decides."""

from __future__ import annotations

from dataclasses import replace

import pytest

from edgeagent.rules.gate import Verified, closed_reason

AT = 1_770_000_000.0
LAST = Verified("MW-03", True, AT, 12)


def reason(last=LAST, *, age_h=1.0, max_age_h=24.0, artefact="MW-03"):
    return closed_reason(last, artefact, max_age_h, "gauge-1", AT + 3600 * age_h)


def test_fresh_and_passed_verification_opens_the_gate():
    assert reason() is None
    assert reason(age_h=24.0) is None


def test_without_an_age_there_is_no_gate():
    assert reason(None, max_age_h=None) is None
    assert reason(replace(LAST, passed=False), max_age_h=None) is None


@pytest.mark.parametrize(
    ("last", "options", "words"),
    [
        (None, {}, "has never been verified with artefact MW-03"),
        (replace(LAST, passed=False), {}, "failed"),
        (LAST, {"age_h": 24.01}, "24.0 h old, allowed are 24 h"),
        (LAST, {"age_h": -1.0}, "1.0 h in the future"),
        (LAST, {"artefact": "MW-04"}, "with artefact MW-03, wanted is MW-04"),
    ],
)  # fmt: skip
def test_closed_gate_says_why_and_for_which_instrument(last, options, words):
    found = reason(last, **options)
    assert found is not None
    assert words in found
    assert "gauge-1" in found


def test_clocks_that_differ_by_minutes_are_forgiven():
    assert reason(age_h=-0.05) is None
