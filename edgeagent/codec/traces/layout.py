"""Layouts: how to read a delimited export that is not trace text. A layout is data and never runs code.

A layout says which files it claims, their encoding, delimiter and decimal mark, where data start, which
column is what in which unit, and where each header key comes from: a constant, the file's name or a regular
expression over the lines before the data.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import Annotated, Any, Literal

import msgspec

from edgeagent.codec.configuration.schema import convert, line_of, place_of_key, toml_table
from edgeagent.codec.numbers import parse_number
from edgeagent.codec.traces.header import CARRIED_KEYS, FILL_IN, HEADER_KEYS, header_from_mapping
from edgeagent.errors import ConfigError, TraceFormatError, UnfilledError

# Micro is U+00B5 on keyboards and U+03BC in Greek text; both look alike in a layout.
_LENGTH_MM = {"m": 1e3, "cm": 10.0, "mm": 1.0, "um": 1e-3, "µm": 1e-3, "μm": 1e-3, "nm": 1e-6, "inch": 25.4}
_TORQUE_N_M = {"N m": 1.0, "N cm": 1e-2, "N mm": 1e-3, "mN m": 1e-3}
_ANGLE_DEG = {"deg": 1.0, "rad": math.degrees(1.0), "rev": 360.0, "turn": 360.0, "arcmin": 1 / 60, "grad": 0.9}
NUMERIC_KEYS = {"tip_radius_mm", "track_diameter_mm", "spindle_rpm", "temperature_c", "lead_mm"}
# No number means no value: texts of these keys are converted, all others stay as they are written.
RegexText = Annotated[str, msgspec.Meta(min_length=1, max_length=400)]


class FileMatch(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Which files the layout claims: a name pattern, and where wanted a pattern within the first lines."""

    names: Annotated[tuple[str, ...], msgspec.Meta(min_length=1)]
    contains: RegexText | None = None


Encoding = Literal[
    "utf-8", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "windows-1252", "windows-1250", "windows-1251",
    "mac-roman", "cp932", "gb18030",
]  # fmt: skip


class TextForm(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How bytes become cells; a byte order mark overrides ``encoding``.

    ``widths`` are the characters of each field where fields touch (delimiter ``fixed``). ``thousands`` is the
    sign that groups digits by three; a group that is none makes the cell no number.
    """

    delimiter: Literal["comma", "semicolon", "tab", "blanks", "bar", "fixed"] = "comma"
    decimal: Literal[".", ","] = "."
    encoding: Encoding = "utf-8"
    missing: tuple[str, ...] = ()
    thousands: Literal[".", ",", "'", " "] | None = None
    widths: Annotated[tuple[Annotated[int, msgspec.Meta(ge=1, le=200)], ...], msgspec.Meta(max_length=64)] = ()

    def __post_init__(self) -> None:
        if (self.delimiter == "fixed") != bool(self.widths):
            raise ValueError("widths belong to delimiter fixed, which needs them")
        if self.thousands == self.decimal:
            raise ValueError("thousands and decimal must not be the same sign")
        if self.thousands == " " and self.delimiter == "blanks":
            raise ValueError("blanks cannot both separate fields and group digits")


class DataPlace(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Where data start and end: after the line that matches a pattern, or at a line number."""

    after: RegexText | None = None
    first_line: Annotated[int, msgspec.Meta(ge=1)] | None = None
    until: RegexText | None = None
    fields: Annotated[int, msgspec.Meta(ge=1, le=64)] | None = None

    def __post_init__(self) -> None:
        if (self.after is None) == (self.first_line is None):
            raise ValueError("give one of after and first_line")


class Column(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One column of the trace: the field it is read from, or a constant step where it is not recorded.

    ``unit`` is what the file is in; the name says what is wanted. ``scale`` and ``offset`` apply before the
    unit; ``per_turn`` makes an angle from the sample number; ``unwrap`` joins turns where the recorded angle
    begins again at every turn; ``words`` translates the labels of ``side`` to top and bottom; ``suffix`` is the
    text, such as a unit, that stands behind each number of the field.
    """

    name: Annotated[str, msgspec.Meta(pattern="^[a-z][a-z0-9_]{0,40}$")]
    field: Annotated[int, msgspec.Meta(ge=1)] | None = None
    unit: str | None = None
    scale: float = 1.0
    offset: float = 0.0
    step: float | None = None
    per_turn: Annotated[float, msgspec.Meta(gt=0)] | None = None
    unwrap: bool = False
    words: dict[str, Literal["top", "bottom"]] = {}
    suffix: Annotated[str, msgspec.Meta(min_length=1, max_length=20)] | None = None

    def __post_init__(self) -> None:
        if self.suffix is not None and self.field is None:
            raise ValueError("suffix stands behind the numbers of a field")
        if sum(x is not None for x in (self.field, self.step, self.per_turn)) != 1:
            raise ValueError("give one of field, step and per_turn")
        if self.per_turn is not None and self.name != "angle_deg":
            raise ValueError("per_turn makes an angle_deg")
        if self.unwrap and (self.name != "angle_deg" or self.field is None):
            raise ValueError("unwrap joins the turns of an angle_deg that has a field")
        if self.words and self.name != "side":
            raise ValueError("words are for the labels of side")
        if self.unit is not None and self.unit not in units_for(self.name):
            allowed = ", ".join(units_for(self.name)) or "none, since it is no length, angle or torque"
            raise ValueError(f"unit {self.unit!r}; allowed: {allowed}")
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
    pattern: RegexText | None = None
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
        # A verification's age is counted in UTC: a clock without an offset would be wrong by hours.
        elif self.zone is None and self.format is not None and "%z" not in self.format:
            raise ValueError("the format has no %z, so utc_offset_h or timezone must say the offset from UTC")

    @property
    def zone(self) -> tzinfo | None:
        """The zone of times without an offset. Raises ValueError for one that this machine does not know."""
        if self.timezone is not None:
            return _zone(self.timezone)
        if self.utc_offset_h is None:
            return None
        return timezone(timedelta(hours=self.utc_offset_h))


FeatureName = Annotated[str, msgspec.Meta(pattern="^[A-Za-z0-9][A-Za-z0-9._-]{0,60}$")]


class Traces(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Several traces in one file, each of a feature of its own: by rows or by fields.

    By rows: ``field`` holds a text or number that says whose a row is, and ``features`` names the feature of
    each. Every value that occurs must be named, and every one that is named must occur. By fields: ``fields``
    gives each feature the field that its column ``of`` is read from.
    """

    field: Annotated[int, msgspec.Meta(ge=1)] | None = None
    features: dict[str, FeatureName] = {}
    fields: dict[FeatureName, Annotated[int, msgspec.Meta(ge=1)]] = {}
    of: str = "deviation_um"

    def __post_init__(self) -> None:
        if (self.field is None) == (not self.fields) or (self.field is None) != (not self.features):
            raise ValueError("give either field and features, or fields")
        if len(set(self.names)) != len(self.names) or len(set(self.fields.values())) != len(self.fields):
            raise ValueError("each trace needs a feature, and each feature a field, of its own")

    @property
    def names(self) -> tuple[str, ...]:
        """The features, in the order of the layout."""
        return tuple(self.features.values()) or tuple(self.fields)


class Layout(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One layout file."""

    layout: str
    match: FileMatch
    data: DataPlace
    column: Annotated[tuple[Column, ...], msgspec.Meta(min_length=1)]
    text: TextForm = TextForm()
    header: tuple[HeaderSource, ...] = ()
    file_name: RegexText | None = None
    constants: dict[str, Any] = {}
    traces: Traces | None = None

    def __post_init__(self) -> None:
        if self.traces is None:
            return
        if self.traces.fields and self.traces.of not in [c.name for c in self.column if c.field is not None]:
            raise ValueError(f"traces.of {self.traces.of!r} is no column that has a field")
        if "feature" in self.constants or any(h.key == "feature" for h in self.header):
            raise ValueError("traces give each trace its feature: no other feature can be given")


def units_for(column: str) -> Mapping[str, float]:
    """Units that a column may be written in, with the factor to degrees, mm or N m."""
    if column.endswith("_deg"):
        return _ANGLE_DEG
    if column.endswith("_n_m"):
        return _TORQUE_N_M
    return _LENGTH_MM if column.endswith(("_mm", "_um", "_nm")) else {}


def unit_factor(column: str, unit: str | None) -> float:
    """What values of a column that are written in a unit are multiplied with; 1 without one."""
    # Relative to the column's own unit, not to mm: the name says whether mm, µm or nm are wanted.
    units, own = units_for(column), "N m" if column.endswith("_n_m") else column.rsplit("_", 1)[-1]
    return 1.0 if unit is None or unit == own else units[unit] / units[own]


def parse_layout(data: bytes, file: str) -> Layout:
    """A Layout from TOML bytes. Raises ConfigError naming file, key, value and what is allowed."""
    table = toml_table(data, file)
    text = data.decode("utf-8-sig")
    # Before the types: "FILL IN" where a number belongs would be named as a wrong type, one key at a time.
    _refuse_unfilled(table, file, text)
    layout = convert(table, Layout, file, text=text)
    _check_patterns(layout, file, text)
    names = [c.name for c in layout.column]
    for number, column in enumerate(names):
        if column in names[:number]:
            key = f"column[{number}].name"
            raise ConfigError(place_of_key(file, text, key), key, "a column is named twice", value=column)
    _check_keys(layout, file, text)
    _check_constants(layout, file, text)
    return layout


def _refuse_unfilled(table: dict[str, Any], file: str, text: str) -> None:
    """Raise UnfilledError that names every key which a person has still to fill in."""
    paths = list(_unfilled_keys(table, ""))
    if paths:
        places = [f"line {line_of(text, path)} {_title_of(table, path)}" for path in paths]
        raise UnfilledError(place_of_key(file, text, paths[0]), paths[0], places)


def _unfilled_keys(found: Any, path: str) -> Iterator[str]:
    if isinstance(found, dict):
        for key, value in found.items():
            yield from _unfilled_keys(value, f"{path}.{key}" if path else key)
    elif isinstance(found, list):
        for number, value in enumerate(found):
            yield from _unfilled_keys(value, f"{path}[{number}]")
    elif found == FILL_IN:
        yield path


def _title_of(table: dict[str, Any], path: str) -> str:
    """A key with the column's or header entry's own name in place of its number."""
    found = re.match(r"(column|header)\[(\d+)\]\.(.+)", path)
    if not found:
        return path
    owner = table[found[1]][int(found[2])]
    name = owner.get("name" if found[1] == "column" else "key", FILL_IN)
    return f"{found[3]} of {name}"


def _check_keys(layout: Layout, file: str, text: str) -> None:
    """Every key that a layout gives must be one of a header, and have a place that it comes from."""
    in_name = re.compile(layout.file_name or "").groupindex
    given = [(h.key, f"header[{i}].key") for i, h in enumerate(layout.header)]
    given += [(key, f"constants.{key}") for key in layout.constants]
    for name, key in [*given, *((name, "file_name") for name in in_name)]:
        if name not in (*HEADER_KEYS, *CARRIED_KEYS):
            near = difflib.get_close_matches(name, (*HEADER_KEYS, *CARRIED_KEYS), 1)
            complaint = "not a header key" + (f", did you mean {near[0]!r}?" if near else "")
            allowed = ", ".join((*HEADER_KEYS, *CARRIED_KEYS))
            raise ConfigError(place_of_key(file, text, key), key, complaint, value=name, allowed=allowed)
    for number, source in enumerate(layout.header):
        if source.pattern is None and source.key not in in_name:
            key = f"header[{number}].pattern"
            complaint = f"no pattern, and file_name has no group {source.key}"
            raise ConfigError(place_of_key(file, text, key), key, complaint)


def _check_patterns(layout: Layout, file: str, text: str) -> None:
    sources = [("match.contains", layout.match.contains), ("data.after", layout.data.after)]
    sources += [("data.until", layout.data.until), ("file_name", layout.file_name)]
    sources += [(f"header[{i}].pattern", h.pattern) for i, h in enumerate(layout.header)]
    for key, pattern in sources:
        if pattern is None:
            continue
        where = place_of_key(file, text, key)
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
    # What other sources will give is stood in for, so that only the constants can be wrong.
    if "artefact" not in layout.constants:
        others |= {"part": "x", "serial": "x"}
    try:
        header_from_mapping(
            {"trace": 1, **others, **convert_header_values(layout.constants, layout.text.decimal)}
        )
    except TraceFormatError as error:
        named = re.match(r"header (\w+)", str(error))
        key = f"constants.{named.group(1)}" if named and named.group(1) in layout.constants else "constants"
        raise ConfigError(place_of_key(file, text, key), key, str(error)) from error


def convert_header_values(found: Mapping[str, Any], decimal: str) -> dict[str, Any]:
    """Header values with numbers and times in place of their texts, as a file's name or a constant gives them.

    Raises TraceFormatError.
    """
    typed = dict(found)
    for key in NUMERIC_KEYS & typed.keys():
        if isinstance(typed[key], str):
            typed[key] = parse_number(typed[key], decimal)
    if isinstance(typed.get("measured_at"), str):
        typed["measured_at"] = parse_moment(typed["measured_at"], None, None)
    return typed


def _zone(name: str) -> tzinfo:
    from zoneinfo import ZoneInfo  # only where a layout names a zone

    try:
        return ZoneInfo(name)
    except (LookupError, OSError, ValueError) as error:
        raise ValueError(f"timezone {name!r} is not in this machine's time zone database (tzdata)") from error


def parse_moment(text: str, form: str | None, zone: tzinfo | None) -> datetime:
    """A time by its format, in ``zone`` where the text has no offset. Raises TraceFormatError."""
    if any(c.isdigit() and not c.isascii() for c in text):  # strptime takes digits of any script
        raise TraceFormatError(f"header measured_at: {text!r}", expected="digits 0 to 9")
    try:
        moment = datetime.strptime(text, form) if form else datetime.fromisoformat(text)  # noqa: DTZ007
    except ValueError as error:
        raise TraceFormatError(
            f"header measured_at: {text!r}", expected=form or "for example 2026-03-02T09:41:07+01:00"
        ) from error
    # replace keeps fold = 0: of the hour that comes twice in autumn the first, see HeaderSource.
    return moment.replace(tzinfo=zone) if moment.tzinfo is None and zone is not None else moment
