"""Header entries of an unknown export: regular expressions for header keys, and hints for its columns."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from edgeagent.codec.configuration.toml_text import plain
from edgeagent.codec.proposals.columns.column_doubts import Hints
from edgeagent.codec.proposals.columns.column_shapes import TURN
from edgeagent.codec.proposals.findings import Finding, OpenValue, regex_text
from edgeagent.codec.proposals.header_entries import HeaderEntry, rows_of_keys, unit_text
from edgeagent.codec.proposals.sniff import ExportTable
from edgeagent.codec.proposals.trade_words import (
    ANGLE_UNITS,
    FEATURE_PAIRS,
    LENGTH_UNITS,
    SENSING_WORDS,
    normal,
)
from edgeagent.codec.proposals.written_units import header_key, unit_of

_MM = {"um": 1e-3, "mm": 1.0, "nm": 1e-6, "m": 1e3, "cm": 10.0, "inch": 25.4}
_RPM = {"rpm": 1.0, "1 min": 1.0, "min 1": 1.0, "min": 1.0, "u min": 1.0, "tr min": 1.0, "giri min": 1.0,
        "r min": 1.0, "rev min": 1.0, "1 s": 60.0, "hz": 60.0, "rev s": 60.0, "u s": 60.0}  # fmt: skip
_NUMBER = r"[-+]?[0-9]+(?:[.,][0-9]+)?"
_DATE = re.compile(
    r"\d{4}-\d{2}-\d{2}|\d{4}/\d{1,2}/\d{1,2}|\d{1,2}\.\d{1,2}\.(?:\d{4}|\d{2})(?!\d)|\d{1,2}/\d{1,2}/(?:\d{4}|\d{2})(?!\d)"
    r"|\d{1,2}-\d{1,2}-\d{4}|(?<!\d)20\d{6}(?!\d)|\d{1,2}[ -][A-Za-z]{3}[ -]\d{4}"
)
_TIME = re.compile(
    r"(?<![\d:])\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d{1,6})?)?(?:\s?[AaPp][Mm]\b)?"
    r"(?:\s?(?:Z\b|UTC\b|GMT\b|[+-]\d{2}:?\d{2}\b|MEZ\b|MESZ\b|CET\b|CEST\b))?"
)
_ZONES = {"UTC": 0.0, "GMT": 0.0, "MEZ": 1.0, "CET": 1.0, "MESZ": 2.0, "CEST": 2.0}
_NUMBERS = ("tip_radius_mm", "track_diameter_mm", "lead_mm", "spindle_rpm", "temperature_c")
_TEXTS = ("part", "serial", "feature", "instrument", "operator", "order", "sensing")
_LENGTHS = {"tip_radius_mm": ("tip_radius_mm", 1.0), "tip_diameter": ("tip_radius_mm", 0.5),
            "track_diameter_mm": ("track_diameter_mm", 1.0), "lead_mm": ("lead_mm", 1.0)}  # fmt: skip


@dataclass(frozen=True, slots=True)
class SourceProposal:
    """One ``[[header]]``: its keys, some of them open, and the value found in this file."""

    key: str
    keys: Mapping[str, object]
    found: str


@dataclass(frozen=True, slots=True)
class HeaderProposal:
    """What the header gives: sources of header keys, hints for the columns, findings."""

    sources: tuple[SourceProposal, ...]
    hints: Hints
    findings: tuple[Finding, ...]
    entries: Mapping[str, HeaderEntry] = field(default_factory=dict)


def read_header(table: ExportTable) -> HeaderProposal:
    """Sources and hints from the lines before the data."""
    entries: dict[str, HeaderEntry] = {}
    findings: list[Finding] = []
    rivals: dict[str, HeaderEntry] = {}
    rows = list(rows_of_keys(table.head, table.mark))
    # Lines of a row of names and of its values are no entries of their own.
    within = {n for entry in rows for n in (entry.line - 1, entry.line)}
    # One number a line is cut by any delimiter, and its header may be cut by commas all the same
    marks = (table.mark,) if table.fields > 1 else (table.mark, ",")
    lines = [
        next((e for e in (_header_entry(line, n, mark) for mark in marks) if e is not None), None)
        for n, line in enumerate(table.head)
        if n not in within
    ]
    for found in [*lines, *rows]:
        # The first one counts, and the doubt is stated: one line may be about the station, one about the part.
        if found is not None and found.key in entries and found.value != entries[found.key].value:
            rivals[found.key] = found
        elif found is not None:
            entries.setdefault(found.key, found)
    sources = [_text_source(entries[key], table.mark, findings) for key in _TEXTS if key in entries]
    # Apart from the texts: date and time of day may stand on two lines.
    moment = _moment_source(entries, findings)
    sources += [moment] if moment is not None else []
    for word, (key, factor) in _LENGTHS.items():
        if word in entries and all(s.key != key for s in sources):
            sources += _length_source(entries[word], key, factor, findings)
    sources += _speed_source(entries, findings)
    if "temperature_c" in entries:
        sources += _celsius_source(entries["temperature_c"])
    foreign = re.compile(r"^[-+]?\d+" + (r"\." if table.decimal_guess == "," else ","))
    for source in [s for s in sources if s.key in _NUMBERS and foreign.match(s.found)]:
        sources.remove(source)
        why = "it is written with another decimal mark than the table, which a layout cannot say"
        findings[:] = [f for f in findings if f.what != source.key]
        findings.append(Finding(source.key, plain(source.found), False, why))
    for key in rivals.keys() & {s.key for s in sources}:
        why = f"lines {entries[key].line + 1} and {rivals[key].line + 1} could both give it"
        findings = [f for f in findings if f.what != key]
        findings.append(Finding(key, plain(entries[key].value), False, why))
    read, lost = _keep_readable(sources, table)
    findings = [f for f in findings if f.what not in lost] + list(lost.values())
    # Hints become patterns of the layout: only a line of its own, without a rival, is safe to be relied on.
    safe = {k: entry for k, entry in entries.items() if not entry.cell and (k not in rivals or k in _TEXTS)}
    return HeaderProposal(tuple(read), _hints(safe), tuple(findings), entries)


def _keep_readable(
    sources: list[SourceProposal], table: ExportTable
) -> tuple[list[SourceProposal], dict[str, Finding]]:
    """The sources whose pattern finds the value that it was made from, and a doubt for each other one."""
    head = "\n".join(table.head)
    read: list[SourceProposal] = []
    lost: dict[str, Finding] = {}
    for source in sources:
        match = re.search(str(source.keys["pattern"]), head, re.MULTILINE)
        groups = " ".join(g.strip() for g in match.groups() if g is not None) if match else ""
        if groups and (groups == source.found or (source.key in _NUMBERS and source.found.startswith(groups))):
            read.append(source)
        else:
            why = "another line of the header begins in the same way"
            lost[source.key] = Finding(source.key, plain(source.found), False, why)
    return read, lost


def _header_entry(line: str, number: int, delimiter: str) -> HeaderEntry | None:
    """A line as an entry whose key is known, else None."""
    lead = re.match(r"\s*(?:#+|%+|//+|!+|\*+|;+)?\s*\"?", line)
    begin = lead.end() if lead else 0
    # From the surest to the weakest: a blank separates a key only where nothing else does.
    separators = [r"\s*[:=：]\s*", r"\s*[;\t|]\s*", r"\s{2,}", r"\s"]
    if delimiter == ",":
        separators.insert(2, r",(?!\s)")  # with a blank after it, it is a comma of prose
    if delimiter in ";\t|":
        separators.insert(1, r'"?' + re.escape(delimiter) + r'"?\s*')
    for separator in separators:
        for cut in re.finditer(separator, line[begin:]):
            name = line[begin : begin + cut.start()].strip().strip('"')
            if cut.start() == 0 or len(name) > 60:
                continue
            key = header_key(name)
            value = line[begin + cut.end() :].strip().strip('"').rstrip(";,\t| ").strip('"')
            if key is None or (separator == r"\s" and not value):
                continue
            value = value.lstrip(":=：;\t| ").strip()
            if not value or not value.replace("\t", " ").isprintable():
                return None
            if header_key(value.split(delimiter)[0]) is not None and delimiter in value:
                return None  # a row of names; their values stand below
            if separator == r"\s" and not (_DATE.match(value) or re.fullmatch(r"\S*\d\S*(?: \S{1,6})?", value)):
                continue  # a sentence that begins with a known word
            between = line[begin + cut.start() :]
            between = between[: len(between) - len(between.lstrip(':=：;\t|," '))]
            return HeaderEntry(key, number, _start_pattern(line[:begin], name, between), value, unit_text(name))
    return None


def _start_pattern(lead: str, name: str, between: str) -> str:
    signs = "".join(dict.fromkeys(c for c in between if c not in " \t"))
    escaped = "".join("\\" + c if c in r"\]^-" else c for c in signs)
    blank = r"[ \t]*"
    gap = f"{blank}[{escaped}]+{blank}" if signs else r"[ \t]+"
    head = "^" + (regex_text(lead.strip()) + blank if lead.strip() else blank if lead else "")
    return head + regex_text(name) + gap


def _text_source(entry: HeaderEntry, delimiter: str, findings: list[Finding]) -> SourceProposal:
    """A text up to the end of the line, or up to the delimiter where the line goes on after it."""
    value = entry.value
    rest = r"(\S[^\n]*?)[\"; \t,|]*$"
    delimiter = entry.cell or ("\t" if "\t" in value else delimiter)
    if entry.cell:
        rest = f'([^{regex_text(delimiter)}\\n"]*[^{regex_text(delimiter)}\\n"\\s])'
    elif delimiter in ";\t|," and delimiter in value:
        value = value.split(delimiter)[0].strip().strip('"')
        rest = f'([^{regex_text(delimiter)}\\n"]*[^{regex_text(delimiter)}\\n"\\s])'
    elif re.search(r"\s{3,}\S", value):
        value = re.split(r"\s{3,}", value)[0]
        rest = r"(\S+(?:[ \t]{1,2}\S+)*)"
    keys: dict[str, object] = {"pattern": entry.start + rest}
    if entry.key in ("instrument", "operator", "order"):
        keys["required"] = False
    sure, why = True, f"from line {entry.line + 1}"
    if entry.key == "part" and re.fullmatch(r"\d{1,4}", value):
        sure, why = False, "so short a number may count pieces and be no part number"
    if entry.key == "feature":
        pair = next((p for p in FEATURE_PAIRS if normal(value) in p), None)
        # Both flanks' words, also the one that this file does not show: the layout is for both.
        if pair is not None:
            keys["words"] = _feature_words(value, pair)
            why += "; the recipe then knows left-flank and right-flank"
        else:
            why += "; the recipe must use this very name"
    if entry.key == "sensing":
        word = SENSING_WORDS.get(normal(value))
        sure = word is not None
        keys["words"] = (
            {value: word} if word else OpenValue({value: "normal"}, "normal, radial or axial?", likely=False)
        )
    findings.append(Finding(entry.key, plain(value), sure, why))
    return SourceProposal(entry.key, keys, value)


def _feature_words(value: str, pair: tuple[str, str]) -> dict[str, str]:
    other = pair[1] if normal(value) == pair[0] else pair[0]
    if value[:1].isupper():
        other = other.title() if value.istitle() else other[0].upper() + other[1:]
    elif re.search(r"[A-Z]", value[1:]):
        other = " ".join(w if i == 0 else w.capitalize() for i, w in enumerate(other.split()))
    words = {value: "left-flank", other: "right-flank"}
    return words if normal(value) == pair[0] else {other: "left-flank", value: "right-flank"}


def _length_source(
    entry: HeaderEntry, key: str, factor: float, findings: list[Finding]
) -> list[SourceProposal]:
    number = re.match(_NUMBER, entry.value)
    if number is None:
        return []
    unit = unit_of(entry.value[number.end() :].strip()) or unit_of(entry.unit)
    keys: dict[str, object] = {"pattern": entry.start + f"({_NUMBER})", "required": False}
    if unit is None or unit[0] not in LENGTH_UNITS:
        why = "the entry has no unit; 1 reads it as mm, 0.001 as µm"
        findings.append(Finding(key, plain(entry.value), False, why))
        return [SourceProposal(key, keys | {"scale": OpenValue(factor, why)}, entry.value)]
    if math.isnan(unit[1]):
        why = f"a number stands beside the unit {plain(entry.unit or entry.value, 30)}: how many mm is one?"
        findings.append(Finding(key, plain(entry.value), False, why))
        return [SourceProposal(key, keys | {"scale": OpenValue(factor, why, likely=False)}, entry.value)]
    scale = factor * unit[1] * _MM[unit[0]]
    if scale != 1.0:
        keys["scale"] = scale
    findings.append(
        Finding(key, plain(entry.value), True, "half the diameter" if factor == 0.5 else "with its unit")
    )
    return [SourceProposal(key, keys, entry.value)]


def _speed_source(entries: Mapping[str, HeaderEntry], findings: list[Finding]) -> list[SourceProposal]:
    entry = entries.get("spindle_rpm")
    number = re.match(_NUMBER, entry.value) if entry is not None else None
    if entry is None or number is None:
        return []
    word = normal(entry.value[number.end() :]) or normal(entry.unit)
    keys: dict[str, object] = {"pattern": entry.start + f"({_NUMBER})", "required": False}
    if word not in _RPM:
        return []
    if _RPM[word] != 1.0:
        keys["scale"] = _RPM[word]
    findings.append(Finding("spindle_rpm", plain(entry.value), True, "with its unit"))
    return [SourceProposal("spindle_rpm", keys, entry.value)]


def _celsius_source(entry: HeaderEntry) -> list[SourceProposal]:
    if not re.fullmatch(rf"{_NUMBER}\s*(?:°\s*C|C|degC)", entry.value) and "C" not in entry.unit:
        return []
    keys = {"pattern": entry.start + f"({_NUMBER})", "required": False}
    return [SourceProposal("temperature_c", keys, entry.value)]


def _moment_source(entries: Mapping[str, HeaderEntry], findings: list[Finding]) -> SourceProposal | None:
    """Date and time of day, on one line or on two."""
    # An entry that is called "time" may hold the date as well.
    for key in ("datetime", "date", "time"):
        entry = entries.get(key)
        date = _DATE.search(entry.value) if entry is not None else None
        if entry is None or date is None:
            continue
        rest = entry.value[date.end() :]
        clock = _TIME.search(rest)
        if clock is not None:
            between = rest[: clock.start()]
            return _date_source(entry, date, clock, between, None, findings)
        other = entries.get("time")
        clock = _TIME.match(other.value) if other is not None and other is not entry else None
        # One pattern reads from the date on: a time of day that stands before it cannot be reached.
        behind = other is not None and (other.line, other.place) > (entry.line, entry.place)
        if other is not None and clock is not None and behind and bool(other.cell) == bool(entry.cell):
            return _date_source(entry, date, clock, "", other, findings)
        return _date_source(entry, date, None, "", None, findings)
    return None


def _date_source(
    entry: HeaderEntry, date: re.Match[str], clock: re.Match[str] | None, between: str,
    other: HeaderEntry | None, findings: list[Finding],
) -> SourceProposal | None:  # fmt: skip
    day = date.group(0)
    hour = clock.group(0).strip() if clock is not None else ""
    lead = regex_text(entry.value[: date.start()])
    iso = re.fullmatch(r"\d{4}-\d{2}-\d{2}", day) and between in ("T", " ") and _iso(day + between + hour)
    if iso:
        rest = r"\d+:\S+)" if not entry.cell else rf"\d+:[^\s\"{regex_text(entry.cell)}]+)"
        pattern = entry.start + lead + r"(\d+-\d+-\d+" + between + rest
        keys: dict[str, object] = {"pattern": pattern}
        findings.append(
            Finding("measured_at", day + between + hour, True, "date, time and offset as in ISO 8601")
        )
        return SourceProposal("measured_at", keys, day + between + hour)
    form, doubt = _date_format(day)
    pattern = entry.start + lead + "(" + regex_shape(day) + ")"
    keys = {"pattern": pattern}
    text = day
    if clock is not None:
        hour_pattern = "(" + regex_shape(hour) + ")"
        middle = _between(entry, other) if other is not None else _gap_pattern(between)
        keys["pattern"] = pattern + middle + hour_pattern
        text = f"{day} {hour}"
        form = f"{form} {_clock_format(hour)}"
    # strptime's %Z takes names of the machine's own zones alone, so that the offset becomes a number here.
    offset = next((hours for zone, hours in _ZONES.items() if hour.endswith(zone)), None)
    why = (
        "the header gives no offset from UTC: hours ahead of UTC of the instrument's clock, such as 1 or 2, or "
        "timezone instead where that clock changes for summer"
    )
    # Proved with the value at hand: a format that does not read its own example is none.
    if not _follows(text, form):
        findings.append(Finding("measured_at", plain(text), False, f"it does not follow the format {form}"))
        return None
    keys["format"] = OpenValue(form, doubt) if doubt else form
    if "%z" not in form:
        keys["utc_offset_h"] = offset if offset is not None else OpenValue(0.0, why, likely=False)
    findings.append(
        Finding("measured_at", text, not doubt and clock is not None and ("%z" in form or offset is not None),
                doubt or (why if "%z" not in form and offset is None else f"as {form}")
                if clock is not None else "a date without time of day; " + (doubt or why))
    )  # fmt: skip
    return SourceProposal("measured_at", keys, text)


def _between(entry: HeaderEntry, other: HeaderEntry) -> str:
    """What lies between the date and the time of day: lines, or cells of the same line."""
    if not entry.cell:
        return r"[\s\S]*?" + other.start
    inside = regex_text(entry.cell)
    return f'(?:[^{inside}\\n]*{inside}){{{other.place - entry.place}}}[ \\t"]*'


def _follows(text: str, form: str) -> bool:
    try:
        datetime.strptime(text, form)  # noqa: DTZ007
    except ValueError:
        return False
    return True


def _gap_pattern(between: str) -> str:
    return r"\s+" if not between.strip() and between else regex_text(between)


def _iso(text: str) -> bool:
    try:
        return datetime.fromisoformat(text).tzinfo is not None
    except ValueError:
        return False


def regex_shape(text: str) -> str:
    """Digits as digit runs, letters as letters, the rest as it is: the shape of a date or a time of day."""
    shape = re.sub(r"\d+", "\x00", regex_text(text))
    shape = re.sub(r"[A-Za-z]+", "\x01", re.sub(r"\s", "\x02", shape))
    return shape.replace("\x00", r"\d+").replace("\x01", "[A-Za-z]+").replace("\x02", r"\s")


def _date_format(day: str) -> tuple[str, str]:
    """The format of a date and, where it can be read in two ways, the doubt."""
    digits = [int(n) for n in re.findall(r"\d+", day)]
    if re.fullmatch(r"20\d{6}", day):
        return "%Y%m%d", ""
    if re.search(r"[A-Za-z]", day):
        return re.sub(r"^\d{1,2}([ -])[A-Za-z]+([ -])\d{4}$", r"%d\1%b\2%Y", day), ""
    mark = re.search(r"\D", day)
    sign = mark.group(0) if mark else "-"
    if re.match(r"\d{4}", day):
        return sign.join(("%Y", "%m", "%d")), ""
    year = "%Y" if re.search(r"\d{4}$", day) else "%y"
    day_first, month_first = sign.join(("%d", "%m", year)), sign.join(("%m", "%d", year))
    # With points the day comes first wherever it is written so (common practice).
    if sign == ".":
        return day_first, ""
    # Two digits may also be a year in front.
    if year == "%y":
        return day_first, f"the order of {day} is not certain: {day_first}, {month_first} or year first"
    # No month has this number, so that it is the day.
    if digits[0] > 12:
        return day_first, ""
    if digits[1] > 12:
        return month_first, ""
    return day_first, f"{day} may be day first or month first: {day_first} or {month_first}"


def _clock_format(hour: str) -> str:
    form = re.sub(r"^\d{1,2}:\d{2}", "%H:%M", hour)
    form = re.sub(r"^(%H:%M):\d{2}", r"\1:%S", form)
    form = re.sub(r"(%S)([.,])\d{1,6}", r"\1\2%f", form)
    if re.search(r"[AaPp][Mm]$", form):
        form = re.sub(r"[AaPp][Mm]$", "%p", form.replace("%H", "%I"))
    return re.sub(r"(Z|[+-]\d{2}:?\d{2})$", "%z", form)


def _hints(entries: Mapping[str, HeaderEntry]) -> Hints:
    """What the header says about points a turn, step, turns and units, with the lines as patterns."""
    numbers: dict[str, float] = {}
    pins: dict[str, str] = {}
    for key in ("per_turn", "step", "turns"):
        entry = entries.get(key)
        number = re.match(_NUMBER, entry.value) if entry is not None else None
        if entry is not None and number is not None:
            numbers[key] = float(number.group(0).replace(",", "."))
            # With the number itself: a file of another step or count must not be read by this layout.
            pins[key] = entry.start + regex_text(number.group(0)) + r"(?![0-9.,]*[0-9])"
    units: dict[str, tuple[str, float]] = {}
    for key in ("unit", "angle_unit"):
        entry = entries.get(key)
        if entry is not None and (unit := unit_of(entry.value)) is not None:
            units[key] = unit
            pins[key] = entry.start + regex_text(entry.value) + r"[ \t]*$"
    step, step_unit = _step(entries.get("step"), numbers.get("step"))
    angle = units.get("angle_unit")
    unit = units.get("unit")
    return Hints(
        per_turn=numbers.get("per_turn") if numbers.get("per_turn", 0) > 0 else None,
        step=step,
        step_unit=step_unit,
        turns=numbers.get("turns"),
        unit=unit if unit is not None and unit[0] not in ANGLE_UNITS else None,
        angle_unit=angle[0] if angle is not None and angle[0] in TURN and angle[1] == 1.0 else None,
        pins=pins,
    )


def _step(entry: HeaderEntry | None, number: float | None) -> tuple[float | None, str | None]:
    """A step of an angle; a step of a length is none."""
    if entry is None or number is None or number <= 0:
        return None, None
    text = re.sub(rf"^{_NUMBER}", "", entry.value).strip()
    unit = unit_of(text) or unit_of(entry.unit)
    if unit is None:
        return (number, None) if not text else (None, None)
    known = (unit[0] in TURN or unit[0] == "grad-or-deg") and not math.isnan(unit[1])
    return (number * unit[1], unit[0]) if known else (None, None)
