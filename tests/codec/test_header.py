"""What a trace says of itself: which keys mean something, and words where one of them cannot be."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeagent.codec.traces.header import HEADER_KEYS, header_from_mapping
from edgeagent.errors import TraceFormatError

WHEN = datetime(2026, 3, 2, 9, 41, 7, tzinfo=UTC)
GOOD = {
    "trace": 1, "kind": "spiral", "part": "KX", "serial": "000412", "feature": "left-flank",
    "measured_at": WHEN,
}  # fmt: skip


def without(key):
    return {k: v for k, v in GOOD.items() if k != key}


def test_defaults_are_those_of_a_reading_along_the_normal_with_nothing_stated():
    header = header_from_mapping(GOOD)
    assert (header.part, header.serial, header.artefact) == ("KX", "000412", None)
    assert (header.sensing, header.tip_corrected, header.tip_radius_mm) == ("normal", False, None)
    assert dict(header.extra) == {}


def test_an_artefact_needs_no_part():
    stated = {k: v for k, v in GOOD.items() if k not in ("part", "serial")} | {"artefact": "MW-03"}
    assert header_from_mapping(stated).artefact == "MW-03"
    assert header_from_mapping(stated).feature == "left-flank"
    del stated["feature"]
    assert header_from_mapping(stated).feature == "artefact"


def test_offset_of_the_time_is_kept():
    east = datetime(2026, 3, 2, 10, 41, 7, tzinfo=timezone(timedelta(hours=1)))
    assert header_from_mapping(GOOD | {"measured_at": east}).measured_at == WHEN
    assert header_from_mapping(GOOD | {"measured_at": "2026-03-02T10:41:07+01:00"}).measured_at == WHEN


@pytest.mark.parametrize("key", ["trace", "kind", "feature", "measured_at", "part", "serial"])
def test_a_key_that_must_be_there_is_named(key):
    with pytest.raises(TraceFormatError, match=key):
        header_from_mapping(without(key))


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("trace", 2), ("trace", "1"), ("kind", ""), ("part", "x" * 129), ("serial", 412), ("sensing", "Normal"),
        ("tip_radius_mm", -0.001), ("track_diameter_mm", 0.0), ("lead_mm", -5.0), ("spindle_rpm", 0),
        ("tip_corrected", "yes"), ("measured_at", "yesterday"), ("remark", "x" * 513),
        ("tip_radius_mm", float("nan")), ("tip_radius_mm", float("inf")), ("track_diameter_mm", float("inf")),
        ("temperature_c", float("nan")), ("lead_mm", float("inf")), ("serial", "4\n12"), ("remark", "\x1b[31m"),
    ],
)  # fmt: skip
def test_a_value_that_cannot_be_is_refused_with_its_key(key, value):
    with pytest.raises(TraceFormatError, match=f"header {key}: "):
        header_from_mapping(GOOD | {key: value})


@pytest.mark.parametrize("key", ["part", "serial", "feature", "instrument", "operator", "order", "remark"])
@pytest.mark.parametrize(
    "unseen", ["\u202e", "\u200b", "\u2066", "\ufeff", "\u00ad", "\u2028", "\x85", "\x1b", "\U000e0041"]
)
def test_character_that_nobody_sees_is_refused_in_any_name(key, unseen):
    with pytest.raises(TraceFormatError, match=f"header {key}: control characters or invisible ones") as found:
        header_from_mapping(GOOD | {key: f"AB{unseen}12"})
    assert str(found.value).isprintable()


@pytest.mark.parametrize("text", ["Müller-Ø 5 µm", "Ø12×5 №3", "ΩΦ-1", "A\u030a 1", "шариковый винт"])
def test_names_in_any_script_pass(text):
    header = header_from_mapping(GOOD | {"part": text, "serial": text, "operator": text})
    assert (header.part, header.serial, header.operator) == (text, text, text)


def test_time_without_an_offset_is_refused_with_an_example():
    with pytest.raises(TraceFormatError, match="no offset from UTC; expected for example 2026-03-02T09:41:07Z"):
        header_from_mapping(GOOD | {"measured_at": datetime(2026, 3, 2, 9, 41)})  # noqa: DTZ001


@pytest.mark.parametrize("also", [{"part": "KX"}, {"serial": "1"}, {"part": "KX", "serial": "1"}])
def test_part_and_artefact_at_once_are_a_contradiction(also):
    stated = {k: v for k, v in GOOD.items() if k not in ("part", "serial")} | {"artefact": "MW-03", **also}
    with pytest.raises(TraceFormatError, match="both a part and an artefact"):
        header_from_mapping(stated)


@given(st.dictionaries(st.text(max_size=80), st.one_of(st.text(max_size=300), st.integers()), max_size=70))
def test_foreign_keys_are_carried_along_within_bounds(found):
    foreign = {k: v for k, v in found.items() if k not in HEADER_KEYS}
    extra = header_from_mapping(GOOD | foreign).extra
    assert len(extra) <= 64
    assert all(len(k) <= 64 and len(v) <= 256 for k, v in extra.items())
    for key, value in list(foreign.items())[:40]:
        assert extra[key[:64]] == str(value)[:256] or len(key) > 64
