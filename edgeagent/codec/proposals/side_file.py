"""The side file of a profile in an open format, ready to be filled in: what the profile itself cannot say."""

from __future__ import annotations

import numpy as np

from edgeagent.codec.configuration.toml_text import plain, toml_value
from edgeagent.codec.traces.profile_data import ProfileData
from edgeagent.codec.traces.smd import parse_smd
from edgeagent.codec.traces.x3p import parse_x3p

_LINES = (
    ("part", "part number, as in the recipe"),
    ("serial", "serial number"),
    ("feature", "which trace of the part, by the name that the recipe uses"),
    ("measured_at", "without quotation marks, with offset: 2026-03-02T09:41:07+01:00"),
    ("tip_radius_mm", "radius of the stylus tip"),
)
_OF_KIND = {
    "axial": (
        ("side", '"top" or "bottom" of the part'),
        ("tip_corrected", "true where the instrument took the tip out"),
    ),
    "spiral": (
        ("sensing", '"normal", "radial" or "axial": the direction that the gauge reads in'),
        (
            "track_diameter_mm",
            "around whose circumference the profile's length runs, or degrees_per_mm instead",
        ),
    ),
    "travel": (),
}
_OF_KIND["circle"] = _OF_KIND["spiral"]


def read_profile(name: str, data: bytes) -> ProfileData:
    """The profile of an X3P or SMD file. Raises TraceFormatError, TraceShapeError."""
    return parse_x3p(data) if name.lower().endswith(".x3p") else parse_smd(data)


def propose_side_file(name: str, profile: ProfileData, kind: str | None, fill_in: str) -> str:
    """The text of ``NAME.meta.toml`` with ``fill_in`` where a person must write something.

    Without ``kind`` the keys of all kinds are there, those of one kind to be kept.
    """
    length = float(np.ptp(profile.x_mm)) if profile.x_mm.size else 0.0
    lines = [
        f"# Side file of {plain(name, 60)}: {profile.x_mm.size} points over {length:.4g} mm.",
        f'# Replace every "{fill_in}"; numbers and times stand without quotation marks.',
        f"kind = {toml_value(kind or fill_in)}" + ("" if kind else "  # axial, spiral, circle or travel"),
    ]
    lines += [f'{key} = "{fill_in}"  # {why}' for key, why in _LINES]
    for one in (kind,) if kind else ("axial", "spiral", "travel"):
        more = _OF_KIND[one]
        if not kind and more:
            lines += ["", f"# for {'spiral and circle' if one == 'spiral' else one} alone:"]
        # Without a kind the keys of all kinds are comments: what nobody removed must not be read.
        hide = "" if kind else "# "
        lines += [f'{hide}{key} = "{fill_in}"  # {why}' for key, why in more]
    lines += [
        "",
        "# instrument, operator, order, remark, spindle_rpm, temperature_c and points may be added.",
        "# Tip and track diameter count where the recipe's setup states the same, or once this file is sealed:",
        """#   printf 'checksum = "%s"\\n' "$(sha256sum < FILE | cut -c1-64)" >> FILE""",
    ]
    return "\n".join(lines) + "\n"
