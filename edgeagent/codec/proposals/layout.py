"""A layout for an export that nobody has described yet: bytes and file name in, a proposal out.

What the file says plainly is written down; what it leaves open becomes a place to fill in, and a layout with
such a place is refused by ``parse_layout`` until a person has replaced it. Guesses stand in the comments only.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from edgeagent.codec.configuration.toml_text import plain, toml_value
from edgeagent.codec.proposals.columns.column_doubts import Hints
from edgeagent.codec.proposals.columns.column_roles import Roles, find_angle, roles_of
from edgeagent.codec.proposals.columns.column_shapes import TURN, shape_of, whole_turns_in
from edgeagent.codec.proposals.columns.columns import (
    Columns,
    axial_columns,
    round_columns,
    torque_columns,
    travel_columns,
)
from edgeagent.codec.proposals.columns.several_traces import find_traces
from edgeagent.codec.proposals.findings import Finding, OpenValue
from edgeagent.codec.proposals.header_lines import HeaderProposal, SourceProposal, read_header
from edgeagent.codec.proposals.header_rest import ask_for_factors, list_unused, unused_lines
from edgeagent.codec.proposals.sniff import ExportTable, sniff
from edgeagent.codec.proposals.trade_words import KIND_WORDS, LENGTH_UNITS, normal
from edgeagent.codec.traces.delimited import parse_with_layout, trace_names
from edgeagent.codec.traces.header import FILL_IN
from edgeagent.codec.traces.layout import parse_layout
from edgeagent.errors import ConfigError, TraceFormatError
from edgeagent.model import Trace

KINDS = ("spiral", "circle", "axial", "travel", "torque")
"""Kinds of trace that a layout can be proposed for."""


@dataclass(frozen=True, slots=True)
class LayoutProposal:
    """A layout as text, and how far it can be trusted.

    ``toml`` holds FILL_IN where a person must decide; ``fill_in`` names those keys with what speaks for what.
    ``trial`` is the same layout with the likeliest values in their place, good for a look at ``traces``
    and for nothing else.
    """

    toml: str
    trial: str
    traces: tuple[Trace, ...]
    findings: tuple[Finding, ...]
    fill_in: tuple[tuple[str, str], ...]

    @property
    def trace(self) -> Trace:
        """The first of its traces; most files have one."""
        return self.traces[0]

    @property
    def complete(self) -> bool:
        """Whether the layout can be used as it stands; unsure findings may remain."""
        return not self.fill_in


@dataclass(frozen=True, slots=True)
class _LayoutLine:
    """One key of the layout, before it is written."""

    key: str
    value: object
    comment: str = ""


def propose_layout(name: str, data: bytes, kind: str | None = None) -> LayoutProposal:
    """A layout that reads the export ``data`` of file name ``name``.

    ``kind`` is one of KINDS where the user knows it. Raises TraceFormatError when the file holds no table of
    numbers that a layout could describe.
    """
    if not data.strip():
        raise TraceFormatError("the file is empty", expected="a delimited text export")
    table = sniff(data)
    header = read_header(table)
    roles = roles_of(table)
    found, findings = _kind(table, roles, header, kind)
    wanted = str(found.guess) if isinstance(found, OpenValue) else found
    if wanted == "axial":
        columns = axial_columns(table, roles)
    elif wanted == "torque":
        columns = torque_columns(table, roles)
    elif wanted == "travel":
        columns = travel_columns(table, roles, header.hints)
    else:
        columns = round_columns(table, roles, header.hints, _feature_of(header))
    unused = unused_lines(table, _patterns(table, header, columns))
    columns = _with_suffixes(ask_for_factors(columns, unused), table)
    if columns.traces is not None:
        # A layout refuses a feature beside [traces], which gives each trace its own.
        header = replace(header, sources=tuple(s for s in header.sources if s.key != "feature"))
    constants, more = _constants(found, header, wanted, several=columns.traces is not None)
    sections = _sections(name, table, header, columns, constants)
    toml, trial = _write(sections, trial=False), _write(sections, trial=True)
    # Traces side by side share the rows of the table, so that each row is read once for each.
    beside = 1 if columns.traces is None else max(1, len(columns.traces.fields))
    # Proved before it is shown: a proposal that does not read its own export is none.
    traces = _try(trial, name, data, len(table.values) * beside)
    return LayoutProposal(
        toml=toml,
        trial=trial,
        traces=traces,
        findings=(
            *table.findings,
            *findings,
            *columns.findings,
            *header.findings,
            *more,
            *list_unused(unused),
        ),
        fill_in=_open_keys(sections),
    )


def _patterns(table: ExportTable, header: HeaderProposal, columns: Columns) -> list[str]:
    """The patterns of all header lines that the proposal relies on."""
    found = [str(source.keys["pattern"]) for source in header.sources]
    return [*found, *columns.pins, *([table.start] if isinstance(table.start, str) else [])]


def _kind(
    table: ExportTable, roles: Roles, header: HeaderProposal, wanted: str | None
) -> tuple[str | OpenValue, list[Finding]]:
    """The kind of trace from what the user says, from the columns, from words of the header."""
    if wanted is not None:
        return wanted, [Finding("kind", wanted, True, "as asked for")]
    spoken = _spoken_kinds(table)
    angle, _ = find_angle(table, roles)
    hints = header.hints
    is_round = angle is not None or hints.per_turn is not None or hints.step is not None
    if roles.of("side") and not is_round:
        return "axial", [Finding("kind", "axial", True, "a column gives the side")]
    lengths = {k for k, unit in enumerate(table.units) if unit is not None and unit[0] in LENGTH_UNITS}
    if lengths & set(roles.of("x")) and lengths & set(roles.of("z")) and not roles.of("angle"):
        return "axial", [Finding("kind", "axial", True, "there are columns x and z in lengths and no angle")]
    if roles.of("torque") and roles.of("travel", "x", "axial") and not roles.of("angle", "deviation"):
        return "torque", [Finding("kind", "torque", True, "columns give travel and torque")]
    moving = {k for k in roles.of("travel") if roles.shapes[k].rising or roles.shapes[k].falling}
    if moving & lengths and not roles.of("angle"):
        return "travel", [Finding("kind", "travel", True, "a column gives the travel")]
    # A word of the header counts only where the columns do not contradict it.
    candidates = [k for k in spoken if (k in ("spiral", "circle")) == is_round]
    turns = _turns(table, roles, angle, hints)
    # A circle is one turn: several may be planes one below the other, or a spiral.
    several = candidates == ["circle"] and (turns is None or not 0.9 <= turns <= 1.1)
    if len(candidates) == 1 and len(spoken) == 1 and is_round and not several:
        guess, word = candidates[0], spoken[candidates[0]]
        return guess, [Finding("kind", guess, True, f"the header says {plain(word)!r} and the columns agree")]
    running = any(s.even and not s.counter for s in roles.shapes)
    guess = candidates[0] if candidates else "spiral" if is_round or not running else "travel"
    if not is_round and roles.of("x") and roles.of("z"):
        guess = "axial"
    why = (
        "an angle and a deviation may be a spiral or a circle" if is_round
        else "neither the columns nor the header say it"
    ) + ": spiral, circle, axial, travel or torque; the option --kind says it"  # fmt: skip
    return OpenValue(guess, why), [Finding("kind", guess, False, why)]


def _turns(table: ExportTable, roles: Roles, angle: int | None, hints: Hints) -> float | None:
    """Turns that the trace covers, where that can be said before its kind is known."""
    if angle is not None:
        written = table.units[angle]
        unit = written[0] if written is not None else next(iter(whole_turns_in(roles.shapes[angle])), "")
        shape = shape_of(table.values[:, angle] * written[1]) if written is not None else roles.shapes[angle]
        if shape.saw:
            several = find_traces(table, roles, angle, None)
            count = 1 if several is None else len(several.values)
            return len(table.values) * shape.step / (shape.span + shape.step) / count
        return (shape.span + shape.step) / TURN[unit] if unit in TURN else None
    return len(table.values) / hints.per_turn if hints.per_turn else None


def _spoken_kinds(table: ExportTable) -> dict[str, str]:
    # Blanks on both sides: only whole words count.
    words = f" {normal(' '.join(table.head)[:20000])} "
    found = {}
    for kind, speaking in KIND_WORDS.items():
        word = next((w for w in speaking if f" {w} " in words), None)
        if word is not None:
            found[kind] = word
    return found


def _feature_of(header: HeaderProposal) -> str | None:
    """The feature that the header gives, in the words of the layout."""
    source = next((s for s in header.sources if s.key == "feature"), None)
    if source is None:
        return None
    words = source.keys.get("words")
    text = str(words.get(source.found, source.found)) if isinstance(words, dict) else source.found
    return re.sub(r"[^A-Za-z0-9.]+", "-", text).strip("-.")[:40] or None


def _with_suffixes(columns: Columns, table: ExportTable) -> Columns:
    """The columns with the text that stands behind the numbers of their field."""
    found = []
    for column in columns.columns:
        field = column.keys.get("field")
        at = field.guess if isinstance(field, OpenValue) else field
        suffix = table.dressing.suffixes.get(at - 1) if isinstance(at, int) else None
        found.append(column if suffix is None else replace(column, keys={**column.keys, "suffix": suffix}))
    return replace(columns, columns=tuple(found))


def _constants(
    kind: str | OpenValue, header: HeaderProposal, wanted: str, *, several: bool
) -> tuple[list[_LayoutLine], list[Finding]]:
    """Header keys that every trace must have and the header does not give."""
    have = {s.key for s in header.sources} | ({"feature"} if several else set())
    lines = [_LayoutLine("kind", kind)]
    findings = []
    for key, guess, why in (
        ("part", "?", "not found in the header: a constant fits one part number only; see file_name above"),
        ("serial", "?", "not found in the header: take it from the file's name by file_name, see above"),
        ("feature", _feature_guess(wanted), "not found in the header: the name that the recipe uses"),
        (
            "measured_at",
            "2000-01-01T00:00:00Z",
            "not found in the header: a [[header]] or file_name must give it",
        ),
    ):
        if key not in have:
            lines.append(_LayoutLine(key, OpenValue(guess, why, likely=key == "feature")))
            findings.append(Finding(key, "not found", False, why))
    if wanted == "spiral" and "sensing" not in have:
        why = "direction the gauge reads in, normal to the flank, radial or axial: it changes every value"
        lines.append(_LayoutLine("sensing", OpenValue("normal", why, likely=False)))
        findings.append(Finding("sensing", "not found", False, why))
    if wanted == "axial" and "tip_radius_mm" not in have:
        why = "radius of the stylus tip in mm, without which no flank radius can be computed"
        lines.append(_LayoutLine("tip_radius_mm", OpenValue(0.005, why, likely=False)))
        findings.append(Finding("tip_radius_mm", "not found", False, why))
    return lines, findings


def _feature_guess(kind: str) -> str:
    return {
        "spiral": "left-flank",
        "circle": "outside",
        "axial": "profile",
        "travel": "travel",
        "torque": "torque",
    }[kind]


def _sections(
    name: str, table: ExportTable, header: HeaderProposal, columns: Columns, constants: list[_LayoutLine]
) -> list[tuple[str, list[_LayoutLine]]]:
    base = name.replace("\\", "/").rsplit("/", 1)[-1]
    stem, dot, ending = base.rpartition(".")
    title = re.sub(r"[^A-Za-z0-9-]+", "-", stem or base).strip("-").lower() or "export"
    names = ["*." + ending.lower()] if dot and ending else [re.sub(r"\d.*$", "", base) + "*"]
    # Signs of a pattern in the file's own name would make it claim other files.
    names = [re.sub(r"[\[\]?*](?!$|\.)", "?", n) for n in names]
    top = [_LayoutLine("layout", title)]
    if {"part", "serial"} - {s.key for s in header.sources}:
        example = "^(?P<part>.+)_(?P<serial>[^_.]+)"
        top.append(
            _LayoutLine("# file_name", example, "fields from the file's name; remove what it gives below")
        )
    match = [_LayoutLine("names", names, "which files this layout claims")]
    contains = _contains(table, header, columns)
    if contains:
        match.append(_LayoutLine("contains", contains, "a file without it is not claimed"))
    text = [
        _LayoutLine("delimiter", "fixed" if table.dressing.widths else table.delimiter),
        _LayoutLine("decimal", table.decimal),
        _LayoutLine("encoding", table.encoding),
    ]
    if table.dressing.widths:
        text.append(_LayoutLine("widths", list(table.dressing.widths), "characters of each field"))
    if table.dressing.thousands is not None:
        text.append(_LayoutLine("thousands", table.dressing.thousands))
    if table.missing:
        text.append(_LayoutLine("missing", list(table.missing)))
    data = [_LayoutLine("after" if isinstance(table.start, str) else "first_line", table.start)]
    if table.until is not None:
        data.append(_LayoutLine("until", table.until))
    sections = [("", top), ("[match]", match), ("[text]", text), ("[data]", data)]
    for column in columns.columns:
        lines = [_LayoutLine("name", column.name, column.comment)]
        sections.append(("[[column]]", lines + [_LayoutLine(k, v) for k, v in column.keys.items()]))
    if columns.traces is not None:
        comment = "one trace for each; give them the names that the recipe uses"
        lines = [_LayoutLine(k, v, comment if k == "features" else "") for k, v in columns.traces.keys.items()]
        sections.append(("[traces]", lines))
    sections += [("[[header]]", _source_lines(source)) for source in header.sources]
    return [*sections, ("[constants]", constants)]


def _source_lines(source: SourceProposal) -> list[_LayoutLine]:
    lines = [_LayoutLine("key", source.key, f"here {plain(source.found, 50)}")]
    return lines + [_LayoutLine(k, v) for k, v in source.keys.items()]


def _contains(table: ExportTable, header: HeaderProposal, columns: Columns) -> str | None:
    """Lines that the columns were concluded from, in the order of the file; else the first entry's name."""
    pins = sorted(set(columns.pins), key=lambda pin: _place(table, pin))
    if pins:
        # The lines that units and steps were taken from: a file without them must not be read by this layout.
        return r"[\s\S]*?".join(pins)
    first = next((s for s in header.sources if s.key in ("part", "serial")), None)
    if first is None:
        return None
    pattern = str(first.keys["pattern"])
    # Up to the value alone, which is another in every file.
    return pattern[: pattern.index("(")] if "(" in pattern and "\\(" not in pattern else None


def _place(table: ExportTable, pin: str) -> int:
    found = re.search(pin, "\n".join(table.head), re.MULTILINE)
    return found.start() if found else 0


def _write(sections: list[tuple[str, list[_LayoutLine]]], *, trial: bool) -> str:
    out = [
        "# Proposed from one export; look at every line before use.",
        f'# Where it says "{FILL_IN}" the file does not say it: replace it, then run the check command.',
    ]
    for heading, lines in sections:
        if heading:
            out += ["", heading]
        for line in lines:
            value, comment = line.value, line.comment
            if isinstance(value, OpenValue):
                comment = f"likely {plain(toml_value(value.guess))}: {value.why}" if value.likely else value.why
                value = value.guess if trial else FILL_IN
            text = f"{line.key} = {toml_value(value)}"
            out.append(text + (f"  # {plain(comment, 200)}" if comment else ""))
    return "\n".join(out) + "\n"


def _open_keys(sections: list[tuple[str, list[_LayoutLine]]]) -> tuple[tuple[str, str], ...]:
    found = []
    for heading, lines in sections:
        title = (
            next((str(x.value) for x in lines if x.key in ("name", "key")), "") if heading[:2] == "[[" else ""
        )
        place = heading.strip("[]") + (f" {title}" if title else "")
        found += [(f"{place}: {x.key}", x.value.why) for x in lines if isinstance(x.value, OpenValue)]
    return tuple(found)


def _try(trial: str, name: str, data: bytes, rows: int) -> tuple[Trace, ...]:
    """The traces that the proposal reads, which proves that the layout can say what was found."""
    try:
        layout = parse_layout(trial.encode("utf-8"), "proposal")
    except ConfigError as error:
        raise TraceFormatError(f"what was found cannot be said by a layout: {error}") from error
    traces = tuple(parse_with_layout(layout, one, data) for one in trace_names(layout, name))
    points = sum(trace.points for trace in traces)
    # A layout that reads fewer rows than were found would lose a part of the trace without a word.
    if points != rows:
        raise TraceFormatError(
            f"{points} rows are read where {rows} were found", expected="one table of numbers"
        )
    return traces
