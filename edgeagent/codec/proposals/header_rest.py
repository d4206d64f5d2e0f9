"""What of a header no layout uses: listed for a person, and asked about where it may change every reading."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace

from edgeagent.codec.configuration.toml_text import plain
from edgeagent.codec.proposals.columns.columns import ColumnProposal, Columns
from edgeagent.codec.proposals.findings import Finding, OpenValue
from edgeagent.codec.proposals.sniff import ExportTable
from edgeagent.codec.proposals.trade_words import FACTOR_WORDS, normal

_SHOWN = 8
_READINGS = ("deviation_um", "z_mm")
_PLAIN_VALUE = re.compile(
    r"[:=;,\t| ]\s*\"?([-+]?[0-9]+(?:[.,:/][0-9]+)?(?:[eE][-+]?[0-9]+)?)\s*"
    r"(?:%|[^\W\d]\S*(?:\s?/\s?\S+)?)?\"?[;,\t| ]*$"
)
_TIMES = re.compile(r"(?:^|[\s(])[x×*]\s?[0-9]+(?:[.,][0-9]+)?\W*$")
_SCALE = re.compile(
    r"\b(?:in|en|unit|units|einheit(?:en)?|unites?)\b(?: of| von| de)? (?!1 )"
    r"[0-9]+(?:[.,/][0-9]+)? ?(?:[µμunm]?m|uin)\b",
    re.IGNORECASE,
)
_IDENTITY_FROM = 1e4
"""A whole number from here on names something: a certificate, an order."""


def unused_lines(table: ExportTable, patterns: Iterable[str]) -> list[str]:
    """Lines of the header that no pattern begins or ends on; names of columns are used by the columns."""
    head = "\n".join(table.head)
    used = set()
    for pattern in patterns:
        match = re.search(pattern, head, re.MULTILINE)
        if match is not None:
            # Begin and end: a pattern over several lines uses the first for its key and the last for its value.
            used |= {head.count("\n", 0, place) for place in (match.start(), match.end())}
    names = [name for name in table.names if name]
    return [
        line.strip()
        for number, line in enumerate(table.head)
        if number not in used and re.search(r"\w", line) and not (names and all(name in line for name in names))
    ]


def ask_for_factors(columns: Columns, unused: list[str]) -> Columns:
    """The columns with the scale of readings left open where an unused line may hold a factor of them."""
    lines = [line for line in unused if _is_factor(line)]
    if not lines:
        return columns
    why = f"the header says {plain(lines[0], 50)!r}: are the readings still to be multiplied or divided by it?"
    asked = tuple(_with_open_scale(c, why) if c.name in _READINGS else c for c in columns.columns)
    return replace(
        columns, columns=asked, findings=(*columns.findings, Finding("factor", "asked for", False, why))
    )


def list_unused(unused: list[str]) -> list[Finding]:
    """One finding that shows the lines, for a person to see what a layout leaves out."""
    if not unused:
        return []
    # The first few: the whole header would bury the other findings.
    shown = " | ".join(plain(line, 50) for line in unused[:_SHOWN])
    more = f" and {len(unused) - _SHOWN} more" if len(unused) > _SHOWN else ""
    why = "filters, tips and directions among them may matter: look whether a key of the layout should say it"
    return [Finding("header lines that nothing uses", shown + more, False, why)]


def _is_factor(line: str) -> bool:
    if _TIMES.search(line) or _SCALE.search(line):
        return True
    words = normal(line).split()
    speaks = any(
        word == known or (len(known) > 4 and known in word) for word in words for known in FACTOR_WORDS
    )
    found = _PLAIN_VALUE.search(line)
    if not speaks or found is None:
        return False
    text = found[1]
    if re.fullmatch(r"[-+]?[0-9]+", text):
        # A factor of 1 changes nothing.
        return text.lstrip("+") != "1" and abs(int(text[:20])) < _IDENTITY_FROM
    return not re.fullmatch(r"1[.,]0+", text)


def _with_open_scale(column: ColumnProposal, why: str) -> ColumnProposal:
    before = column.keys.get("scale", 1.0)
    if isinstance(before, OpenValue):
        return replace(
            column, keys={**column.keys, "scale": OpenValue(before.guess, f"{before.why}; {why}", False)}
        )
    return replace(column, keys={**column.keys, "scale": OpenValue(before, why, likely=False)})
