"""Profile files of open standards with their side file: X3P (ISO 25178-72) and SMD (ISO 5436-2)."""

from __future__ import annotations

import tomllib

from edgeagent.codec.traces.header import header_from_mapping
from edgeagent.codec.traces.profile_data import columns_from_profile
from edgeagent.codec.traces.smd import parse_smd
from edgeagent.codec.traces.x3p import parse_x3p
from edgeagent.errors import TraceFormatError
from edgeagent.model import Trace


def read_open_format(name: str, data: bytes, side: bytes | None) -> Trace:
    """A Trace from a profile file and its side file, which holds the header keys of trace text.

    ``trace = 1`` may be left out of the side file. Raises TraceFormatError.
    """
    if side is None:
        raise TraceFormatError(
            "the side file with the header is missing",
            expected=f"{name.rsplit('/', 1)[-1]}.meta.toml beside it",
        )
    try:
        table = tomllib.loads(side.decode("utf-8-sig"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise TraceFormatError(f"side file is not TOML: {error}") from error
    header = header_from_mapping({"trace": 1, **table})
    profile = parse_x3p(data) if name.lower().endswith(".x3p") else parse_smd(data)
    return Trace(header, columns_from_profile(profile, table))
