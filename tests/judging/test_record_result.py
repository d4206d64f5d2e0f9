"""A measurement's record against its archived result: what is otherwise is named. Invented parts."""

from __future__ import annotations

import json
from functools import cache

import pytest
from field import ROOT, spiral_text
from msgspec import UNSET
from msgspec.structs import replace

from edgeagent.codec.records.record import decode_body, encode_body
from edgeagent.codec.records.result import encode
from edgeagent.judging import bodies
from edgeagent.judging.evaluation.evaluate import Rulebook, evaluate
from edgeagent.judging.replaying.record_result import result_mismatches
from edgeagent.model import Disposition
from edgeagent.model.reasons import Code, reason
from edgeagent.model.records import FailedCheck, Measurement, Source
from edgeagent.store.configuration import load_configuration

STATION = load_configuration(ROOT / "config" / "agent.toml")
SOURCE = Source(name="a.txt", folder="inbox", sha256="ab" * 32, bytes=4, look=(4, 1, 1, 1))


@cache
def written():
    """A measurement that is held as record, and its result as the archive holds it."""
    text = spiral_text(waves_nm={37: 90.0}, points_per_turn=1200)
    found = evaluate("a.txt", text.encode(), None, Rulebook.of(STATION))
    body = bodies.measurement_body(5.0, SOURCE, found, STATION, "cd" * 32, 6.0)
    body = decode_body("measurement", encode_body(body))
    assert isinstance(body, Measurement)
    assert body.disposition == Disposition.HOLD
    return body, json.loads(encode({**found.result, "source": {"sha256": SOURCE.sha256}}))


def mismatches(stored=None, **members):
    body, result = written()
    return list(result_mismatches(replace(body, **members), json.dumps(stored or result).encode()))


def test_record_and_result_of_one_evaluation_agree():
    assert mismatches() == []
    _, result = written()
    assert mismatches({k: v for k, v in result.items() if k != "source"}) == []


def test_disposition_that_is_not_that_of_the_result_is_named():
    body, _ = written()
    was = body.disposition.value
    assert mismatches(disposition=Disposition.ACCEPT) == [f"journal says accept, archived result {was}"]


def test_result_of_another_file_is_named():
    body, _ = written()
    other = replace(body.source, sha256="ef" * 32)
    (said,) = mismatches(source=other)
    assert said == f"the result is of the source {'ab' * 6}, the record names {'ef' * 32}"


def test_members_of_the_trace_that_are_otherwise_are_named():
    body, _ = written()
    assert mismatches(trace=replace(body.trace, serial="2", points=11)) == [
        "trace: serial, points not as in the archived result"
    ]


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"factor": 1 + 1e-12}, False),
        ({"factor": 1 + 1e-6}, True),
        ({"value": None}, True),
        ({"unit": "mm"}, True),
        ({"verdict": "unjudged"}, True),
        ({"instance": "invented"}, True),
    ],
    ids=["last digit", "value", "no value", "unit", "verdict", "unknown"],
)
def test_value_that_is_otherwise_beyond_rounding_is_named(change, named):
    body, _ = written()
    first, *others = body.characteristics
    if "factor" in change:
        change = {"value": first.value * change["factor"]}
    changed = replace(first, **change)
    said = f"{changed.name} {changed.instance}".strip() + ": not as in the archived result"
    assert mismatches(characteristics=(changed, *others)) == ([said] if named else [])


def test_failed_check_that_the_result_passes_is_named():
    body, result = written()
    passed = next(c["check"] for c in result["quality"] if c["ok"])
    more = (*body.quality_failed, FailedCheck(passed, ""))
    assert mismatches(quality_failed=more) == [
        f"check {passed}: failed by the record, not by the archived result"
    ]


def test_reason_that_the_result_does_not_give_is_named_where_it_gives_any():
    body, result = written()
    more = (*body.reason_codes, reason(Code.NO_RECIPE, part="Q"))
    assert mismatches(reason_codes=more) == [f"reason {Code.NO_RECIPE}: not in the archived result"]
    assert mismatches(reason_codes=UNSET) == []
    old = {k: v for k, v in result.items() if k != "reason_codes"}
    assert mismatches(old, reason_codes=more) == []


def test_result_of_another_version_says_nothing_and_bytes_that_are_none_say_so():
    body, result = written()
    assert mismatches({**result, "schema": "edgeagent.result/9"}) == []
    (said,) = result_mismatches(body, b"no JSON")
    assert said.startswith("archived result: ")
