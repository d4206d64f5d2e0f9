"""Journal lines: what is written is what is read, and no single bit can change unseen."""

from __future__ import annotations

import hashlib
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeagent.codec.records.record import (
    GENESIS,
    KINDS,
    LINE_BYTES_MAX,
    RecordError,
    check_follows,
    decode_record,
    encode_record,
)

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


@given(st.integers(1, 10**12), st.sampled_from(sorted(KINDS)), st.dictionaries(TEXT, VALUES, max_size=5))
def test_record_reads_back_as_it_was_written(seq, kind, body):
    line, record = encode_record(seq, TIME, kind, GENESIS, body)
    assert line.endswith(b"\n")
    assert decode_record(line[:-1]) == record
    assert record.body == body


def test_any_flipped_bit_of_a_line_is_noticed():
    line, _ = encode_record(
        7, TIME, "measurement", "a" * 64, {"name": "teil-ü", "value": 1.25, "list": [1, None]}
    )
    line = line[:-1]
    for place in range(len(line)):
        for bit in range(8):
            damaged = bytearray(line)
            damaged[place] ^= 1 << bit
            with pytest.raises(RecordError):
                decode_record(bytes(damaged))


def test_hash_is_recomputed_from_the_written_definition_alone():
    line, record = encode_record(1, TIME, "start", GENESIS, {"text": 'with ,"hash":" inside', "n": 0.1})
    head, _, _ = line.rpartition(b',"hash":')
    assert hashlib.sha256(head).hexdigest() == json.loads(line)["hash"] == record.hash
    assert list(json.loads(line)) == ["seq", "time", "kind", "prev", "body", "hash"]


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
        encode_record(1, TIME, "start", GENESIS, {"text": "x" * LINE_BYTES_MAX})


def test_record_of_an_unknown_kind_is_refused():
    with pytest.raises(RecordError, match="unknown kind"):
        encode_record(1, TIME, "guess", GENESIS, {})


def test_chain_notices_a_gap_and_a_foreign_predecessor():
    _, first = encode_record(1, TIME, "start", GENESIS, {})
    _, second = encode_record(2, TIME, "stop", first.hash, {})
    check_follows(second, 1, first.hash)
    with pytest.raises(RecordError, match="record 2 stands where 1"):
        check_follows(second, 0, GENESIS)
    with pytest.raises(RecordError, match="does not continue"):
        check_follows(second, 1, "b" * 64)


def test_numbers_that_are_not_finite_never_appear():
    line, _ = encode_record(1, TIME, "start", GENESIS, {"value": float("nan"), "other": float("inf")})
    assert json.loads(line)["body"] == {"value": None, "other": None}
