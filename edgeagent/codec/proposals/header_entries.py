"""Lines of a header that name something: a key and its value on one line, or keys over their values."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from edgeagent.codec.proposals.findings import regex_text
from edgeagent.codec.proposals.written_units import header_key

_PATTERN_MAX = 250


@dataclass(frozen=True, slots=True)
class HeaderEntry:
    """One header line that names something: the key that it means, the pattern up to its value, the value.

    ``cell`` is the delimiter where the value is one of several cells of a line, ``place`` its cell's number.
    """

    key: str
    line: int
    start: str
    value: str
    unit: str
    cell: str = ""
    place: int = 0


def unit_text(name: str) -> str:
    """What stands in brackets or last in an entry's name."""
    found = re.search(r"[\[(]\s*([^\])]+?)\s*[\])]\s*$", name) or re.search(r"[ _/]([^\s_/]+)$", name)
    return found.group(1) if found else ""


def rows_of_keys(head: tuple[str, ...], delimiter: str) -> Iterator[HeaderEntry]:
    """Entries of a row of names with a row of their values right below it."""
    # The header may be cut by another sign than the rows.
    for mark in dict.fromkeys((delimiter, ";", "\t", ",", "|")):
        if mark == " ":
            continue
        for number in range(len(head) - 1):
            yield from _row_of_keys(head, number, mark)


def _row_of_keys(head: tuple[str, ...], number: int, mark: str) -> Iterator[HeaderEntry]:
    names, values = (
        [c.strip().strip('"').strip() for c in line.split(mark)] for line in head[number : number + 2]
    )
    keys = [header_key(name) for name in names]
    known = sum(key is not None for key in keys)
    # Two known names at least, and most of the row: prose with a known word or two is no row of names.
    if len(names) < 2 or len(values) != len(names) or known < 2 or 2 * known < len([n for n in names if n]):
        return
    if any(header_key(value) is not None for value in values if not re.search(r"\d", value)):
        return  # another row of names, or words that may be either
    begin = head[number]
    for place, (key, name, value) in enumerate(zip(keys, names, values, strict=True)):
        pieces = mark.join(begin.split(mark)[: place + 1])
        inside = regex_text(mark)
        # Cells are counted, not described: their values differ from file to file.
        skipped = f"(?:[^{inside}\\n]*{inside}){{{place}}}" if place else ""
        start = f'^{regex_text(pieces)}[^\\n]*\\n{skipped}[ \\t"]*'
        if key is not None and value and len(start) <= _PATTERN_MAX:
            yield HeaderEntry(key, number + 1, start, value, unit_text(name), mark, place)
