"""Layouts: how to read a delimited export that is not trace text. A layout is data and never runs code.

A layout says which files it claims, their encoding, delimiter and decimal mark, where data start, which
column is what in which unit, and where each header key comes from: a constant, the file's name or a regular
expression over the lines before the data.
"""

from __future__ import annotations

import codecs
import difflib
import fnmatch
import math
import re
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import Annotated, Any, Literal

import msgspec
import numpy as np

from edgeagent.codec.configuration.schema import convert, located, toml_table
from edgeagent.codec.traces.header import HEADER_KEYS, header_from_mapping
from edgeagent.codec.traces.table import parse_number, read_numbers
from edgeagent.codec.traces.trace_text import coded_labels
from edgeagent.errors import ConfigError, TraceFormatError
from edgeagent.model import FloatArray, Trace

_LENGTH_MM = {"m": 1e3, "cm": 10.0, "mm": 1.0, "um": 1e-3, "µm": 1e-3, "μm": 1e-3, "nm": 1e-6, "inch": 25.4}
_ANGLE_DEG = {"deg": 1.0, "rad": math.degrees(1.0), "rev": 360.0, "turn": 360.0, "arcmin": 1 / 60, "grad": 0.9}
_BOMS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))
_NUMERIC_KEYS = {"tip_radius_mm", "track_diameter_mm", "spindle_rpm", "temperature_c", "lead_mm"}
_HEADER_BYTES_MAX = 65536
FILL_IN = "FILL IN"
"""What a proposed layout holds where the file could not tell; no layout is used before a person replaced it."""
Regex = Annotated[str, msgspec.Meta(min_length=1, max_length=400)]


class Match(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Which files the layout claims: a name pattern, and where wanted a pattern within the first lines."""

    names: Annotated[tuple[str, ...], msgspec.Meta(min_length=1)]
    contains: Regex | None = None


class Text(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How bytes become cells; a byte order mark overrides ``encoding``."""

    delimiter: Literal["comma", "semicolon", "tab", "blanks", "bar"] = "comma"
    decimal: Literal[".", ","] = "."
    encoding: Literal["utf-8", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "windows-1252"] = "utf-8"
    missing: tuple[str, ...] = ()


class Data(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Where data start and end: after the line that matches a pattern, or at a line number."""

    after: Regex | None = None
    first_line: Annotated[int, msgspec.Meta(ge=1)] | None = None
    until: Regex | None = None
    fields: Annotated[int, msgspec.Meta(ge=1, le=64)] | None = None

    def __post_init__(self) -> None:
        if (self.after is None) == (self.first_line is None):
            raise ValueError("give one of after and first_line")


class Column(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One column of the trace: the field it is read from, or a constant step where it is not recorded.

    ``unit`` is what the file is in; the name says what is wanted. ``scale`` and ``offset`` apply before the
    unit; ``per_turn`` makes an angle from the sample number; ``unwrap`` joins turns where the recorded angle
    begins again at every turn; ``words`` translates the labels of ``side`` to top and bottom.
    """

    name: Literal["angle_deg", "deviation_um", "axial_mm", "x_mm", "z_mm", "side", "travel_mm"]
    field: Annotated[int, msgspec.Meta(ge=1)] | None = None
    unit: str | None = None
    scale: float = 1.0
    offset: float = 0.0
    step: float | None = None
    per_turn: Annotated[float, msgspec.Meta(gt=0)] | None = None
    unwrap: bool = False
    words: dict[str, Literal["top", "bottom"]] = {}

    def __post_init__(self) -> None:
        if sum(x is not None for x in (self.field, self.step, self.per_turn)) != 1:
            raise ValueError("give one of field, step and per_turn")
        if self.per_turn is not None and self.name != "angle_deg":
            raise ValueError("per_turn makes an angle_deg")
        if self.unwrap and (self.name != "angle_deg" or self.field is None):
            raise ValueError("unwrap joins the turns of an angle_deg that has a field")
        if self.words and self.name != "side":
            raise ValueError("words are for the labels of side")
        if self.unit is not None and self.unit not in _units_for(self.name):
            raise ValueError(f"unit {self.unit!r}; allowed: {', '.join(_units_for(self.name))}")
        if self.scale == 0 or not math.isfinite(self.scale):
            raise ValueError("scale must be finite and not 0")


class HeaderSource(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Where one header key comes from: the groups of ``pattern`` over the lines before the data.

    Several groups, such as a date and a time of day, are joined by a blank. Without ``pattern`` the text is
    that of the group of the same name in ``file_name``. ``format`` is that of ``strptime`` for
    ``measured_at``; where the text has no offset, ``utc_offset_h`` is a fixed one and ``timezone`` a zone of
    the IANA database whose clock goes with summer time. The hour that comes twice in autumn is taken as the
    first one, so that a verification is never thought younger than it is. ``scale`` turns a number into the
    key's unit; ``words`` translates texts.
    """

    key: str
    pattern: Regex | None = None
    format: str | None = None
    utc_offset_h: Annotated[float, msgspec.Meta(ge=-14, le=14)] | None = None
    timezone: str | None = None
    scale: float = 1.0
    words: dict[str, str] = {}
    required: bool = True

    def __post_init__(self) -> None:
        if self.key != "measured_at":
            if self.format is not None or self.utc_offset_h is not None or self.timezone is not None:
                raise ValueError("format, utc_offset_h and timezone belong to measured_at")
        elif self.utc_offset_h is not None and self.timezone is not None:
            raise ValueError("utc_offset_h and timezone exclude each other")
        elif self.zone is None and self.format is not None and "%z" not in self.format:
            raise ValueError("the format has no %z, so utc_offset_h or timezone must say the offset from UTC")

    @property
    def zone(self) -> tzinfo | None:
        """The zone of times without an offset. Raises ValueError for one that this machine does not know."""
        if self.timezone is not None:
            return _zone(self.timezone)
        if self.utc_offset_h is None:
            return None
        return UTC if self.utc_offset_h == 0 else timezone(timedelta(hours=self.utc_offset_h))


class Layout(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One layout file."""

    layout: str
    match: Match
    data: Data
    column: Annotated[tuple[Column, ...], msgspec.Meta(min_length=1)]
    text: Text = Text()
    header: tuple[HeaderSource, ...] = ()
    file_name: Regex | None = None
    constants: dict[str, Any] = {}


def _units_for(column: str) -> Mapping[str, float]:
    if column == "angle_deg":
        return _ANGLE_DEG
    return _LENGTH_MM if column != "side" else {}


def parse_layout(data: bytes, file: str) -> Layout:
    """A Layout from TOML bytes. Raises ConfigError naming file, key, value and what is allowed."""
    table = toml_table(data, file)
    text = data.decode("utf-8-sig")
    _refuse_unfilled(table, file, text, "")
    layout = convert(table, Layout, file, text=text)
    _check_patterns(layout, file, text)
    names = [c.name for c in layout.column]
    for number, column in enumerate(names):
        if column in names[:number]:
            key = f"column[{number}].name"
            raise ConfigError(located(file, text, key), key, "a column is named twice", value=column)
    _check_keys(layout, file, text)
    _check_constants(layout, file, text)
    return layout


def _refuse_unfilled(found: Any, file: str, text: str, path: str) -> None:
    if isinstance(found, dict):
        for key, value in found.items():
            _refuse_unfilled(value, file, text, f"{path}.{key}" if path else key)
    elif isinstance(found, list):
        for number, value in enumerate(found):
            _refuse_unfilled(value, file, text, f"{path}[{number}]")
    elif found == FILL_IN:
        where = located(file, text, path)
        raise ConfigError(where, path, "must be filled in: the file that it was proposed from does not tell")


def _check_keys(layout: Layout, file: str, text: str) -> None:
    """Every key that a layout gives must be one of a header, and have a place that it comes from."""
    in_name = re.compile(layout.file_name or "").groupindex
    given = [(h.key, f"header[{i}].key") for i, h in enumerate(layout.header)]
    given += [(key, f"constants.{key}") for key in layout.constants]
    for name, key in [*given, *((name, "file_name") for name in in_name)]:
        if name not in HEADER_KEYS:
            near = difflib.get_close_matches(name, HEADER_KEYS, 1)
            complaint = "not a header key" + (f", did you mean {near[0]!r}?" if near else "")
            allowed = ", ".join(HEADER_KEYS)
            raise ConfigError(located(file, text, key), key, complaint, value=name, allowed=allowed)
    for number, source in enumerate(layout.header):
        if source.pattern is None and source.key not in in_name:
            key = f"header[{number}].pattern"
            complaint = f"no pattern, and file_name has no group {source.key}"
            raise ConfigError(located(file, text, key), key, complaint)


def _check_patterns(layout: Layout, file: str, text: str) -> None:
    sources = [("match.contains", layout.match.contains), ("data.after", layout.data.after)]
    sources += [("data.until", layout.data.until), ("file_name", layout.file_name)]
    sources += [(f"header[{i}].pattern", h.pattern) for i, h in enumerate(layout.header)]
    for key, pattern in sources:
        if pattern is None:
            continue
        where = located(file, text, key)
        try:
            compiled = re.compile(pattern)
        except re.error as error:
            raise ConfigError(where, key, f"not a regular expression: {error}", value=pattern) from error
        if key.startswith("header") and not compiled.groups:
            raise ConfigError(where, key, "needs a group that holds the value", value=pattern)
        if key == "file_name" and not compiled.groupindex:
            allowed = "for example (?P<serial>[0-9]+)"
            raise ConfigError(where, key, "needs named groups", value=pattern, allowed=allowed)


def _check_constants(layout: Layout, file: str, text: str) -> None:
    """Each constant must suit its header key, so that a mistake is found before the first file comes."""
    others: dict[str, Any] = {"kind": "x", "feature": "x", "measured_at": datetime(2000, 1, 1, tzinfo=UTC)}
    if "artefact" not in layout.constants:
        others |= {"part": "x", "serial": "x"}
    try:
        header_from_mapping({"trace": 1, **others, **_typed(layout.constants, layout.text.decimal)})
    except TraceFormatError as error:
        named = re.match(r"header (\w+)", str(error))
        key = f"constants.{named.group(1)}" if named and named.group(1) in layout.constants else "constants"
        raise ConfigError(located(file, text, key), key, str(error)) from error


def claims(layout: Layout, name: str, data: bytes) -> bool:
    """Whether a layout claims a file by its base name and, where asked, by its first lines."""
    base = name.rsplit("/", 1)[-1].lower()
    if not any(fnmatch.fnmatchcase(base, pattern.lower()) for pattern in layout.match.names):
        return False
    if layout.match.contains is None:
        return True
    head = data[:_HEADER_BYTES_MAX].decode(_encoding(layout, data), errors="replace").replace("\r", "")
    return re.search(layout.match.contains, head.removeprefix("\ufeff"), re.MULTILINE) is not None


def parse_with_layout(layout: Layout, name: str, data: bytes) -> Trace:
    """A Trace from a delimited export. Raises TraceFormatError with the line and what was expected."""
    head, body, first_line = _split(layout, _recoded(layout, data))
    header = header_from_mapping(_header(layout, name, head))
    body, delimiter = _unquoted(body, _delimiter(layout), layout.text.decimal)
    fields = layout.data.fields or _count_fields(body, delimiter, first_line)
    side = next((c for c in layout.column if c.name == "side"), None)
    rows = read_numbers(
        _coded_sides(body, delimiter, side.words) if side else body,
        columns=fields,
        delimiter=delimiter,
        decimal=layout.text.decimal,
        first_line=first_line,
        missing=frozenset(m.lower() for m in layout.text.missing),
    )
    return Trace(header, {c.name: _column(c, rows, fields) for c in layout.column})


def _column(column: Column, rows: FloatArray, fields: int) -> FloatArray:
    if column.per_turn is not None:
        return np.arange(len(rows), dtype=np.float64) * float(360.0 / column.per_turn)
    if column.step is not None:
        raw = np.arange(len(rows), dtype=np.float64) * column.step
    else:
        assert column.field is not None
        if column.field > fields:
            raise TraceFormatError(
                f"{fields} fields a line", expected=f"a field {column.field} for {column.name}"
            )
        raw = np.ascontiguousarray(rows[:, column.field - 1])
    if column.scale != 1.0 or column.offset != 0.0:
        raw = raw * column.scale + column.offset
    wanted = column.name.rsplit("_", 1)[-1]
    if column.unit is not None and column.unit != wanted:
        units = _units_for(column.name)
        raw = raw * (units[column.unit] / units[wanted])
    return _unwrapped(raw) if column.unwrap else raw


def _coded_sides(body: bytes, delimiter: str, words: Mapping[str, str]) -> bytes:
    """The labels of the sides as numbers: the layout's own words, then ``top`` and ``bottom``."""
    mark = b"[ \t]" if delimiter == " " else re.escape(delimiter.encode())
    for word, label in words.items():
        cell = rb"(^|%b)([ \t]*)%b(?=[ \t]*(?:$|%b))" % (mark, re.escape(word.encode("utf-8")), mark)
        body = re.sub(cell, rb"\1\2" + label.encode(), body, flags=re.MULTILINE)
    return coded_labels(body)


def _unwrapped(angle_deg: FloatArray) -> FloatArray:
    """Turns joined: a step back or forth of more than half a turn is the beginning of the next turn."""
    joined = angle_deg.copy()
    finite = np.isfinite(angle_deg)
    joined[finite] = np.unwrap(angle_deg[finite], period=360.0)
    return joined


def _unquoted(body: bytes, delimiter: str, decimal: str) -> tuple[bytes, str]:
    """Rows without quotation marks; quoted numbers may use the comma for both, then a bar takes its place."""
    if b'"' not in body:
        if delimiter == decimal:
            raise TraceFormatError(
                "the comma is both delimiter and decimal mark", expected="quoted numbers, or another delimiter"
            )
        return body, delimiter
    if delimiter == decimal:
        return body.replace(b'","', b"|").replace(b'"', b""), "|"
    return body.replace(b'"', b""), delimiter


def _delimiter(layout: Layout) -> str:
    return {"comma": ",", "semicolon": ";", "tab": "\t", "blanks": " ", "bar": "|"}[layout.text.delimiter]


def _encoding(layout: Layout, data: bytes) -> str:
    for mark, encoding in _BOMS:
        if data.startswith(mark):
            return encoding
    return "utf-16-le" if layout.text.encoding == "utf-16" else layout.text.encoding


def _recoded(layout: Layout, data: bytes) -> bytes:
    """The file as UTF-8 without a byte order mark, its lines ended by a line feed alone."""
    text = _as_utf8(layout, data)
    if b"\r" not in text:
        return text
    return text.replace(b"\r", b"") if b"\n" in text else text.replace(b"\r", b"\n")


def _as_utf8(layout: Layout, data: bytes) -> bytes:
    encoding = _encoding(layout, data)
    for mark, _ in _BOMS:
        data = data.removeprefix(mark)
    if encoding == "utf-8":
        try:
            data[:_HEADER_BYTES_MAX].decode("utf-8")
        except UnicodeDecodeError as error:
            if error.start < _HEADER_BYTES_MAX - 4:  # a character may be cut in two there
                raise TraceFormatError(f"not UTF-8 text at byte {error.start}", expected="utf-8") from error
        return data
    try:
        return data.decode(encoding).encode("utf-8")
    except UnicodeDecodeError as error:
        raise TraceFormatError(f"not {encoding} text at byte {error.start}", expected=encoding) from error


def _split(layout: Layout, data: bytes) -> tuple[str, bytes, int]:
    """Header text, the bytes of the rows, and the line number of the first row."""
    if layout.data.first_line is not None:
        position = 0
        for skipped in range(layout.data.first_line - 1):
            position = data.find(b"\n", position) + 1
            if position == 0:
                raise TraceFormatError(f"the file ends at line {skipped + 1}", expected="data after it")
    else:
        head = data[:_HEADER_BYTES_MAX].decode("utf-8", errors="replace")
        found = re.search(str(layout.data.after), head, re.MULTILINE)
        if found is None:
            raise TraceFormatError("data do not begin", expected=f"a line matching {layout.data.after!r}")
        lines = head.count("\n", 0, found.end())
        position = 0
        for _ in range(lines + 1):
            position = data.find(b"\n", position) + 1
            if position == 0:
                raise TraceFormatError("the file ends after its header", line=lines + 1)
    body = data[position:]
    if layout.data.until is not None:
        end = re.search(layout.data.until.encode("utf-8"), body, re.MULTILINE)
        body = body[: end.start()] if end else body
    return data[:position].decode("utf-8", errors="replace"), body, data.count(b"\n", 0, position) + 1


def _count_fields(body: bytes, delimiter: str, first_line: int) -> int:
    """Fields of the first row; empty lines may come before it."""
    lead = len(body) - len(body.lstrip(b" \n"))
    first = body[lead:].split(b"\n", 1)[0].decode("utf-8", errors="replace").strip(" ")
    if not first.strip():
        raise TraceFormatError("nothing where data should begin", line=first_line, expected="numbers")
    cells = first.split() if delimiter == " " else first.split(delimiter)
    return len(cells) - (1 if len(cells) > 1 and not cells[-1].strip() else 0)


def _header(layout: Layout, name: str, head: str) -> dict[str, Any]:
    found: dict[str, Any] = {"trace": 1, **layout.constants}
    if layout.file_name is not None:
        base = name.rsplit("/", 1)[-1]
        match = re.search(layout.file_name, base)
        if match is None:
            raise TraceFormatError(f"file name {base!r}", expected=f"a name matching {layout.file_name!r}")
        found.update({k: v for k, v in match.groupdict().items() if v is not None})
    for source in layout.header:
        if source.pattern is None:
            continue
        match = re.search(source.pattern, head, re.MULTILINE)
        groups = [group.strip() for group in match.groups() if group is not None] if match else []
        if not groups:
            if source.required:
                raise TraceFormatError(
                    f"header {source.key} not found", expected=f"a line matching {source.pattern!r}"
                )
            continue
        found[source.key] = " ".join(groups)
    for source in layout.header:
        if isinstance(found.get(source.key), str):
            found[source.key] = _header_value(source, found[source.key], layout.text.decimal)
    return _typed(found, layout.text.decimal)


def _typed(found: Mapping[str, Any], decimal: str) -> dict[str, Any]:
    """Numbers and moments that are still texts, as from a file's name or a constant."""
    typed = dict(found)
    for key in _NUMERIC_KEYS & typed.keys():
        if isinstance(typed[key], str):
            typed[key] = parse_number(typed[key], decimal)
    if isinstance(typed.get("measured_at"), str):
        typed["measured_at"] = _moment(typed["measured_at"], None, None)
    return typed


def _header_value(source: HeaderSource, text: str, decimal: str) -> Any:
    if source.words:
        if text not in source.words:
            raise TraceFormatError(f"header {source.key}: {text!r}", expected=", ".join(source.words))
        text = source.words[text]
    if source.key == "measured_at":
        return _moment(text, source.format, source.zone)
    if source.key in _NUMERIC_KEYS:
        return parse_number(text, decimal) * source.scale
    return text


def _zone(name: str) -> tzinfo:
    from zoneinfo import ZoneInfo  # only where a layout names a zone

    try:
        return ZoneInfo(name)
    except (LookupError, OSError, ValueError) as error:
        raise ValueError(f"timezone {name!r} is not in this machine's time zone database (tzdata)") from error


def _moment(text: str, form: str | None, zone: tzinfo | None) -> datetime:
    try:
        moment = datetime.strptime(text, form) if form else datetime.fromisoformat(text)  # noqa: DTZ007
    except ValueError as error:
        raise TraceFormatError(
            f"header measured_at: {text!r}", expected=form or "for example 2026-03-02T09:41:07+01:00"
        ) from error
    return moment.replace(tzinfo=zone) if moment.tzinfo is None and zone is not None else moment
