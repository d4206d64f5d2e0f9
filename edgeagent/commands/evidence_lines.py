"""What verification and proofs say to a reader."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import msgspec

from edgeagent.codec.evidence.proofs import Proved
from edgeagent.codec.plain_text import clean, count_text
from edgeagent.codec.records.record import Record, utc_text_of
from edgeagent.commands.journal_lines import short_line
from edgeagent.store.verify import KeyChanged, Signed, Whole, Witnessed


def whole_lines(whole: Whole) -> Iterator[str]:
    """The three levels, one line each or more."""
    yield (
        f"whole: {count_text(whole.records, 'record')} in {count_text(whole.segments, 'segment')}, "
        f"{whole.first} to {whole.last}"
    )
    if whole.seen:
        yield f"seen: {count_text(whole.seen, 'record')} that others saw on the line are all there"
    for adopted in whole.adopted:
        lost = f"; records up to {adopted.lost} of the former identity were lost" if adopted.lost else ""
        key = f"; from there on {clean(adopted.key)} signs" if adopted.key else ""
        key += ", which --key does NOT name" if adopted in whole.unknown else ""
        yield f"adopted: with record {adopted.seq} by {clean(adopted.who)}: {clean(adopted.why)}{lost}{key}"
    for changed in whole.changed:
        yield _changed_line(changed)
    # Said also where nobody asked: a whole chain alone proves nothing against who can write here.
    if not whole.signed:
        yield "signed: by nobody: who can write here may have changed all of it and computed the hashes anew"
    for signed in whole.signed:
        yield _signed_line(signed, whole.records)
    if not whole.witnessed:
        yield "witnessed: not asked for; --witness-key names somebody else who kept what this machine signed"
    for witnessed in whole.witnessed:
        yield _witnessed_line(witnessed, whole.records)
    yield f"head {whole.records}:{whole.head}"


def _signed_line(signed: Signed, records: int) -> str:
    if not signed.up_to:
        return f"signed: NOT by {clean(signed.key)}: {signed.why_not}"
    # A key found in the journal was written by whoever could have forged it.
    own = (
        "" if signed.given else " (a key that the journal itself names: give --key to trust one from elsewhere)"
    )
    ids = ", ".join(key.rpartition("+")[2] for key in signed.through)
    through = f" and {ids}, which it endorsed," if ids else ""
    who = f"{clean(signed.key)}{through}"
    return f"signed: by {who} up to record {signed.up_to}{_rest(signed.up_to, records)}{own}"


def _changed_line(changed: KeyChanged) -> str:
    keys = f"{clean(changed.former)} by {changed.new.rpartition('+')[2]}"
    if changed.endorsed:
        return f"key: record {changed.seq} exchanges {keys}, which the former key signed"
    known = ", given with --key too" if changed.known else ": what follows is signed by nobody who is known"
    return f"key: record {changed.seq} exchanges {keys}, NOT endorsed by the former key{known}"


def _witnessed_line(witnessed: Witnessed, records: int) -> str:
    if not witnessed.up_to:
        return f"witnessed: NOT by {clean(witnessed.key)}: {witnessed.why_not}"
    where = f"up to record {witnessed.up_to}{_rest(witnessed.up_to, records)}"
    return f"witnessed: by {clean(witnessed.key)} {where} at {witnessed.time}"


def _rest(up_to: int, records: int) -> str:
    return f" of {records}" if up_to < records else ", its last"


def proof_lines(proved: Proved) -> Iterator[str]:
    """What a proof shows."""
    yield f"signed: {clean(proved.head.origin)} had {count_text(proved.head.size, 'record')}, these among them"
    for name, posix_s in proved.witnessed:
        yield f"witnessed: by {clean(name)} at {utc_text_of(posix_s)}"
    for record in proved.records:
        yield short_line(record)
    # A hash tree proves what is in it; that something is missing it cannot show.
    yield "shown: that these records are there, not that there are no others about the part"


def proof_object(proved: Proved) -> dict[str, Any]:
    """The same as one JSON object."""
    return {
        "origin": proved.head.origin,
        "size": proved.head.size,
        "witnessed": [{"name": name, "time": utc_text_of(posix_s)} for name, posix_s in proved.witnessed],
        "records": [_record_object(record) for record in proved.records],
    }


def _record_object(record: Record) -> dict[str, Any]:
    return {"seq": record.seq, "time": record.time, "kind": record.kind, "body": msgspec.Raw(record.raw)}
