"""One module per kind of trace; the module's name is the kind. Adding a kind is adding a module.

A module defines

``COLUMNS``          tuple of column names that the trace must have, ``OPTIONAL_COLUMNS`` those it may have
``CHARACTERISTICS``  mapping of characteristic name to unit: all that the kind can yield
``Options``          frozen ``msgspec.Struct`` (unknown fields forbidden), ``NameOptions``: the recipe keys
                     of the kind beyond ``feature``, ``kind`` and ``limit``
``analyse``          ``(trace, Request) -> Analysis``; pure; raises InputError or AnalysisError
``grade_limits``     optional: ``(grade, trace, Request) -> tuple[ScalarLimit, ...]``, a standard's limits
``WITHOUT_UNCERTAINTY``  optional: the characteristics whose uncertainty cannot be estimated from one trace
``NEEDS``            optional: beginnings of characteristics to the recipe key that asks for them, such as
                     ``bands`` or ``running.resonances_hz``
``RANGES``           optional: beginnings of characteristics to the lowest and highest value that there can be
``WITHOUT_TURNS``    optional: the characteristics that differences between turns do not touch, and those that
                     every turn has for itself where the recipe asks for each
``influences``       optional: ``(trace, Request, Analysis, wanted) -> Influences``, what the errors of the
                     instrument do to the values; ``wanted`` names the members that a stated uncertainty meets
"""

from __future__ import annotations

import importlib
import math
import pkgutil
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Protocol, cast

from edgeagent.errors import TraceShapeError
from edgeagent.model import (
    PLANE_OFFSET_MM,
    PLANE_YAW_DEG,
    Analysis,
    InstrumentUncertainty,
    RoundSurface,
    Running,
    Thread,
    Trace,
)


@dataclass(frozen=True, slots=True)
class Request:
    """What an analysis may know beside the trace.

    ``options`` is the kind's Options. ``judged_upr`` is the highest UPR that a limit curve reaches, None
    when no curve judges or roundness is judged too. ``curves_upr`` are the lowest and highest of each curve.
    ``limits_by_turn`` says that no limit is on what only the mean over
    the turns has, ``turns_judged`` that each turn is judged by itself: only then is a dent that one turn alone
    has surface and no speck of dust. ``thread`` is None when the recipe has none or there is no recipe;
    ``running`` when the recipe says nothing of running. ``plane_offset_mm`` and ``plane_yaw_deg`` are standard
    uncertainties of how the measuring plane lies against the axis, for axial traces that cannot show it; 0
    counts nothing.
    ``surface`` is that of a reference artefact that is no thread, ``instrument`` what the station states, for
    `influences` alone.
    """

    thread: Thread | None
    options: Any
    judged_upr: float | None = None
    running: Running | None = None
    plane_offset_mm: float = PLANE_OFFSET_MM
    plane_yaw_deg: float = PLANE_YAW_DEG
    surface: RoundSurface | None = None
    instrument: InstrumentUncertainty | None = None
    limits_by_turn: bool = False
    turns_judged: bool = False
    curves_upr: tuple[tuple[float, float], ...] = ()


class Kind(Protocol):
    """The shape of a module in this package."""

    COLUMNS: tuple[str, ...]
    OPTIONAL_COLUMNS: tuple[str, ...]
    CHARACTERISTICS: Mapping[str, str]
    Options: type[Any]

    def analyse(self, trace: Trace, request: Request) -> Analysis: ...


@cache
def kind_names() -> tuple[str, ...]:
    """Names of all kinds of trace that this version can analyse, sorted."""
    return tuple(sorted(m.name for m in pkgutil.iter_modules(__path__) if not m.name.startswith("_")))


def find_kind(name: str) -> Kind:
    """The module of one kind, imported on first use.

    Raises TraceShapeError when there is no such kind; the message lists those there are.
    """
    if name not in kind_names():
        raise TraceShapeError(f"unknown kind of trace {name!r}; expected one of {', '.join(kind_names())}")
    return cast(Kind, importlib.import_module(f"{__name__}.{name}"))


def key_lacking(kind: Kind, request: Request, characteristic: str) -> str | None:
    """The recipe key without which the kind has no such value; None where it is set, or none is needed."""
    needs: Mapping[str, str] = getattr(kind, "NEEDS", {})
    for beginning, key in needs.items():
        if characteristic.startswith(beginning):
            table, _, name = key.rpartition(".")
            owner = request.running if table == "running" else request.options
            owner = getattr(owner, table, None) if table not in ("", "running") else owner
            return None if getattr(owner, name, None) not in (None, ()) else key
    return None


def possible_range(kind: Kind, characteristic: str) -> tuple[float, float]:
    """The lowest and the highest value that a characteristic can have, in its unit; infinite for no bound."""
    ranges: Mapping[str, tuple[float, float]] = getattr(kind, "RANGES", {})
    fitting = [beginning for beginning in ranges if characteristic.startswith(beginning)]
    return ranges[max(fitting, key=len)] if fitting else (-math.inf, math.inf)


def require_columns(trace: Trace, kind: Kind) -> None:
    """Check that a trace has the columns of its kind and no others.

    Raises TraceShapeError naming the missing or foreign columns.
    """
    have = set(trace.columns)
    missing = [c for c in kind.COLUMNS if c not in have]
    foreign = sorted(have - set(kind.COLUMNS) - set(kind.OPTIONAL_COLUMNS))
    if missing:
        raise TraceShapeError(
            f"kind {trace.header.kind!r} needs column {', '.join(missing)}; found {', '.join(sorted(have))}"
        )
    if foreign:
        raise TraceShapeError(
            f"column {', '.join(foreign)} does not belong to kind {trace.header.kind!r}; "
            f"allowed: {', '.join((*kind.COLUMNS, *kind.OPTIONAL_COLUMNS))}"
        )
