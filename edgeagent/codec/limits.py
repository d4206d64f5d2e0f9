"""How large the parts of a file may be. What is larger is refused before it is parsed, never cut.

A limit in bytes alone does not protect: a few hundred bytes can announce millions of points, and parsers of
nested text take time that grows with the square of its depth. Each figure is our own choice, several times what
a ball track's trace needs, and small enough that the largest file allowed fits into the memory of one analysis.
"""

from __future__ import annotations

POINTS_MAX = 2_000_000
"""Rows of a trace: 100 turns of 20,000 points."""
TURNS_MAX = 300
"""Turns of a trace; an angle in the wrong unit gives 57 times as many as there are."""
MAGNITUDE_MAX = 1e9
"""Largest angle in degrees or position in mm."""
COLUMNS_MAX = 64
HEADER_BYTES_MAX = 65_536
"""Lines before the rows of a trace."""
HEADER_KEYS_MAX = 200
SIDE_FILE_BYTES_MAX = 65_536
"""``NAME.meta.toml``; readers compare the size before they read."""
CONFIGURATION_BYTES_MAX = 1_000_000
"""One file of the configuration: a limit curve of 500 points has 10,000 bytes."""
NESTING_MAX = 16
"""Brackets inside brackets in TOML."""
KEY_PARTS_MAX = 16
"""Names joined by dots in one TOML key."""
DIGITS_MAX = 40
"""Digits of one number; a float64 is exact to 17."""
YEAR_MIN, YEAR_MAX = 1970, 2200
"""Years of ``measured_at``: a clock that was never set shows the first."""


def spoken_limits() -> tuple[tuple[str, str], ...]:
    """What is limited and how, for a person; the configuration adds its own ``file_mb_max``."""
    return (
        ("points of a trace", f"{POINTS_MAX:,}"),
        ("turns of a trace", f"{TURNS_MAX}"),
        ("columns", f"{COLUMNS_MAX}"),
        ("header", f"{HEADER_BYTES_MAX:,} bytes, {HEADER_KEYS_MAX} keys"),
        ("side file", f"{SIDE_FILE_BYTES_MAX:,} bytes"),
        ("one file of the configuration", f"{CONFIGURATION_BYTES_MAX:,} bytes"),
        (
            "TOML",
            f"{NESTING_MAX} brackets deep, {KEY_PARTS_MAX} names in a key, {DIGITS_MAX} digits in a number",
        ),
    )
