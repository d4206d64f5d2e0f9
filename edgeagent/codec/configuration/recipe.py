"""``recipes/*.toml`` to a Recipe: thread, measurements and their limits."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from functools import partial
from typing import Annotated, Any, Literal

import msgspec
import numpy as np

from edgeagent.codec.configuration.schema import convert, place_of_key, toml_table
from edgeagent.codec.numbers import parse_number
from edgeagent.errors import ConfigError, InputError
from edgeagent.model import (
    CurveLimit,
    FloatArray,
    MeasurementPlan,
    PartUncertainty,
    Recipe,
    Running,
    ScalarLimit,
    Thread,
    harmonic_band,
)

Positive = Annotated[float, msgspec.Meta(gt=0)]
Share = Annotated[float, msgspec.Meta(gt=0, le=1)]
Name = Annotated[str, msgspec.Meta(min_length=1, max_length=128)]

DescribeKind = Callable[[str], tuple[type[Any], Mapping[str, str]]]
"""A kind's options structure and its characteristics with units; raises InputError for no such kind."""


class ThreadTable(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Nominal geometry of a thread, of a part or of a master."""

    member: Literal["shaft", "nut"]
    hand: Literal["right", "left"]
    starts: Annotated[int, msgspec.Meta(ge=1, le=16)]
    lead_mm: Positive
    ball_diameter_mm: Positive
    ball_pitch_circle_mm: Positive
    contact_angle_deg: Annotated[float, msgspec.Meta(gt=0, lt=90)]
    track_conformity: Annotated[float, msgspec.Meta(gt=0.5, lt=1)]

    def __post_init__(self) -> None:
        if self.ball_diameter_mm >= self.ball_pitch_circle_mm:
            raise ValueError("ball_diameter_mm must be smaller than ball_pitch_circle_mm")

    @property
    def thread(self) -> Thread:
        """What an analysis needs of it."""
        return Thread(**msgspec.structs.asdict(self))


# Not tuple[Positive, Positive]: in a union with a bounded number such a tuple makes msgspec 0.22 crash at the
# next garbage collection.
_SpeedRange = Annotated[tuple[Positive, ...], msgspec.Meta(min_length=2, max_length=2)]


RESONANCE_WIDTH = 0.05
"""Full width over frequency of a resonance given by its frequency alone: half power at 2.5 % damping, as
machine structures have it (common practice)."""


class _RunningTable(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    speed_rpm: Positive | _SpeedRange | None = None
    ball_count: Annotated[float, msgspec.Meta(ge=1)] | None = None
    resonances_hz: tuple[Positive | _SpeedRange, ...] = ()
    wheel_rpm: Positive | None = None
    work_rpm: Positive | None = None

    def __post_init__(self) -> None:
        if isinstance(self.speed_rpm, tuple) and self.speed_rpm[0] > self.speed_rpm[1]:
            raise ValueError(f"speed_rpm {list(self.speed_rpm)} must rise from low to high")
        if self.resonances_hz and self.speed_rpm is None:
            raise ValueError("resonances_hz needs speed_rpm")

    @property
    def resonances(self) -> tuple[tuple[float, float], ...]:
        """Centre and full width of each.

        A bare frequency is as wide as RESONANCE_WIDTH says. Of two numbers the second is the width, or where
        it is the greater one, which no width can be, the highest frequency beside the lowest.
        """
        found = []
        for r in self.resonances_hz:
            first, second = r if isinstance(r, tuple) else (r, RESONANCE_WIDTH * r)
            found.append(((first + second) / 2, second - first) if second > first else (first, second))
        return tuple(found)


class _PowerTable(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    upr: Positive
    nm: Positive
    exponent: Annotated[float, msgspec.Meta(ge=-6, le=6)]


class _SetupTable(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    tip_radius_mm: Positive | None = None
    track_diameter_mm: Positive | None = None
    degrees_per_mm: Positive | None = None
    sensing: Literal["normal", "radial", "axial"] | None = None


class _LimitTable(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    characteristic: Name | None = None
    instance: str | None = None
    lower: float | None = None
    upper: float | None = None
    caution: Share | None = None
    points: tuple[tuple[Positive, Positive], ...] | None = None
    power: _PowerTable | None = None
    file: Name | None = None
    express: Literal["amplitude", "wave_depth"] = "amplitude"
    grade: int | None = None


class _UncertaintyTable(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    expansion_per_k: Positive | None = None
    expansion_uncertainty_per_k: Positive | None = None
    correct_temperature: bool = False
    repeatability: dict[str, Positive] = {}
    repeatability_dof: Annotated[float, msgspec.Meta(ge=1)] | None = None

    def __post_init__(self) -> None:
        if self.correct_temperature and self.expansion_per_k is None:
            raise ValueError("correct_temperature needs expansion_per_k")


class _ApprovalTable(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    by: Name
    reason: Annotated[str, msgspec.Meta(min_length=1, max_length=200)]


class _RecipeDocument(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    part: Name
    revision: Annotated[str, msgspec.Meta(max_length=64)]
    measurement: Annotated[tuple[dict[str, Any], ...], msgspec.Meta(min_length=1)]
    thread: ThreadTable | None = None
    running: _RunningTable = _RunningTable()
    uncertainty: _UncertaintyTable | None = None
    approval: _ApprovalTable | None = None


def parse_recipe(data: bytes, file: str, files: Mapping[str, bytes], describe: DescribeKind) -> Recipe:
    """A Recipe from TOML bytes.

    ``files`` holds the bytes of every file that ``referenced_files`` names. Raises ConfigError naming
    file, line, key, value and what is allowed.
    """
    # For the lines of complaints alone: toml_table refuses what is no UTF-8.
    text = data.decode("utf-8-sig", errors="replace")
    found = convert(toml_table(data, file), _RecipeDocument, file, text=text)
    plans = tuple(_plan(table, i, file, text, files, describe) for i, table in enumerate(found.measurement))
    features = [p.feature for p in plans]
    for number, feature in enumerate(features):
        if feature in features[:number]:
            key = f"measurement[{number}].feature"
            raise ConfigError(place_of_key(file, text, key), key, "a feature is measured twice", value=feature)
    thread = found.thread.thread if found.thread is not None else None
    running = _make_running(found.running)
    for number, plan in enumerate(plans):
        # Here and not in the kind, which knows neither the thread nor the speed.
        if getattr(plan.options, "velocity_bands_hz", ()) and (
            thread is None or found.running.speed_rpm is None
        ):
            key = f"measurement[{number}].velocity_bands_hz"
            raise ConfigError(place_of_key(file, text, key), key, "needs [thread] and speed_rpm in [running]")
    if running is not None and running.resonances_hz and thread is None:
        key = "running.resonances_hz"
        raise ConfigError(
            place_of_key(file, text, key), key, "needs [thread]: it says how fast waves pass the balls"
        )
    # Limits that depend on the speed are judged at its worst, the highest.
    highest = running.speed_rpm[1] if running is not None and running.speed_rpm is not None else None
    uncertainty = _uncertainty(found, file, text, describe)
    approved = ("", "") if found.approval is None else (found.approval.by, found.approval.reason)
    return Recipe(found.part, found.revision, thread, highest, plans, running, uncertainty, *approved)


def _uncertainty(
    found: _RecipeDocument, file: str, text: str, describe: DescribeKind
) -> PartUncertainty | None:
    if found.uncertainty is None:
        return None
    known = {name for table in found.measurement for name in describe(str(table["kind"]))[1]}
    bands: list[tuple[int, int]] = []
    for name in found.uncertainty.repeatability:
        band = harmonic_band(name)
        if band is not None and "harmonic_amplitude" in known:
            # An order in two bands would have two repeatabilities.
            if band[0] > band[1] or any(band[0] <= high and low <= band[1] for low, high in bands):
                key = "uncertainty.repeatability"
                complaint = "a band runs from its first UPR to its last, and no two overlap"
                raise ConfigError(place_of_key(file, text, key), key, complaint, value=name)
            bands.append(band)
        # harmonic_amplitude[37] is no band: a single order would be silently ignored.
        elif name not in known and (_instance_of(name) not in known or name.startswith("harmonic_amplitude")):
            near = difflib.get_close_matches(name, known, 1)
            complaint = "unknown characteristic" + (f", did you mean {near[0]!r}?" if near else "")
            key = "uncertainty.repeatability"
            raise ConfigError(
                place_of_key(file, text, key), key, complaint, value=name, allowed=", ".join(sorted(known))
            )
    return PartUncertainty(**msgspec.structs.asdict(found.uncertainty))


def _instance_of(name: str) -> str:
    """The characteristic of a ``name[instance]``, else the name itself."""
    return name.partition("[")[0] if name.endswith("]") else name


def _make_running(found: _RunningTable) -> Running | None:
    """What the recipe says of running; None where it says nothing."""
    if found == _RunningTable():
        return None
    values = msgspec.structs.asdict(found)
    speed = values.pop("speed_rpm")
    values["resonances_hz"] = found.resonances
    if speed is not None:
        speed = (speed[0], speed[1]) if isinstance(speed, tuple) else (speed, speed)
    return Running(speed_rpm=speed, **values)


def referenced_files(data: bytes, file: str) -> tuple[str, ...]:
    """Names of the limit files that a recipe refers to, relative to it, sorted. Raises ConfigError."""
    names = set()
    for measurement in toml_table(data, file).get("measurement", ()):
        limits = measurement.get("limit", ()) if isinstance(measurement, dict) else ()
        # A person writes [measurement.limit] for a single one; the types are checked later.
        for limit in [limits] if isinstance(limits, dict) else limits:
            if isinstance(limit, dict) and isinstance(limit.get("file"), str):
                names.add(limit["file"])
    return tuple(sorted(names))


Place = Callable[[], str]
"""Where in which file a complaint is about."""
_COMMON_KEYS = ("feature", "kind", "limit", "setup")
"""Keys of a measurement beside those of its kind."""


def _plan(
    table: dict[str, Any],
    index: int,
    file: str,
    text: str,
    files: Mapping[str, bytes],
    describe: DescribeKind,
) -> MeasurementPlan:
    where = f"measurement[{index}]"
    # What is left when the common keys are out belongs to the kind, which names its own.
    rest = dict(table)
    feature, kind, limits, setup = (rest.pop(key, None) for key in _COMMON_KEYS)
    for key, value in (("feature", feature), ("kind", kind)):
        if not isinstance(value, str) or not value:
            near = difflib.get_close_matches(key, rest, 1)
            complaint = "this key is required" if value is None else "not a text"
            complaint += f", did you mean it by {near[0]!r}?" if near else ""
            place = place_of_key(file, text, f"{where}.{near[0] if near else key}")
            raise ConfigError(place, f"{where}.{key}", complaint, value=value, allowed="a text")
    assert isinstance(feature, str)
    assert isinstance(kind, str)
    try:
        options_type, characteristics = describe(kind)
    except InputError as error:
        raise ConfigError(
            place_of_key(file, text, f"{where}.kind"), f"{where}.kind", str(error), value=kind
        ) from error
    options = convert(
        rest, options_type, file, text=text, prefix=where, also=_COMMON_KEYS[:3], last=_COMMON_KEYS[3:]
    )
    stated = convert({} if setup is None else setup, _SetupTable, file, text=text, prefix=f"{where}.setup")
    scalars: list[ScalarLimit] = []
    curves: list[CurveLimit] = []
    grade = None
    for number, item in enumerate([limits] if isinstance(limits, dict) else limits or ()):
        key = f"{where}.limit[{number}]"
        limit = convert(item, _LimitTable, file, text=text, prefix=key)
        if limit.grade is not None:
            if grade is not None or limit != _LimitTable(grade=limit.grade):
                # What stands beside a grade would be dropped without a word: a limit that never rejects.
                complaint = "a grade stands alone in its limit, and once in a measurement"
                raise ConfigError(place_of_key(file, text, key), key, complaint, value=limit.grade)
            grade = limit.grade
            continue
        _require_known(limit.characteristic, characteristics, file, text, key)
        line_in_file = partial(place_of_key, file, text, key)  # a search of the text: for a complaint alone
        if limit.points is not None or limit.power is not None or limit.file is not None:
            curves.append(_curve(limit, key, line_in_file, files, getattr(options, "upr", None)))
        else:
            scalars.append(_scalar(limit, key, line_in_file))
    values = {key: value for key, value in msgspec.structs.asdict(stated).items() if value is not None}
    return MeasurementPlan(feature, kind, options, tuple(scalars), tuple(curves), grade, values)


def _require_known(
    name: str | None, characteristics: Mapping[str, str], file: str, text: str, key: str
) -> None:
    if name in characteristics:
        return
    near = difflib.get_close_matches(name or "", characteristics, 1)
    complaint = "unknown characteristic" if name is not None else "this key is required"
    raise ConfigError(
        place_of_key(file, text, f"{key}.characteristic"),
        f"{key}.characteristic",
        complaint + (f", did you mean {near[0]!r}?" if near else ""),
        value=name,
        allowed=", ".join(characteristics),
    )


def _scalar(limit: _LimitTable, key: str, place: Place) -> ScalarLimit:
    if limit.characteristic == "harmonic_amplitude":
        raise ConfigError(
            place(), key, "harmonic_amplitude is judged by a curve", allowed="points, power or file"
        )
    if limit.lower is None and limit.upper is None:
        raise ConfigError(place(), key, "a limit needs lower, upper or both")
    # Equal limits would leave a single value that conforms.
    if limit.lower is not None and limit.upper is not None and limit.lower >= limit.upper:
        raise ConfigError(place(), key, "lower must be below upper", value=[limit.lower, limit.upper])
    if limit.express != "amplitude":
        raise ConfigError(place(), f"{key}.express", "only a harmonic curve has it", value=limit.express)
    assert limit.characteristic is not None
    return ScalarLimit(
        characteristic=limit.characteristic,
        instance=limit.instance,
        lower=limit.lower,
        upper=limit.upper,
        caution=limit.caution,
    )


def _curve(
    limit: _LimitTable, key: str, place: Place, files: Mapping[str, bytes], band: tuple[int, int] | None
) -> CurveLimit:
    """A harmonic limit curve as amplitudes, from points, a power law or a file; exactly one of them."""
    given = [
        n for n, v in (("points", limit.points), ("power", limit.power), ("file", limit.file)) if v is not None
    ]
    if len(given) != 1:
        raise ConfigError(
            place(), key, f"{' and '.join(given)} are given", allowed="one of points, power, file"
        )
    if limit.characteristic != "harmonic_amplitude":
        raise ConfigError(
            place(),
            key,
            "only harmonic_amplitude has a curve",
            value=limit.characteristic,
            allowed="lower, upper",
        )
    if limit.lower is not None or limit.upper is not None or limit.instance is not None:
        raise ConfigError(place(), key, "a curve has no lower, upper or instance")
    caution = None
    if limit.points is not None:
        rows = np.array(limit.points, dtype=np.float64).reshape(-1, 2)
        upr, upper = rows[:, 0], rows[:, 1]
    elif limit.power is not None:
        low, high = band or (2, 500)
        # A power law is a straight line in log-log, so that two points say all of it; 1 UPR is eccentricity.
        upr = np.array([max(low, 2), high], dtype=np.float64)
        upper = limit.power.nm * (upr / limit.power.upr) ** limit.power.exponent
    else:
        assert limit.file is not None
        upr, upper, caution = _curve_file(limit.file, files, place, key)
    if len(upr) < 2 or np.any(np.diff(upr) <= 0) or upr[0] < 2:
        raise ConfigError(
            place(),
            key,
            "UPR must rise from 2 or more in two points at least",
            value=[float(u) for u in upr[:5]],
        )
    # Orders beyond the band have no amplitude: every part would be held for them.
    if band is not None and upr[-1] > band[1]:
        raise ConfigError(
            place(), key, f"the curve reaches {upr[-1]:g} UPR but upr ends at {band[1]}", value=float(upr[-1])
        )
    # A wave's depth, from crest to trough, is twice its amplitude.
    scale = 0.5 if limit.express == "wave_depth" else 1.0
    if limit.caution is not None:
        share = upper * limit.caution
        # Beside a column of the file the lower of both cautions, as where two curves meet.
        caution = share if caution is None else np.fmin(caution, share)
    return CurveLimit(upr, upper * scale, caution * scale if caution is not None else None)


def _curve_file(
    name: str, files: Mapping[str, bytes], place: Place, key: str
) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    if name not in files:
        raise ConfigError(place(), f"{key}.file", "the file cannot be read", value=name)
    lines = [line for line in files[name].decode("utf-8-sig", errors="replace").splitlines() if line.strip()]
    names = [n.strip() for n in lines[0].split(",")] if lines else []
    if names not in (["upr", "upper_nm"], ["upr", "upper_nm", "caution_nm"]):
        raise ConfigError(name, "line 1", "columns", value=names, allowed="upr, upper_nm, optional caution_nm")
    try:
        rows = [
            # Without words for missing numbers: a limit that is none would never be exceeded.
            [parse_number(c, ".", frozenset(), n) for c in r.split(",")]
            for n, r in enumerate(lines[1:], 2)
        ]
        table = np.array(rows, dtype=np.float64).reshape(-1, len(names))
    except (InputError, ValueError) as error:
        raise ConfigError(name, "", str(error)) from error
    if not np.all(np.isfinite(table)) or np.any(table <= 0):
        raise ConfigError(name, "", "every number must be finite and above 0")
    return table[:, 0], table[:, 1], table[:, 2] if len(names) == 3 else None
