"""Journal lines: what is written is what is read, and no single bit can change unseen."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace
from records import body_of, line_of

from edgeagent.codec.records.record import (
    GENESIS,
    KINDS,
    LINE_BYTES_MAX,
    Place,
    RecordError,
    check_follows,
    decode_record,
    encode_body,
    encode_record,
)
from edgeagent.judging.memory import Memory
from edgeagent.model.records import Unknown

TIME = "2026-11-25T10:00:00.000001Z"
TEXT = st.text(st.characters(blacklist_categories=("Cs",)), max_size=40)
VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | TEXT,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXT, inner, max_size=4),
    max_leaves=20,
)


@given(
    st.integers(1, 10**12),
    st.sampled_from([*sorted(KINDS), "guess"]),
    st.dictionaries(TEXT, VALUES, max_size=5),
)
def test_any_body_reads_back_verbatim_and_stops_no_reader(seq, kind, body):
    line, digest = line_of(seq, TIME, kind, GENESIS, body)
    record = decode_record(line[:-1])
    assert (record.seq, record.kind, record.hash, json.loads(record.raw)) == (seq, kind, digest, body)
    assert type(record.body).__name__ == "Unknown" or kind == record.body.KIND
    Memory({}, None, live_s=60.0, latches=True).visit(record, Place("1.jsonl", 0))


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_record_reads_back_as_it_was_written(kind):
    line, record = encode_record(7, TIME, GENESIS, body_of(kind))
    assert line.endswith(b"\n")
    assert decode_record(line[:-1]) == record
    assert (record.kind, json.loads(record.raw)) == (kind, json.loads(line)["body"])


def test_any_flipped_bit_of_a_line_is_noticed():
    body = body_of("recovery", {"what": "teil-ü", "reason": "1.25, [1, null]"})
    line, _ = encode_record(7, TIME, "a" * 64, body)
    line = line[:-1]
    for place in range(len(line)):
        for bit in range(8):
            damaged = bytearray(line)
            damaged[place] ^= 1 << bit
            with pytest.raises(RecordError):
                decode_record(bytes(damaged))


def test_hash_is_recomputed_from_the_written_definition_alone():
    body = body_of("recovery", {"what": "x", "reason": 'with ,"hash":" inside'})
    line, record = encode_record(1, TIME, GENESIS, body)
    head, _, _ = line.rpartition(b',"hash":')
    assert hashlib.sha256(head).hexdigest() == json.loads(line)["hash"] == record.hash
    assert list(json.loads(line)) == ["seq", "time", "kind", "prev", "body", "hash"]


@pytest.mark.parametrize(
    "head",
    [
        b'{"seq":1,"time":"t","kind":"start","prev":"p","body":[1]',
        b'{"seq":1,"time":"t","kind":"start","prev":"p"',
        b'{"seq":"1","time":"t","kind":"start","prev":"p","body":{}',
        b'{"time":"t","seq":1,"kind":"start","prev":"p","body":{}',
        b'{"seq":1,"time":"t","kind":"start","prev":"p","body":{},"more":1',
        b'{"seq":' + b"9" * 5000 + b',"time":"t","kind":"start","prev":"p","body":{}',
        b'{"seq":1,"time":"t","kind":"start","prev":"p","body":{"a":' + b"[" * 3000 + b"]" * 3000 + b"}",
        b"\xff\xfe",
    ],
)  # fmt: skip
def test_line_of_a_right_hash_that_is_no_record_is_named_and_nothing_else_is_raised(head):
    line = head + b',"hash":"' + hashlib.sha256(head).hexdigest().encode() + b'"}'
    try:
        record = decode_record(line)
    except RecordError:
        return
    assert type(record.body).__name__ == "Unknown"  # JSON of a depth that is nobody's, under a right name


@pytest.mark.parametrize(
    ("message", "digest"),
    [
        # FIPS 180-4 example, remembered and recomputed.
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        # NIST CAVP SHA256ShortMsg, as shipped in the package cryptography-vectors.
        (bytes.fromhex("d3"), "28969cdfa74a12c82f3bad960b0b000aca2ac329deea5c2328ebc6f2ba9802c1"),
        (bytes.fromhex("11af"), "5ca7133fa735326081558ac312c620eeca9970d1e70a4b95533d956f072d1f98"),
        (bytes.fromhex("b4190e"), "dff2e73091f6c05e528896c4c831b9448653dc2ff043528f6769437bc7b975c2"),
    ],
)
def test_the_hash_function_is_sha256(message, digest):
    from edgeagent.codec.records.digest import digest_of

    assert digest_of(message) == digest


def test_record_that_is_too_long_is_refused():
    with pytest.raises(RecordError, match="at most 8192"):
        encode_record(1, TIME, GENESIS, body_of("recovery", {"what": "x", "reason": "x" * LINE_BYTES_MAX}))


def test_record_of_another_version_is_shown_but_never_written():
    line, _ = line_of(1, TIME, "guess", GENESIS, {"of": "a later version"})
    record = decode_record(line[:-1])
    assert isinstance(record.body, Unknown)
    with pytest.raises(RecordError, match="another version"):
        encode_record(2, TIME, record.hash, record.body)


def test_chain_notices_a_gap_and_a_foreign_predecessor():
    _, first = encode_record(1, TIME, GENESIS, body_of("start"))
    _, second = encode_record(2, TIME, first.hash, body_of("stop"))
    check_follows(second, 1, first.hash)
    with pytest.raises(RecordError, match="record 2 stands where 1"):
        check_follows(second, 0, GENESIS)
    with pytest.raises(RecordError, match="does not continue"):
        check_follows(second, 1, "b" * 64)


def test_numbers_that_are_not_finite_never_appear():
    drift = dict.fromkeys(("value", "statistic", "limit", "centre", "sigma"), 1.0)
    names = dict.fromkeys(
        ("feature", "instrument", "characteristic", "unit", "chart", "watched_side", "side"), "x"
    )
    body = body_of("recovery", {"what": "drift", "values": 3, "measurement": 2, **drift, **names})
    line, _ = encode_record(1, TIME, GENESIS, replace(body, sigma=float("inf"), centre=float("nan")))
    assert (json.loads(line)["body"]["sigma"], json.loads(line)["body"]["centre"]) == (None, None)


FIXTURES = Path(__file__).parent.parent.parent / "fixtures" / "journals" / "0.1.0"


@pytest.mark.parametrize("path", sorted(FIXTURES.glob("*.jsonl")), ids=lambda p: p.stem)
def test_journal_of_an_older_version_decodes_and_verifies_byte_for_byte(path):
    seq, head, kinds = 0, GENESIS, set()
    for line in path.read_bytes().splitlines():
        record = decode_record(line)
        check_follows(record, seq, head)
        seq, head = record.seq, record.hash
        kinds.add(record.kind)
        assert not isinstance(record.body, Unknown)
        assert json.loads(encode_body(record.body)) == json.loads(record.raw) == json.loads(line)["body"]
    assert {"start", "configuration", "measurement"} <= kinds


@pytest.mark.parametrize(
    "time", ["", "now", "2026-02-30T10:00:00Z", "2026-11-25T10:00:00", "0000-01-01T00:00:00Z"]
)
def test_record_without_a_moment_of_its_own_is_no_record(time):
    line, _ = line_of(1, time, "recovery", GENESIS, {"what": "x", "reason": "y"})
    with pytest.raises(RecordError, match="the time is"):
        decode_record(line[:-1])


@pytest.mark.parametrize("member", [{"measured_at": "soon"}, {"counted_from": "2026-02-30T10:00:00Z"},
                                    {"errors_nm": {"3>": 1.0}}])  # fmt: skip
def test_verification_with_what_no_fold_can_read_is_unknown_and_passed_over(member):
    body = {**json.loads(encode_body(body_of("verification"))), **member}
    line, _ = line_of(1, TIME, "verification", GENESIS, body)
    record = decode_record(line[:-1])
    assert isinstance(record.body, Unknown)
    memory = Memory({}, None, live_s=60, latches=True)
    memory.visit(record, Place("a.jsonl", len(line)))
    assert memory.verified == {}
    good, _ = line_of(1, TIME, "verification", GENESIS, json.loads(encode_body(body_of("verification"))))
    assert not isinstance(decode_record(good[:-1]).body, Unknown)
