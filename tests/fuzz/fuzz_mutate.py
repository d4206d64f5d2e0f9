"""Seeded mutations for inputs that are mostly text: the same number gives the same input, on every machine."""

from __future__ import annotations

import random
import re

_NUMBERS = (
    b"nan", b"inf", b"-inf", b"1e308", b"-1e308", b"5e-324", b"1e-310", b"9" * 25, b"9" * 4400, b"-0",
    b"0x" + b"f" * 40, b"0", b"-1", b"1e9", b"1_0", b"\xd9\xa1\xd9\xa2", b"\xef\xbc\x91",
)  # fmt: skip
_TOKENS = (
    *_NUMBERS, b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"\r\n", b"\r", b"\n", b"[", b"]", b"{", b"}",
    b"\x27\x27\x27", b'"""', b"\\u0000", b"\\ud800", b"\x85", b"\xe2\x80\xa8", b"\x1b[2J", b"..", b"=",
    b"a.b.c", b"true", b"[]", b"{}", b"''", b"0001-01-01T00:00:00+23:59", b"9999-12-31T23:59:59-23:59",
    b"%s%d", b"(?:a+)+", b"(", b"*", b"\\", b"<!DOCTYPE x [<!ENTITY a 'b'>]>", b"&a;", b"<Datum/>",
    b"\x03", b"top", b"bottom", b"null", b" ",
)  # fmt: skip
_NUMBER = re.compile(rb"-?[0-9]+(?:[.,][0-9]+)?(?:e-?[0-9]+)?")
_REPEATS = (2, 10, 100, 1000, 20_000)
_SIZE_MAX = 200_000


def mutate(data: bytes, seeds: list[bytes], random_: random.Random) -> bytes:
    """A few changes to ``data``: bits, spans, numbers, tokens, lines, splices with another seed."""
    found = bytearray(data)
    for _ in range(random_.choice((1, 1, 1, 2, 3, 6))):
        _CHANGES[random_.randrange(len(_CHANGES))](found, seeds, random_)
    return bytes(found[:_SIZE_MAX])


def _span(found: bytearray, random_: random.Random) -> tuple[int, int]:
    begin = random_.randrange(len(found) + 1)
    return begin, min(len(found), begin + random_.choice((1, 2, 4, 8, 20, 100, 1000)))


def _flip(found: bytearray, _: list[bytes], random_: random.Random) -> None:
    if found:
        found[random_.randrange(len(found))] ^= 1 << random_.randrange(8)


def _overwrite(found: bytearray, _: list[bytes], random_: random.Random) -> None:
    begin, end = _span(found, random_)
    found[begin:end] = random_.randbytes(end - begin)


def _delete(found: bytearray, _: list[bytes], random_: random.Random) -> None:
    begin, end = _span(found, random_)
    del found[begin:end]


def _repeat(found: bytearray, _: list[bytes], random_: random.Random) -> None:
    begin, end = _span(found, random_)
    times = random_.choice(_REPEATS)
    found[begin:begin] = (found[begin:end] * times)[:_SIZE_MAX]


def _insert(found: bytearray, _: list[bytes], random_: random.Random) -> None:
    begin = random_.randrange(len(found) + 1)
    found[begin:begin] = random_.choice(_TOKENS) * random_.choice((1, 1, 1, 30, 600))


def _number(found: bytearray, _: list[bytes], random_: random.Random) -> None:
    places = list(_NUMBER.finditer(bytes(found[:5000])))
    if places:
        place = random_.choice(places)
        value = random_.choice(
            (*_TOKENS[:16], str(random_.uniform(-400, 400)).encode(), b"%d" % random_.getrandbits(40))
        )
        found[place.start() : place.end()] = value


def _line(found: bytearray, _: list[bytes], random_: random.Random) -> None:
    lines = bytes(found).split(b"\n")
    at, to = random_.randrange(len(lines)), random_.randrange(len(lines))
    lines.insert(to, lines[at] if random_.random() < 0.5 else lines.pop(at))
    found[:] = b"\n".join(lines)


def _splice(found: bytearray, seeds: list[bytes], random_: random.Random) -> None:
    other = random_.choice(seeds)
    cut = random_.randrange(len(other) + 1)
    begin, _ = _span(found, random_)
    found[begin:] = other[cut:]


def _truncate(found: bytearray, _: list[bytes], random_: random.Random) -> None:
    del found[random_.randrange(len(found) + 1) :]


_CHANGES = (
    _flip,
    _flip,
    _overwrite,
    _delete,
    _repeat,
    _insert,
    _insert,
    _number,
    _number,
    _line,
    _splice,
    _truncate,
)
