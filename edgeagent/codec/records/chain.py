"""One step of the chain at the speed of the hash: lines as this program writes them need no full decoding.

What is not written so is no damage yet: ``decode_record`` and ``check_follows`` then say what it is.
"""

from __future__ import annotations

import hashlib
from datetime import datetime
from typing import NamedTuple

import msgspec

from edgeagent.codec.records.record import LINE_BYTES_MAX

_TAIL = len(b',"hash":"') + 64 + len(b'"}\n')
_KIND, _PREV, _BODY = b'","kind":"', b'","prev":"', b'","body":'
_TIME = len("2026-03-02T10:00:00.000000Z")
# Bounds the search for the end of the kind: in a damaged line the next quotation mark may be kilobytes away.
_KIND_MAX = 40
# Checks that the body is JSON without building anything of it.
_RAW_DECODER = msgspec.json.Decoder(msgspec.Raw)


class ChainStep(NamedTuple):
    """What the chain needs of a record: ``hash`` are 64 hex digits."""

    seq: int
    time: str
    kind: str
    hash: bytes


def quick_step(line: bytes, seq: int, prev: bytes) -> ChainStep | None:
    """The record ``seq`` that a line with its line feed is, behind the one with the hash ``prev`` (hex digits).

    None where the line is not exactly as this program writes such a record: look closer then.
    """
    cut = len(line) - _TAIL
    begin = b'{"seq":%d,"time":"' % seq
    if cut < 0 or len(line) > LINE_BYTES_MAX or not line.startswith(begin):
        return None
    # Over the bytes as they stand: no decoding and encoding again could give other ones.
    digest = hashlib.sha256(line[:cut]).hexdigest().encode()
    if line[cut:] != b',"hash":"' + digest + b'"}\n':
        return None
    # Fixed places, since this program writes every time with the same length.
    kind = len(begin) + _TIME + len(_KIND)
    end = line.find(b'"', kind, kind + _KIND_MAX)
    body = end + len(_PREV) + 64 + len(_BODY)
    if line[kind - len(_KIND) : kind] != _KIND or line[end:body] != _PREV + prev + _BODY or line[body] != 0x7B:
        return None
    # An escape or a control character in the kind would need the decoder to be understood.
    if not line[kind:end].replace(b"-", b"").isalpha():
        return None
    try:
        time = line[len(begin) : len(begin) + _TIME].decode()
        if datetime.fromisoformat(time).tzinfo is None:
            return None
        _RAW_DECODER.decode(line[body:cut])
    except (msgspec.MsgspecError, ValueError, RecursionError):
        return None
    return ChainStep(seq, time, line[kind:end].decode(), digest)
