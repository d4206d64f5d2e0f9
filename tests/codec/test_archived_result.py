"""A full result read again from the archive, or why not."""

import json

import msgspec
import pytest
from records import CHARACTERISTIC, TRACE, body_of

from edgeagent.codec.records.archived_result import ArchivedResult, decode_result, result_of_record
from edgeagent.model import Verdict
from edgeagent.model.records import Measurement

CHECK = {"check": "spikes", "ok": False, "value": 3.0, "allowed": 0.0, "unit": "1", "note": "3 samples"}
LINES = ("amplitude_nm", "phase_deg", "noise_nm", "upper_nm", "caution_nm")
SPECTRUM = {"upr": [1, 2]} | {name: [1.5, None] for name in LINES}
RESULT = {
    "schema": "edgeagent.result/1", "source": {"name": "a.txt"}, "trace": TRACE | {"part": "P", "serial": "1"},
    "recipe": None, "software": {"version": "0"}, "quality": [CHECK], "characteristics": [CHARACTERISTIC],
    "spectrum": SPECTRUM, "disposition": "hold", "reasons": ["spikes: 3 samples"], "details": {"factor": 0.7},
}  # fmt: skip


def test_members_that_a_reader_needs_come_back_typed():
    result = decode_result(json.dumps(RESULT).encode())
    assert result.characteristics[0].verdict is Verdict.CONFORMING
    assert result.quality[0].note == "3 samples"
    assert result.spectrum.amplitude_nm == (1.5, None)
    assert (result.trace.of_part, result.details["factor"]) == (("P", "1"), 0.7)


def test_members_of_a_later_version_are_passed_over():
    assert isinstance(decode_result(json.dumps(RESULT | {"weather": "rain"}).encode()), ArchivedResult)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (json.dumps(RESULT | {"schema": "edgeagent.result/2"}).encode(), "another version wrote it"),
        (json.dumps(RESULT | {"characteristics": [{"name": "x"}]}).encode(), "not a result"),
        (json.dumps({k: v for k, v in RESULT.items() if k != "trace"}).encode(), "not a result"),
        (b"", "not a result"),
        (b"\xff\xfe", "not a result"),
        (b"[" * 100_000, "not a result"),
        (b"[]", "not a result"),
    ],
)
def test_what_is_no_result_of_this_version_says_why(data, words):
    with pytest.raises(ValueError, match=words):
        decode_result(data)


def test_record_alone_gives_its_own_values_without_spectrum():
    body = body_of("measurement", {"characteristics": [{"value": 2.0}], "quality_failed": [{"note": "seen"}]})
    assert isinstance(body, Measurement)
    result = result_of_record(body)
    assert (result.characteristics, result.spectrum) == (body.characteristics, None)
    assert [(c.ok, c.note) for c in result.quality] == [(False, "seen")]
    assert msgspec.json.encode(result.details) == b"{}"
