"""What a trace says of itself: a mapping of header keys to a TraceHeader."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any, Literal

import msgspec

from edgeagent.codec.limits import HEADER_BYTES_MAX, HEADER_KEYS_MAX, POINTS_MAX, YEAR_MAX, YEAR_MIN
from edgeagent.codec.toml_reader import TomlError, read_toml
from edgeagent.errors import TraceFormatError, TraceIncompleteError
from edgeagent.model import TraceHeader

Name = Annotated[str, msgspec.Meta(min_length=1, max_length=128)]
Text = Annotated[str, msgspec.Meta(max_length=512)]
Positive = Annotated[float, msgspec.Meta(gt=0)]


class _Fields(msgspec.Struct, frozen=True, kw_only=True):
    trace: Literal[1]
    kind: Name
    measured_at: datetime
    points: Annotated[int, msgspec.Meta(ge=1, le=POINTS_MAX)] | None = None
    feature: Name = ""
    part: Name | None = None
    serial: Name | None = None
    artefact: Name | None = None
    instrument: Text | None = None
    operator: Text | None = None
    order: Text | None = None
    remark: Text | None = None
    sensing: Literal["normal", "radial", "axial"] = "normal"
    tip_radius_mm: Annotated[float, msgspec.Meta(ge=0)] | None = None
    tip_corrected: bool = False
    track_diameter_mm: Positive | None = None
    spindle_rpm: Positive | None = None
    temperature_c: float | None = None
    lead_mm: Positive | None = None


HEADER_KEYS = tuple(field.name for field in msgspec.structs.fields(_Fields))
"""Keys of a trace header that mean something; others are carried along."""
CARRIED_KEYS = ("customer", "order_line")
"""Keys that mean nothing here but that a layout may give, since they stand at the top of reports."""
_UNSEEN = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})
"""Unicode categories that no name or remark holds: two serials that look alike must be alike."""
FILL_IN = "FILL IN"
"""What a proposal holds where a file does not say it; nothing with it is used until a person replaces it."""


def read_header_toml(text: str, what: str) -> dict[str, Any]:
    """The table of a header or side file, named ``what``. Raises TraceFormatError."""
    # Before the parser, whose time is not bounded by the length alone.
    if len(text.encode("utf-8", "replace")) > HEADER_BYTES_MAX:
        raise TraceFormatError(f"the {what} is too long", expected=f"at most {HEADER_BYTES_MAX} bytes")
    try:
        table = read_toml(text)
    except TomlError as error:
        complaint = f"{what} is not TOML: {error.message}" if error.syntax else f"{what} {error.message}"
        raise TraceFormatError(complaint, line=error.line, expected=error.allowed) from error
    if len(table) > HEADER_KEYS_MAX:
        raise TraceFormatError(f"the {what} has {len(table)} keys", expected=f"at most {HEADER_KEYS_MAX}")
    return table


def require_declared_points(declared: object, found: int) -> None:
    """Compare the rows that were read with the header's ``points``, where it has them.

    Raises TraceIncompleteError for fewer, which a writer that is still at work leaves behind, and
    TraceFormatError for more.
    """
    # Older writers declare nothing; what is no number is refused with the other header keys.
    if not isinstance(declared, int) or found == declared:
        return
    complaint = f"{found} rows, but the header declares {declared} points"
    if found < declared:
        raise TraceIncompleteError(f"the file is not complete: {complaint}", expected=f"{declared} rows")
    raise TraceFormatError(complaint, expected=f"{declared} rows")


def header_from_mapping(found: Mapping[str, Any]) -> TraceHeader:
    """A TraceHeader from header keys and values. Raises TraceFormatError naming key and what is allowed."""
    try:
        fields = msgspec.convert(dict(found), _Fields)
    except msgspec.ValidationError as error:
        # msgspec's own form of the place of an error: only the key is of use to a person.
        complaint, _, path = str(error).partition(" - at `$")
        key = path.rstrip("`").lstrip(".")
        value = f", found {found[key]!r:.80}" if key in found else ""
        raise TraceFormatError(f"header {key + ': ' if key else ''}{complaint}{value}") from error
    # A local time without offset may be an hour off twice a year, and more for a clock that was never set.
    if fields.measured_at.tzinfo is None:
        raise TraceFormatError(
            f"header measured_at: {fields.measured_at.isoformat()} has no offset from UTC",
            expected="for example 2026-03-02T09:41:07Z",
        )
    if not YEAR_MIN <= fields.measured_at.year < YEAR_MAX:
        raise TraceFormatError(
            f"header measured_at: the year {fields.measured_at.year}", expected=f"{YEAR_MIN} to {YEAR_MAX - 1}"
        )
    named = fields.part is not None and fields.serial is not None
    if fields.artefact is not None and (fields.part is not None or fields.serial is not None):
        raise TraceFormatError("header names both a part and an artefact", expected="one of the two")
    if fields.artefact is None and not named:
        lacking = "part" if fields.part is None else "serial"
        raise TraceFormatError(f"header lacks {lacking}", expected="part and serial, or artefact")
    if not fields.feature and fields.artefact is None:
        raise TraceFormatError("header lacks feature", expected="which trace of the part: a name of its recipe")
    values = {name: getattr(fields, name) for name in HEADER_KEYS if name not in ("trace", "points")}
    # An artefact's trace needs no feature where all waves are in one file; records always name one.
    values["feature"] = fields.feature or "artefact"
    for key, value in values.items():
        if isinstance(value, str) and any(unicodedata.category(c) in _UNSEEN for c in value):
            raise TraceFormatError(
                f"header {key}: control characters or invisible ones in {value!a}",
                expected="letters, digits, signs and spaces that can be seen",
            )
        if isinstance(value, float) and not math.isfinite(value):
            raise TraceFormatError(f"header {key}: {value} is not a finite number")
    # Cut, since a record has 8 KiB for everything: foreign keys are for a reader, nothing is decided by them.
    extra = {str(k)[:64]: str(v)[:256] for k, v in list(found.items())[:64] if k not in HEADER_KEYS}
    return TraceHeader(**values, extra=extra)
