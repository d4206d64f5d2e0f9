"""The encoding of an export: byte order mark, UTF-8, UTF-16 without a mark, or one byte a character."""

from __future__ import annotations

import codecs
import re

import numpy as np

from edgeagent.codec.configuration.toml_text import plain
from edgeagent.codec.proposals.findings import Finding
from edgeagent.codec.proposals.trade_words import (
    COLUMN_WORDS,
    FEATURE_PAIRS,
    HEADER_WORDS,
    PLANE_WORDS,
    UNITS,
    normal,
)
from edgeagent.errors import TraceFormatError

# Letters and signs that texts of western Europe have: with others the code page is doubted.
_PLAIN_LETTERS = frozenset("äöüÄÖÜßàâéèêëîïôùûçñáíóúÀÉÈÊÎÔÇÑÁÍÓÚåøæÅØÆãõ")
_PLAIN_SIGNS = frozenset("°µ±²³·×§©®€…–—“”„‘’«»\u00a0")


def decode_export(data: bytes) -> tuple[str, str, Finding]:
    """Encoding (a name that layouts know), text without a byte order mark, and how sure that is.

    Raises TraceFormatError when the bytes are no text.
    """
    for mark, name in (
        (codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be")
    ):  # fmt: skip
        if data.startswith(mark):
            text = data[len(mark) :].decode(name, errors="replace")
            return name, text, Finding("encoding", name, "\ufffd" not in text, "the byte order mark says so")
    # Plain text in UTF-16 has a zero in every second byte; which one says the byte order.
    sample = np.frombuffer(data[: len(data) // 2 * 2][:65536], dtype=np.uint8).reshape(-1, 2)
    if len(sample) > 8:
        zero_low, zero_high = np.mean(sample == 0, axis=0)
        for name, zeros, others in (("utf-16-le", zero_high, zero_low), ("utf-16-be", zero_low, zero_high)):
            # Not all: names in other scripts use both bytes.
            if zeros > 0.6 and others < 0.1:
                why = "every second byte is zero, and there is no byte order mark"
                return name, data.decode(name, errors="replace"), Finding("encoding", name, True, why)
    if b"\0" in data[:65536]:
        raise TraceFormatError("the file is not text: it holds zero bytes", expected="a delimited text export")
    try:
        # First of all: text of a code page with letters beyond ASCII is hardly ever valid UTF-8.
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        return _code_page(data)
    why = "plain ASCII, which every encoding here reads alike" if text.isascii() else "it is valid UTF-8"
    return "utf-8", text, Finding("encoding", "utf-8", True, why)


_CODE_PAGES = ("windows-1252", "latin-1", "windows-1250", "windows-1251", "mac-roman", "cp932", "gb18030")
_DEGREES = re.compile(r"[\[(]°[\])]")
_WORD = re.compile(r"[^\W\d_]+(?:[ .][^\W\d_]+)*|[°µμ]\w*")


def _code_page(data: bytes) -> tuple[str, str, Finding]:
    """The code page in which words of the trade stand, or the common one of western Europe."""
    read = {}
    for name in _CODE_PAGES:
        try:
            read[name] = data.decode(name)
        except UnicodeDecodeError:
            continue
    scores = {name: _known_words(text) for name, text in read.items()}
    best = max(scores, key=lambda name: len(scores[name]))
    same = [n for n in read if len(scores[n]) == len(scores[best])]
    # Where western pages explain as much, an eastern one would be a guess.
    western = [n for n in ("windows-1252", "latin-1") if n in same]
    # Pages that read the file alike need no decision between them.
    if scores[best] and not western and all(read[n] == read[best] for n in same):
        why = f"not UTF-8; only read so it holds {plain(', '.join(sorted(scores[best])[:4]))}"
        return best, read[best], Finding("encoding", best, True, why)
    return _single_byte(data)


def _known_words(text: str) -> set[str]:
    """Words of the trade with a letter or sign beyond ASCII that stand in a text."""
    # A header is shorter; rows of numbers say nothing and would cost much.
    lines = {line for line in text.splitlines()[:400] if not line.isascii()}
    words = {word for line in lines for word in _WORD.findall(line) if not word.isascii()}
    words |= {w for word in words for w in re.split(r"[ .]", word) if not w.isascii()}
    words = {w for w in words if any(c.isalpha() and not c.isascii() and c not in "µμ" for c in w)}
    # The sign of a degree has another byte in each family of code pages, and alone in brackets no other meaning
    degrees = {sign for line in lines for sign in _DEGREES.findall(line)}
    return degrees | {w for w in words if len(w) > 1 and (normal(w) in _TRADE or w.casefold() in UNITS)}


_TRADE = {normal(w) for words in (*COLUMN_WORDS.values(), *HEADER_WORDS.values()) for w in words}
_TRADE |= {normal(w) for pair in FEATURE_PAIRS for w in pair} | PLANE_WORDS


def _single_byte(data: bytes) -> tuple[str, str, Finding]:
    # These bytes are control characters in Latin-1, which no export has.
    name = "windows-1252" if any(0x80 <= b < 0xA0 for b in set(data)) else "latin-1"
    try:
        text = data.decode(name)
    except UnicodeDecodeError:
        name, text = "latin-1", data.decode("latin-1")
    inside = set(re.findall(r"(?<=[^\W\d_])([^\w\s])(?=[^\W\d_])", text))  # no sign stands within a word
    likely = _PLAIN_LETTERS | (_PLAIN_SIGNS - inside)
    odd = sorted({c for c in text if not c.isascii() and c not in likely})
    known = sorted({c for c in text if not c.isascii()} - set(odd))
    if odd:
        why = f"not UTF-8, and read as {name} it holds {plain(' '.join(odd[:8]))}: perhaps another code page"
        return name, text, Finding("encoding", name, False, why)
    return (
        name,
        text,
        Finding("encoding", name, True, f"not UTF-8; read so it holds {plain(' '.join(known[:8]))}"),
    )
