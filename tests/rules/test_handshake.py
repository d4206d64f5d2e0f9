"""The part at the station: an announcement is understood or refused, and an old disposition never counts."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from edgeagent.model import Disposition
from edgeagent.model.records import PartSource
from edgeagent.rules.line.handshake import (
    Expected,
    decision_on,
    read_expected,
    read_expected_text,
    station_of,
    station_text,
)
from edgeagent.rules.part_set import FeatureResult, PartSet

NOW, LIVE_S = 1000.0, 60.0
ANNOUNCED = Expected("P", "412", "n-1", NOW)


def measured_at(settled_at, disposed=Disposition.ACCEPT, feature="left"):
    source = PartSource(feature=feature, name="a.txt", sha256="0" * 64, instrument="gauge-1", seq=7)
    result = FeatureResult(feature, 7, Disposition.ACCEPT, (), source, (), settled_at)
    seq = None if disposed is None else 8
    return PartSet("P", "412", ("left", "right"), {feature: result}, disposed, seq)


def test_announcement_is_read_from_json_and_from_fixed_width_text():
    said = {"part": "P", "serial": "412", "nonce": "n-1"}
    assert read_expected(json.dumps(said).encode(), NOW) == ANNOUNCED
    assert read_expected(json.dumps({**said, "nonce": 17}).encode(), NOW).nonce == "17"
    assert read_expected_text(f"{'P':<32}{'412':<32}{'n-1':<16}".encode(), NOW) == ANNOUNCED


@pytest.mark.parametrize(
    ("payload", "problem"),
    [
        (b"", "not understood"),
        (b"[]", "not understood"),
        (b"\xff", "not understood"),
        (b'{"part": "P", "nonce": "1"}', "serial missing"),
        (b'{"part": "", "serial": "1", "nonce": "1"}', "part missing"),
        (b'{"part": "P", "serial": "' + b"9" * 200 + b'", "nonce": "1"}', "serial longer than 128"),
    ],
)
def test_announcement_that_names_no_part_is_refused_and_never_guessed(payload, problem):
    expected = read_expected(payload, NOW)
    assert problem in (expected.problem or "")
    assert decision_on(expected, measured_at(NOW + 1), NOW + 2, LIVE_S) is None
    assert problem in station_of(expected, PartSet("", ""), None)["waiting_for"][0]


@pytest.mark.parametrize("size", [0, 79, 81])
def test_text_of_another_width_is_refused(size):
    assert "wanted are 80" in (read_expected_text(b" " * size, NOW).problem or "")


def test_part_is_undecided_until_a_file_that_settled_since_decided_it():
    for known in (PartSet("P", "412"), measured_at(NOW + 1, None), measured_at(NOW - 1)):
        assert decision_on(ANNOUNCED, known, NOW + 2, LIVE_S) is None
    assert decision_on(ANNOUNCED, measured_at(NOW + 1), NOW + 2, LIVE_S) == (Disposition.ACCEPT, NOW + 61)


def test_disposition_ceases_to_act_when_its_time_is_over_or_a_file_came_that_is_not_decided_yet():
    known = measured_at(NOW + 1)
    assert decision_on(ANNOUNCED, known, NOW + 61, LIVE_S) is not None
    assert decision_on(ANNOUNCED, known, NOW + 61.1, LIVE_S) is None
    assert decision_on(ANNOUNCED, replace(known, remeasured=("left",)), NOW + 2, LIVE_S) is None


def test_station_names_what_it_waits_for():
    assert station_of(ANNOUNCED, PartSet("P", "412"), None)["waiting_for"] == ["a first trace of this part"]
    waiting = station_of(ANNOUNCED, measured_at(NOW + 1, None), None)
    assert (waiting["waiting_for"], waiting["disposition"], waiting["nonce"]) == (["right"], None, "n-1")
    decided = station_of(ANNOUNCED, measured_at(NOW + 1), (Disposition.ACCEPT, NOW + 61))
    assert (decided["waiting_for"], decided["disposition"], decided["record"]) == ([], "accept", 8)


def test_text_has_the_same_answer_byte_by_byte():
    decided = station_of(ANNOUNCED, measured_at(NOW + 1), (Disposition.REJECT, NOW + 61))
    text = station_text(decided, False, 300_000_058)
    assert len(text) == 97
    assert text[:16] == b"n-1             "
    assert (text[16:48].strip(), text[48:80].strip(), text[80:81]) == (b"P", b"412", b"1")
    assert text[81:] == b"300000058       "
    undecided = station_of(ANNOUNCED, PartSet("P", "412"), None)
    assert station_text(undecided, False, 1)[80:] == b"-" + b" " * 16
    assert station_text(undecided, True, 1)[80:81] == b"?"


@pytest.mark.parametrize("key", ["part", "serial", "nonce"])
def test_text_of_128_characters_is_taken_and_a_longer_one_is_refused(key):
    said = {"part": "P", "serial": "412", "nonce": "n-1"}
    assert read_expected(json.dumps({**said, key: "x" * 128}).encode(), NOW).problem is None
    assert read_expected(json.dumps({**said, key: "x" * 129}).encode(), NOW).problem is not None
