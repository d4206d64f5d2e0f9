"""Names of columns and header entries as people write them, with their unit and the number beside it.

A number beside a unit says how much one of the readings is ("[5 nm]", "(0.1 um)", "[1/100 mm]"). Where it could
mean multiplying as well as dividing ("x10 [um]") the scale is NaN, which stands for "to be asked".
"""

from __future__ import annotations

import math
import re
import unicodedata

from edgeagent.codec.proposals.trade_words import ANGLE_UNITS, HEADER_WORDS, LENGTH_UNITS, UNITS, normal

_NUMBER = r"(?:10\^?-\d{1,2}|\d+/\d+|\d+(?:[.,]\d+)?(?:e[+-]?\d+)?)"
_COUNT = r"(?:counts?|digits?|digit|incs?|increments?|inkremente?|ink|steps?|lsb|bits?|units?|einheit(?:en)?)"
_SCALED = re.compile(
    rf"(?:(?:1 ?)?{_COUNT} ?)?(?:of|von|de|a|à|in|=|@)? ?({_NUMBER}) ?([^\W\d_]+|[\"°′]|[µμ]\w+)"
    rf"(?: ?/ ?{_COUNT}| per {_COUNT}| je {_COUNT})?"
)
_TIMES = re.compile(r"(?:^|[\s(\[])[x*×·] ?\d|\d ?[x×](?:$|[\s)\]])|[*×·/] ?\d", re.IGNORECASE)
_CHANGED = frozenset({
    "double", "doubled", "twice", "half", "halved", "doppelt", "doppelte", "halb", "halbe", "inverted",
    "negated", "invertiert", "negiert", "log", "squared", "quadrat", "relative", "normalised", "normalized",
    "normiert", "amplified", "verstarkt", "inverse", "invertida", "invertito", "inverti", "doble", "doppio",
    "demi",
})  # fmt: skip
"""Words in a column's name by which its numbers are not what was read, but something made from it."""
_FULL_WIDTH = re.compile(r"[\uff01-\uff5e]")
"""Brackets and letters as wide as the signs of East Asian scripts."""
_SEPARATOR = re.compile(r"\s*(?:/|,|\bin\b)\s*")
_BRACKETS = re.compile(r"^(.*?)\s*[\[({<]\s*([^\])}>]+?)\s*[\])}>]\s*$")


UNKNOWN_UNIT = ("unknown", 1.0)
"""What stands in square brackets behind a name and is no unit known here."""
_NO_UNIT = frozenset({"x", "y", "z", "raw", "roh", "left", "right", "links", "rechts", "l", "r", "c", "k", "f"})


NAME_MAX = 200
"""No name with its unit is longer; taking longer ones apart at each mark takes the square of their length."""


def unit_of(text: str) -> tuple[str, float] | None:
    """The unit that a text is, with or without brackets, and how many of it one reading is; else None."""
    if len(text) > NAME_MAX:
        return None
    bare = text.strip().strip("[](){}<>").strip().rstrip(".")
    if bare == "Å":
        return UNITS["å"]
    plain = " ".join(unicodedata.normalize("NFKC", bare).casefold().replace("−", "-").split())
    if plain in UNITS:
        return UNITS[plain]
    # Not shorter: without accents and punctuation too many single letters would be units.
    if len(bare) > 2 and normal(bare) in UNITS:  # accents aside
        return UNITS[normal(bare)]
    if not re.search(r"[0-9]", plain) or len(plain) > 40:
        return None
    found = _SCALED.fullmatch(plain)
    if found is not None and found[2] in UNITS:
        unit, scale = UNITS[found[2]]
        return unit, _value(found[1]) * scale
    known = [UNITS[word] for word in re.findall(r"[^\W\d_]{2,}|[°′\"]", plain) if word in UNITS]
    # A number and a unit in a form that is not understood: asked about, never taken for 1.
    known = [unit for unit in known if unit[0] in (*LENGTH_UNITS, *ANGLE_UNITS)]
    return (known[0][0], math.nan) if known else None


def _value(text: str) -> float:
    if power := re.fullmatch(r"10\^?(-\d+)", text):
        return float(10.0 ** int(power[1]))
    above, _, below = text.replace(",", ".").partition("/")
    return float(above) / float(below) if below and float(below) else float(above) if not below else math.nan


def name_and_unit(text: str) -> tuple[str, tuple[str, float] | None]:
    """A column's or entry's name without its unit, and the unit."""
    if _FULL_WIDTH.search(text):
        text = unicodedata.normalize("NFKC", text)
    text = text.strip().strip('"').strip()
    if len(text) > NAME_MAX:
        return text, None
    name, unit = _apart(text)
    # "2 x deviation [um]" is no deviation in um: by how much is asked.
    if unit not in (None, UNKNOWN_UNIT) and (_TIMES.search(name) or set(normal(name).split()) & _CHANGED):
        return name, (unit[0], math.nan)
    return name, unit


def _apart(text: str) -> tuple[str, tuple[str, float] | None]:
    found = _BRACKETS.match(text)
    if found and (unit := unit_of(found[2])) is not None:
        return found[1].strip(), unit
    # Only what stands behind the separator as a whole is a unit, so that "x/y" is not.
    for cut in _SEPARATOR.finditer(text):
        if cut.start() and (unit := unit_of(text[cut.end() :])) is not None:
            return text[: cut.start()].strip(), unit
    found = re.match(r"^(.+)[_ ](\S+)$", text)
    if found and (unit := unit_of(found[2])) is not None:
        numbered = re.search(r"[0-9]\s*$", found[1])  # a scale or the number of a channel
        return found[1].strip(), (unit[0], math.nan) if numbered else unit
    bare = re.sub(r"\s*[\[({<][^\])}>]*[\])}>]\s*$", "", text).strip() or text
    unknown = re.search(r"[^\W\d]\s*\[\s*([^\W\d]\S{0,7})\s*\]\s*$", text)
    return bare, UNKNOWN_UNIT if unknown and normal(unknown[1]) not in _NO_UNIT else None


def header_key(text: str) -> str | None:
    """Which header entry a text names, None for none of those known."""
    # With the unit first: "points per turn" is an entry's name, not points in turns.
    for word in (normal(text), normal(name_and_unit(text)[0])):
        found = next((key for key, words in _HEADER_NORMAL.items() if word in words), None)
        if found is not None:
            return found
    return None


_HEADER_NORMAL = {key: {normal(w) for w in words} for key, words in HEADER_WORDS.items()}
