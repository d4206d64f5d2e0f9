"""Profile files of open standards with their side file: X3P (ISO 25178-72) and SMD (ISO 5436-2)."""

from __future__ import annotations

from edgeagent.codec.traces.header import header_from_mapping, require_declared_points
from edgeagent.codec.traces.profile_data import columns_from_profile
from edgeagent.codec.traces.side_file import SideFile, parse_side_file
from edgeagent.codec.traces.smd import parse_smd
from edgeagent.codec.traces.x3p import parse_x3p
from edgeagent.errors import TraceFormatError
from edgeagent.model import Trace


def read_open_format(name: str, data: bytes, side: bytes | None) -> tuple[Trace, SideFile]:
    """A Trace from a profile file and its side file, which holds the header keys of trace text.

    Raises TraceFormatError, and what ``columns_from_profile`` raises.
    """
    if side is None:
        raise TraceFormatError(
            "the side file with the header is missing",
            expected=f"{name.rsplit('/', 1)[-1]}.meta.toml beside it",
        )
    found = parse_side_file(side, data)
    header = header_from_mapping(found.header)
    profile = parse_x3p(data) if name.lower().endswith(".x3p") else parse_smd(data)
    trace = Trace(header, columns_from_profile(profile, found.table))
    require_declared_points(found.table.get("points"), trace.points)
    return trace, found
