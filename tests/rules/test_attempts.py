"""When a file is given up, and what is said of it."""

from __future__ import annotations

import pytest

from edgeagent.rules.files.attempts import Cause, Failure, given_up, reason_of

OWN = [cause for cause in Cause if cause is not Cause.INTERRUPTED]


def failed(*causes: Cause) -> list[Failure]:
    return [Failure(cause, f"by {cause.value}") for cause in causes]


@pytest.mark.parametrize("cause", OWN)
def test_one_failure_is_no_reason_to_give_up_and_two_are(cause):
    assert not given_up(failed(cause))
    assert given_up(failed(cause, cause))
    assert given_up(failed(cause, cause, cause)), "as after an update that allows fewer"


def test_two_failures_of_different_causes_are_two():
    assert given_up(failed(Cause.TIME, Cause.MEMORY))


def test_agent_that_is_stopped_by_others_again_and_again_gives_no_file_up_before_the_fifth_time():
    assert not given_up(failed(*[Cause.INTERRUPTED] * 4))
    assert not given_up(failed(*[Cause.INTERRUPTED] * 4, Cause.DIED))
    assert given_up(failed(*[Cause.INTERRUPTED] * 5))
    assert given_up(failed(*[Cause.INTERRUPTED] * 6))


def test_file_without_failures_is_not_given_up():
    assert not given_up([])


def test_reason_counts_attempts_and_names_each_cause_once():
    assert reason_of(failed(Cause.TIME, Cause.TIME)) == "no result after 2 attempts: by time (2 times)"
    assert reason_of(failed(Cause.TIME, Cause.DIED)) == "no result after 2 attempts: by time; by died"
