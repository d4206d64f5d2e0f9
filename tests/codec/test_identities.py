"""Who a journal is, record by record."""

from __future__ import annotations

from records import record_of

from edgeagent.codec.evidence.identities import KnownAs, origin_of, with_record
from edgeagent.codec.evidence.notes import is_key_name


def folded(*records):
    known = KnownAs()
    for record in records:
        known = with_record(known, record)
    return known


def test_first_record_is_the_identity_and_starts_name_keys_once():
    first = record_of("start", {"key": "a/1+00000000+x"})
    known = folded(first, record_of("start", {"key": "a/1+00000000+x"}, seq=2), record_of("start", seq=3))
    assert (known.hash, known.keys) == (first.hash, ("a/1+00000000+x",))
    assert known.of("a/1") is known.identities[0]
    assert known.of("another") is None


def test_adoption_begins_an_identity_and_ends_the_former_one():
    first = record_of("start", {"key": "a/1+0+x"})
    body = {"what": "adopted", "who": "A. N.", "why": "disk lost", "user": "root", "before": first.hash}
    adopted = record_of("identity", body, seq=4)
    known = folded(first, adopted, record_of("start", {"key": "a/2+0+y"}, seq=5))
    before, now = known.identities
    assert (before.last, now.first, known.hash) == (3, 4, adopted.hash)
    assert (before.origins, now.origins) == (("a/1",), ("a/2",))


def test_origin_is_a_key_s_name_whatever_the_station_is_called():
    assert origin_of(["Werk Süd", "cell+3", "g\t1"], "00ff") == "edgeagent/Werk-Süd/cell-3/g-1/00ff"
    assert is_key_name(origin_of(["\u2003", "", "x\u0000"], "00ff"))
