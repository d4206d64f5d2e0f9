"""Bytes of an unknown delimited export to its table: encoding, delimiter, decimal mark, where data start.

Every decision comes back as a Finding that says whether it is sure and why. Nothing here knows what the
columns mean.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass

import numpy as np

from edgeagent.codec.configuration.toml_text import plain
from edgeagent.codec.numbers import MISSING_WORDS
from edgeagent.codec.proposals.dressing import Dressing, dressing_findings, plain_table, units_behind
from edgeagent.codec.proposals.encoding import decode_export
from edgeagent.codec.proposals.findings import Finding, OpenValue, regex_text
from edgeagent.codec.proposals.table_form import (
    MARKS,
    ROWS_MIN,
    SAMPLE_LINES,
    TableForm,
    cells_of,
    find_run,
    last_row,
    number_pattern,
    row_pattern,
    with_lost_rows,
)
from edgeagent.codec.proposals.trade_words import (
    HEADER_WORDS,
    column_role,
    normal,
)
from edgeagent.codec.proposals.written_units import header_key, name_and_unit, unit_of
from edgeagent.errors import TraceFormatError
from edgeagent.model import FloatArray

_STAND_IN = re.compile(
    r"[+-]?(?:9{3,}(?:[.,][09]*)?|3276[78]|214748364[78]|(?:9+(?:[.,]9*)?|1(?:[.,]0*)?)[eE]\+?[1-3][0-9])"
)
_FAR_OFF = 0.1
"""Of a number that stands for a lost sample; our own choice. Up to twice that it is asked about."""
# A column with more whole numbers than this is one that mixes both forms.
_BARE_SHARE = 0.02
_COMMENT = re.compile(r"^ *(?:#+|%+|//+|!+|;+|'+|\*+) *")


@dataclass(frozen=True, slots=True)
class ExportTable:
    """The table of an export and what stands around it.

    ``head`` are the lines before the first row; ``values`` has shape (rows, fields), NaN for missing samples
    and labels; ``labels`` holds the distinct words of a column of words, ``codes`` the number of each row's.
    ``dressing`` is what stood around the numbers, ``breaks`` are rows with an empty line before them.
    ``names`` and ``units`` have one entry a field, empty or None where there is none.
    """

    encoding: str
    head: tuple[str, ...]
    delimiter: str
    decimal: str | OpenValue
    start: str | int
    until: str | None
    fields: int
    names: tuple[str, ...]
    units: tuple[tuple[str, float] | None, ...]
    missing: tuple[str, ...]
    labels: dict[int, tuple[str, ...]]
    codes: dict[int, FloatArray]
    values: FloatArray
    findings: tuple[Finding, ...]
    dressing: Dressing
    breaks: tuple[int, ...]

    @property
    def mark(self) -> str:
        """The delimiter itself."""
        return MARKS[self.delimiter]

    @property
    def decimal_guess(self) -> str:
        """The decimal mark, or the likelier one."""
        return str(self.decimal.guess) if isinstance(self.decimal, OpenValue) else self.decimal


def sniff(data: bytes) -> ExportTable:
    """The table in ``data``. Raises TraceFormatError when there is none that a layout could describe."""
    encoding, text, finding = decode_export(data)
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    # plain_table rewrites rows; where they end must be looked for in the lines as they are in the file.
    written = lines
    lines, reading, dressing = plain_table(lines)
    names, units, names_at = _names(lines, reading)
    settled, decimal, doubts = _settle_decimal(lines, reading, names)
    if settled.fields != reading.fields:
        names, units, names_at = _names(lines, settled)
    reading = settled
    last = last_row(lines, reading)
    rows = [(n, line) for n, line in enumerate(lines[reading.first : last + 1], reading.first) if line.strip()]
    values, missing, labels, codes, doubtful = _values(rows, reading)
    doubts += _other_tables(lines, reading, last)
    start, start_finding = _start(lines, reading, names_at)
    until, until_findings = _until(written, reading.first, last)
    delimiter = Finding(
        "delimiter", reading.delimiter, True,
        f"cuts {len(rows)} rows into {reading.fields} fields each" if reading.fields > 1
        else "one number a line; any delimiter reads it",
    )  # fmt: skip
    if dressing.widths:
        delimiter = Finding("delimiter", "fixed widths", True, "the fields touch, and their decimals end alike")
    findings = [
        finding,
        delimiter,
        *dressing_findings(dressing),
        *doubts,
        start_finding,
        *until_findings,
        *_missing_finding(missing, values, doubtful=doubtful),
        *_written_otherwise(rows, reading, missing),
    ]
    return ExportTable(
        encoding, tuple(lines[: reading.first]), reading.delimiter, decimal, start, until, reading.fields,
        names, units_behind(units, dressing), missing, labels, codes, values, tuple(findings), dressing,
        tuple(k for k in range(1, len(rows)) if rows[k][0] > rows[k - 1][0] + 1),
    )  # fmt: skip


def _names(
    lines: list[str], reading: TableForm
) -> tuple[tuple[str, ...], tuple[tuple[str, float] | None, ...], tuple[int, ...]]:
    """Names and units of the fields from the lines above the rows, and those lines, the lowest first."""
    rows = _rows_above(lines, reading)
    empty: tuple[tuple[str, float] | None, ...] = (None,) * reading.fields
    named: tuple[str, ...] = ("",) * reading.fields
    units = list(empty)
    used: list[int] = []
    # Units may stand below the names or above them.
    for position, cells in rows[:3]:
        of_cells = [unit_of(c) for c in cells]
        # An empty cell or a dash stands for a field without a unit.
        bare = sum(u is not None for u in of_cells) + sum(not c or c in "-[]" for c in cells)
        if not used and bare == len(cells) and any(of_cells):
            units = of_cells
        elif not any(named):
            pairs = [name_and_unit(c) for c in cells]
            named = tuple(n for n, _ in pairs)
            units = [u if u is not None else pair[1] for u, pair in zip(units, pairs, strict=True)]
        elif not any(units) and bare == len(cells):
            units = of_cells
        else:
            break
        used.append(position)
    return named, tuple(units), tuple(used)


def _rows_above(lines: list[str], reading: TableForm) -> list[tuple[int, list[str]]]:
    """Up to three lines right above the rows that have as many texts as the rows have numbers."""
    found: list[tuple[int, list[str]]] = []
    # From the rows upwards: the nearest line names the fields, whatever stands in the header above.
    for position in range(reading.first - 1, max(reading.first - 6, -1), -1):
        line = lines[position].strip(" ")
        if not line.strip() and not found:
            continue
        cells = _name_cells(line, reading) or _name_cells(_COMMENT.sub("", line), reading)
        texts = sum(bool(re.search(r"[^\W\d]|[°#]", c)) for c in cells or ())
        # A line with as many numbers as texts is a row or an entry, not names.
        if cells is None or not texts or texts < sum(bool(re.match(r"[+-]?\d", c)) for c in cells) + 1:
            break
        rest = [c for c in cells[1:] if column_role(name_and_unit(c)[0]) or name_and_unit(c)[1] is not None]
        # "Part no. ; 4711" has as many cells as a table of two fields, but is an entry.
        entry = header_key(cells[0]) not in (None, *_HINTS) and not _is_column_name(cells[0])
        if entry and (len(cells) < 3 or len(rest) < len(cells) - 1):
            break
        found.append((position, cells))
    return found


_HINTS = ("time", "per_turn", "turns", "temperature_c", "lead_mm")


def _is_column_name(cell: str) -> bool:
    return normal(cell) not in {normal(w) for words in HEADER_WORDS.values() for w in words}


def _name_cells(line: str, reading: TableForm) -> list[str] | None:
    if not line:
        return None
    if reading.fields == 1:
        line = line.strip()
        return [line] if not re.search(r"[:=;|\t]", line) and len(line) <= 60 else None
    mark = MARKS[reading.delimiter]
    words = line.strip()
    cuts = [re.split(r"\t|\s{2,}", words)]
    cuts += [  # prose falls apart at single blanks too, so every word must then be known
        cut for cut in (words.split(), re.split(r"\s+(?![\[(<{])", words))
        if all(unit_of(c) for c in cut) or all(column_role(name_and_unit(c)[0]) and not unit_of(c) for c in cut)
    ]  # fmt: skip
    if mark != " ":
        cuts = [[c.strip().strip('"').strip() for c in line.split(mark)], *cuts]
    for cells in cuts:
        cells = cells[:-1] if len(cells) == reading.fields + 1 and not cells[-1] else cells
        if len(cells) == reading.fields:
            return cells
    return None


def _settle_decimal(
    lines: list[str], reading: TableForm, names: tuple[str, ...]
) -> tuple[TableForm, str | OpenValue, list[Finding]]:
    """The decimal mark, and the doubt where a comma may be a delimiter or a decimal mark."""
    rows = [line for line in lines[reading.first : reading.first + 2000] if line.strip()]
    cells = [cells_of(line, reading.delimiter, reading.decimal, reading.fields) for line in rows]
    # First: where the comma may be both, every other reading of the numbers is wrong.
    if reading.delimiter == "comma" and reading.decimal == "." and _split_decimals(cells):
        return _comma_doubt(lines, reading, names)
    numbers = [c for row in cells for c, numeric in zip(row, reading.numeric, strict=False) if numeric]
    marked = [c for c in numbers if re.search(r"\d[.,]\d|[.,]\d|\d[.,]", c)]
    spoken = {".": "point", ",": "comma"}
    seen_in_head = _decimal_of_head(lines[: reading.first])
    if not marked:
        mark = "." if reading.delimiter == "comma" else seen_in_head or "."
        why = (
            f"no number of the table has one; a number of the header has the {spoken[mark]}"
            if seen_in_head
            else "no number of the file has one; a file with the other mark would be refused, not misread"
        )
        reading = TableForm(
            reading.delimiter, mark, reading.first, reading.rows, reading.fields, reading.numeric
        )
        return reading, mark, [Finding("decimal mark", spoken[mark], bool(seen_in_head), why)]
    mark = reading.decimal
    # 1.234 in every cell may be one and a bit or a thousand and more: the header's own numbers decide.
    thousands = all(re.fullmatch(r"[+-]?[1-9]\d{0,2}[.,]\d{3}", c) for c in marked)
    if thousands and seen_in_head not in (None, mark):
        why = f"every number looks like 1{mark}234, and the header writes decimals with {seen_in_head!r}"
        return reading, OpenValue(mark, why), [Finding("decimal mark", spoken[mark], False, why)]
    why = f"as in {marked[len(marked) // 2]}"
    return reading, mark, [Finding("decimal mark", spoken[mark], not thousands, why)]


def _decimal_of_head(head: list[str]) -> str | None:
    found = Counter(m for line in head for m in re.findall(r"(?<![\d.,:/-])\d+([.,])\d+(?![\d.,:/-])", line))
    # Only where the header is of one mind; dates, times and lists are left out by the pattern.
    return found.most_common(1)[0][0] if len(found) == 1 else None


def _split_decimals(cells: list[list[str]]) -> bool:
    """Whether every second integer looks like the digits after a decimal comma."""
    width = len(cells[0])
    whole = [row for row in cells if len(row) == width and all(re.fullmatch(r"[+-]?\d+", c) for c in row)]
    if width % 2 or len(whole) < 0.9 * len(cells):  # some rows may hold words for lost samples
        return False
    for k in range(1, width, 2):
        digits = [row[k] for row in whole]
        # Digits behind a decimal comma have no sign.
        if any(d[0] in "+-" for d in digits):
            return False
        lengths = Counter(map(len, digits))
        leading_zero = any(len(d) > 1 and d[0] == "0" for d in digits)
        # Decimals of a fixed format have all the same length, or show a zero in front.
        if not leading_zero and (lengths.most_common(1)[0][0] < 2 or len(lengths) > 1):
            return False
    return True


def _comma_doubt(
    lines: list[str], reading: TableForm, names: tuple[str, ...]
) -> tuple[TableForm, str | OpenValue, list[Finding]]:
    real_names = any(names)
    if real_names and reading.fields > 1:
        leading = any(re.search(r",0\d", line) for line in lines[reading.first : reading.first + 500])
        why = f"there are {reading.fields} column names, though the integers look like decimals with a comma"
        return reading, ".", [Finding("delimiter", "comma", not leading, why)]
    # Of two fields one reading is still possible: one column of decimals.
    if reading.fields > 2:
        raise TraceFormatError(
            "the comma seems to be both delimiter and decimal mark, so no layout can separate the numbers",
            line=reading.first + 1, expected="an export with another delimiter or a decimal point",
        )  # fmt: skip
    single = find_run(lines[:SAMPLE_LINES], "semicolon", ",")
    assert single is not None
    single = with_lost_rows(lines, single)
    digits = [
        m.group(1)
        for line in lines[single.first : single.first + 2000]
        if (m := re.search(r",(\d+)\s*$", line))
    ]
    if len(set(map(len, digits))) == 1 and len(digits[0]) > 2 and any(d[0] == "0" for d in digits):
        why = f"all numbers have {len(digits[0])} digits after the comma, some of them a leading zero"
        return single, ",", [Finding("decimal mark", "comma", True, why)]
    why = "one column of decimals with a comma, or two columns of integers: the file does not say"
    return single, OpenValue(",", why), [Finding("decimal mark", "comma", False, why)]


def _values(
    rows: list[tuple[int, str]], reading: TableForm
) -> tuple[FloatArray, tuple[str, ...], dict[int, tuple[str, ...]], dict[int, FloatArray], bool]:
    """The numbers, what stands for lost ones, the texts of fields that are none, with their codes.

    The last says whether a number stands for lost samples that could have been read.
    """
    number = number_pattern(reading.decimal)
    words: list[Counter[str]] = [Counter() for _ in range(reading.fields)]
    values = np.full((len(rows), reading.fields), np.nan)
    for k, (_, line) in enumerate(rows):
        for field, cell in enumerate(cells_of(line, reading.delimiter, reading.decimal, reading.fields)):
            if number.fullmatch(cell):
                values[k, field] = float(cell.replace(",", ".") if reading.decimal == "," else cell)
            # A number of nines is kept as a number too: it may be a reading, which _blank_stand_ins decides.
            if not number.fullmatch(cell) or _STAND_IN.fullmatch(cell):
                words[field][cell] += 1
    far = [_blank_stand_ins(values[:, f], words[f], reading.decimal) for f in range(reading.fields)]
    labels = {f: tuple(words[f]) for f, numeric in enumerate(reading.numeric) if not numeric and words[f]}
    missing = {
        w
        for f, numeric in enumerate(reading.numeric)
        if numeric
        for w in words[f]
        if w.lower() not in MISSING_WORDS
    }
    cells = (
        [cells_of(line, reading.delimiter, reading.decimal, reading.fields) for _, line in rows]
        if labels
        else []
    )
    codes = {f: _codes([row[f] for row in cells], words[f]) for f in labels}
    return values, tuple(sorted(missing)), labels, codes, not all(far)


def _codes(cells: list[str], words: Counter[str]) -> FloatArray:
    numbers = {word: number for number, word in enumerate(words)}
    return np.array([numbers.get(cell, -1) for cell in cells], dtype=np.float64)


def _blank_stand_ins(column: FloatArray, words: Counter[str], decimal: str) -> bool:
    """Numbers of nines only, and overflows, that lie far off all others stand for lost samples.

    Returns whether all of them come more than once and lie so far off that nothing can have been read so.
    """
    far = True
    for word in [w for w in words if _STAND_IN.fullmatch(w)]:
        number = float(word.replace(",", ".") if decimal == "," else word)
        others = np.abs(column[np.isfinite(column) & (column != number)])
        # By the largest other reading: a stand-in that lies within reach of readings may be one.
        if len(others) and np.max(others) < 2.0 * _FAR_OFF * abs(number):
            column[column == number] = np.nan
            far = far and words[word] > 1 and bool(np.max(others) < _FAR_OFF * abs(number))
        else:
            del words[word]
    return far


def _other_tables(lines: list[str], reading: TableForm, last: int) -> list[Finding]:
    """A doubt where further rows of numbers lie outside of the table."""
    number = number_pattern(reading.decimal)
    outside = [*lines[: reading.first], *lines[last + 1 :]]
    rows = [
        p for line in outside if (p := row_pattern(line, reading.delimiter, reading.decimal, number)) and any(p)
    ]
    if len(rows) < ROWS_MIN:
        return []
    why = f"{len(rows)} further rows of numbers lie outside of it and are left out"
    return [Finding("table", "the longest of several", False, why)]


def _missing_finding(missing: tuple[str, ...], values: FloatArray, *, doubtful: bool) -> list[Finding]:
    if not missing:
        return []
    rows = int(np.count_nonzero(np.any(np.isnan(values), axis=1)))
    why = f"{rows} of {len(values)} rows hold it instead of a number"
    # More than one in a hundred is worth a look, whatever word stands there.
    sure = not doubtful and rows <= 0.01 * len(values)
    return [Finding("missing samples", plain(", ".join(missing)), sure, why)]


def _written_otherwise(
    rows: list[tuple[int, str]], reading: TableForm, missing: tuple[str, ...]
) -> list[Finding]:
    """A doubt about a few cells without decimals in a column whose other cells all have as many of them.

    A program that writes 0.0000 for a reading of zero writes a bare 0 for what it did not read.
    """
    found = []
    cells = [cells_of(line, reading.delimiter, reading.decimal, reading.fields) for _, line in rows]
    for field in (f for f, numeric in enumerate(reading.numeric) if numeric):
        column = [row[field] for row in cells]
        lengths = Counter(
            len(cell) - cell.rfind(reading.decimal) - 1 for cell in column if reading.decimal in cell
        )
        bare = Counter(cell for cell in column if re.fullmatch(r"[-+]?[0-9]+", cell))
        few = 0 < sum(bare.values()) <= _BARE_SHARE * len(column)
        alike = len(bare) == len(lengths) == 1 and next(iter(lengths)) > 0
        if few and alike and not bare.keys() & set(missing):
            many = sum(bare.values())
            why = f"{many} cells of field {field + 1} are written so, all others with decimals: lost samples?"
            found.append(Finding("missing samples", plain(next(iter(bare))), False, why))
    return found


def _start(lines: list[str], reading: TableForm, names_at: tuple[int, ...]) -> tuple[str | int, Finding]:
    """A pattern for the line before the rows, or the rows' line number where no line announces them."""
    above = next((n for n in range(reading.first - 1, -1, -1) if lines[n].strip()), None)
    number = reading.first + 1
    if above is None:
        return number, Finding("data start", f"line {number}", True, "nothing but numbers from there on")
    text = lines[above].strip()
    # A line with digits is another one in the next file; words are the same in all.
    if above in names_at or not re.search(r"\d", text):
        together = (
            names_at[::-1] if above in names_at and names_at[0] - names_at[-1] < len(names_at) else (above,)
        )
        pattern = "^" + r"[ \t]*\n".join(regex_text(lines[n].rstrip()[:150]) for n in together)
        pattern += r"[ \t]*$" if len(lines[above].rstrip()) <= 150 else ""
        head = "\n".join(lines[: reading.first])
        hit = re.search(pattern, head, re.MULTILINE)
        # The pattern must find this very line: the same words higher up would begin the data there.
        if hit is not None and head.count("\n", 0, hit.end()) == above:
            why = f"the line before the first row is {plain(text)!r}"
            return pattern, Finding("data start", f"line {number}", True, why)
    why = "no line announces the data; a header of another length would shift them"
    return number, Finding("data start", f"line {number}", False, why)


def _until(lines: list[str], first: int, last: int) -> tuple[str | None, list[Finding]]:
    following = lines[last + 1] if last + 1 < len(lines) else ""
    empty_cells = following != "" and not re.search(r"[^;,|\t \"]", following)
    if empty_cells and all(re.search(r"\w", row) for row in lines[first : last + 1]):
        found = Finding("data end", f"line {last + 1}", True, "a row of empty cells follows the rows")
        return r'^[;,|\t "]*$', [found]
    after = next((line for line in lines[last + 1 :] if line.strip()), None)
    if after is None:
        return None, []
    if not lines[last + 1].strip() and all(line.strip() for line in lines[first : last + 1]):
        found = Finding("data end", f"line {last + 1}", True, "an empty line follows the rows")
        return r"^[ \t]*$", [found]
    word = re.match(r"\s*[^\d\s][^\d\n:=;,\t]*", after)
    # Its beginning is enough, and a pattern of a layout has an end.
    pattern = "^" + regex_text(word.group(0).rstrip()[:100]) if word is not None else ""
    # A pattern that also fits a row would end the data there.
    if word is None or any(re.match(pattern, row) for row in lines[first : last + 1]):
        why = f"a line that is no row follows: {plain(after.strip())!r}"
        return None, [Finding("data end", f"line {last + 1}", False, why)]
    found = Finding("data end", f"line {last + 1}", True, f"{plain(after.strip())!r} follows the rows")
    return pattern, [found]
