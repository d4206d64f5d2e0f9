"""The repeatability entry of a recipe, set in its text without touching anything else."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass

from edgeagent.codec.configuration.toml_text import toml_value
from edgeagent.errors import ConfigError

_OURS = " standard deviations, study up to "


@dataclass(frozen=True, slots=True)
class RepeatabilityEntry:
    """What a study found: standard deviations by characteristic, and the fewest degrees of freedom of any.

    ``component`` is what they are of, ``until`` the day of the last measurement.
    """

    values: Mapping[str, float]
    degrees_of_freedom: float
    component: str
    until: str

    @property
    def remark(self) -> str:
        """The comment behind the entry."""
        return f"{self.component}{_OURS}{self.until}"


def set_repeatability(text: str, found: RepeatabilityEntry, file: str) -> str:
    """The text of a recipe with the entry set; comments and order stay. Raises ConfigError where that fails.

    All characteristics share the degrees of freedom: the fewest of any, earlier entries included.
    """
    before = tomllib.loads(text)
    table = before.get("uncertainty", {})
    kept = {k: v for k, v in table.get("repeatability", {}).items() if k not in found.values}
    merged = {**kept, **found.values}
    dof = _round_down(found.degrees_of_freedom)
    # Entries that stay keep their own uncertainty: of one number for all the smaller one is on the safe side.
    if kept and "repeatability_dof" in table:
        dof = min(dof, float(table["repeatability_dof"]))
    end = "\r\n" if "\r\n" in text else "\n"
    changed = _set(text, _line(merged, found.remark), f"repeatability_dof = {dof:g}", end)
    try:
        after = tomllib.loads(changed)
    except tomllib.TOMLDecodeError:
        after = {}
    # The text was changed by patterns: only what reads back as exactly the wanted change is let through
    wanted = {**table, "repeatability": merged, "repeatability_dof": dof}
    if after != {**before, "uncertainty": wanted}:
        raise ConfigError(file, "uncertainty.repeatability", "written in a way that has to be changed by hand")
    return changed


def _set(text: str, line: str, dof: str, end: str) -> str:
    """The text with both keys set under ``[uncertainty]``, which is added at the end where there is none."""
    heading = re.search(r"^[ \t]*\[[ \t]*uncertainty[ \t]*\][^\r\n]*", text, re.MULTILINE)
    if heading is None:
        gap = "" if not text or text.endswith("\n") else end
        return f"{text}{gap}{end}[uncertainty]{end}{line}{end}{dof}{end}"
    following = re.compile(r"^[ \t]*\[", re.MULTILINE).search(text, heading.end())
    stop = following.start() if following else len(text)
    own = text[heading.end() : stop]
    remark = ""
    # One inline table on one line; whatever is written otherwise is left to a person
    table = r"\{(?:\"[^\"\r\n]*\"|[^\"}\r\n])*\}"
    old = re.search(rf"^[ \t]*repeatability[ \t]*=[ \t]*{table}[ \t]*(#[^\r\n]*)?", own, re.MULTILINE)
    if old is None:
        own = f"{end}{line}{own}"
    else:
        # What a person wrote behind the entry stays; only what an earlier study wrote goes.
        theirs = re.sub(rf"\w+{_OURS}[^\s;]*(; )?", "", (old[1] or "").lstrip("# "), count=1)
        remark = f"; {theirs}" if theirs else ""
        own = own[: old.start()] + line + remark + own[old.end() :]
    freedom = re.search(r"^[ \t]*repeatability_dof[ \t]*=[ \t]*[^\s#]+", own, re.MULTILINE)
    if freedom is None:
        behind = own.index(line) + len(line) + len(remark)
        own = own[:behind] + end + dof + own[behind:]
    else:
        own = own[: freedom.start()] + dof + own[freedom.end() :]
    return text[: heading.end()] + own + text[stop:]


def _round_down(degrees_of_freedom: float) -> float:
    """Rounded down to one decimal, one at least: a recipe takes no fewer."""
    # 1e6 first: floor of infinity raises.
    return max(1.0, math.floor(10 * min(degrees_of_freedom, 1e6)) / 10)


def entry_lines(found: RepeatabilityEntry) -> str:
    """The lines to be pasted under ``[uncertainty]``."""
    return f"{_line(found.values, found.remark)}\nrepeatability_dof = {_round_down(found.degrees_of_freedom):g}"


def _line(values: Mapping[str, float], remark: str) -> str:
    pairs = ", ".join(
        f"{k if re.fullmatch(r'[A-Za-z0-9_-]+', k) else toml_value(k)} = {toml_value(v)}"
        for k, v in values.items()
    )
    return f"repeatability = {{ {pairs} }}  # {remark}"
