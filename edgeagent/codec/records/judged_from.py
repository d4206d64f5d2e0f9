"""What a result was judged from, so that other limits can be asked later without the trace.

``judged_from`` of a result holds what its other members do not: values and uncertainties before the budget with
their degrees of freedom, of how many each is the largest, what the instrument's errors do to each, and a
standard's limits. ``JudgingRow`` is all that judging needs of one result, small enough to be read by the
thousand.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

import msgspec
import numpy as np

from edgeagent.codec.records.result import SCHEMA
from edgeagent.model import (
    Contribution,
    FloatArray,
    HarmonicInfluence,
    Influences,
    Quantity,
    ScalarLimit,
    Spectrum,
)
from edgeagent.model.reasons import Reason

MEMBER = "judged_from"
_INFINITE = -1.0
"""Stands for an infinite standard uncertainty, which JSON cannot say; None stands for an unknown one."""
_AFTER = ("setup", "side_file")
"""Checks that are added behind those of the analysis, by what the recipe says of the set-up."""
_JUDGED = ("limit_without_value", "temperature")
"""Checks that depend on limits and on the budget: they are made anew."""

Line = tuple[str, float, str, float, float | None]
"""A contribution: source, standard uncertainty, unit, sensitivity, degrees of freedom (None: infinite)."""
Effect = tuple[str, str, float]
"""Name and instance of a value, and its change per unit."""
Effects = tuple[tuple[str, str, tuple[Line, ...]], ...]
Check = tuple[str, float | None, float | None, str, str]
"""A failed check: its name, value, allowed, unit, note."""
Numbers = tuple[float | None, ...]


class _ValueInfluences(msgspec.Struct, frozen=True, kw_only=True):
    """`model.Influences` on values, with the names of the members that were wanted."""

    wanted: tuple[str, ...] = ()
    gauge_scale: tuple[Effect, ...] = ()
    length_scale: tuple[Effect, ...] = ()
    tip_radius_mm: tuple[Effect, ...] = ()
    uncorrected: Effects = ()
    stated: Effects = ()


class RowInfluences(_ValueInfluences, frozen=True, kw_only=True):
    """Those on waves beside them; arrays as memory of float64."""

    harmonics_per_tip_mm: memoryview | None = None
    harmonics_uncorrected_nm: memoryview | None = None
    harmonics_stated: tuple[tuple[str, float, str, memoryview], ...] = ()
    orders_stated_nm: memoryview | None = None

    def influences(self) -> Influences:
        """As a budget takes them."""
        return Influences(
            gauge_scale=_by_value(self.gauge_scale),
            length_scale=_by_value(self.length_scale),
            tip_radius_mm=_by_value(self.tip_radius_mm),
            uncorrected=_lines(self.uncorrected),
            stated=_lines(self.stated),
            harmonics_per_tip_mm=floats(self.harmonics_per_tip_mm),
            harmonics_uncorrected_nm=floats(self.harmonics_uncorrected_nm),
            harmonics_stated=tuple(
                HarmonicInfluence(source, u, unit, np.frombuffer(each))
                for source, u, unit, each in self.harmonics_stated
            ),
            orders_stated_nm=floats(self.orders_stated_nm),
        )


class JudgingRow(msgspec.Struct, frozen=True, kw_only=True, array_like=True):
    """What judging needs of one archived result; arrays as memory of float64, NaN for what is no number.

    ``value``, ``u`` and ``dof`` are from before the budget, those with ``budget_`` in front from after it, None
    where there was none. ``checks`` are the failed ones of the analysis, ``setup_checks`` those behind them.
    """

    seq: int
    result_sha256: str
    names: tuple[str, ...]
    instances: tuple[str, ...]
    units: tuple[str, ...]
    value: Numbers
    u: Numbers
    dof: tuple[float, ...]
    among: tuple[int, ...]
    budget_value: Numbers | None
    budget_u: Numbers | None
    budget_dof: tuple[float, ...] | None
    checks: tuple[Check, ...]
    setup_checks: tuple[Check, ...]
    temperature_c: float | None
    amplitude_nm: memoryview | None
    noise_nm: memoryview | None
    uncertainty_nm: memoryview | None
    orders_upr: memoryview | None
    orders_amplitude_nm: memoryview | None
    orders_noise_nm: memoryview | None
    orders_uncertainty_nm: memoryview | None
    grade_limits: tuple[tuple[str, str | None, float | None, float | None, float | None], ...]
    grade_holds: tuple[Reason, ...]
    packed_influences: msgspec.Raw

    def influences(self) -> RowInfluences | None:
        """What the instrument's errors do to the values; None where the result holds nothing of it."""
        found: RowInfluences | None = _INFLUENCES_DECODER.decode(self.packed_influences)
        return found

    def spectrum(self) -> Spectrum | None:
        """The harmonics as they were judged, without their phases; None where the trace has none."""
        if self.amplitude_nm is None or self.noise_nm is None:
            return None
        amplitude = np.frombuffer(self.amplitude_nm)
        return Spectrum(_whole_orders(len(amplitude)), amplitude, amplitude, np.frombuffer(self.noise_nm))

    def orders(self) -> Spectrum | None:
        """The waves between whole orders in the same way."""
        if self.orders_upr is None or self.orders_amplitude_nm is None or self.orders_noise_nm is None:
            return None
        amplitude = np.frombuffer(self.orders_amplitude_nm)
        return Spectrum(
            np.frombuffer(self.orders_upr), amplitude, amplitude, np.frombuffer(self.orders_noise_nm)
        )

    def quantities(self, wanted: frozenset[str], *, budgeted: bool) -> tuple[Quantity, ...]:
        """The values of these names, as from before the budget or from after it, in the result's order."""
        value, u, dof = self.value, self.u, self.dof
        if (
            budgeted
            and self.budget_value is not None
            and self.budget_u is not None
            and self.budget_dof is not None
        ):
            value, u, dof = self.budget_value, self.budget_u, self.budget_dof
        return tuple(
            Quantity(name, value[i], self.units[i], self.instances[i], u[i], dof[i], self.among[i])
            for i, name in enumerate(self.names)
            if name in wanted
        )

    def limits_of_grade(self) -> tuple[ScalarLimit, ...]:
        """The limits that the recipe's grade asked for."""
        return tuple(
            ScalarLimit(characteristic=name, instance=instance, lower=lower, upper=upper, caution=caution)
            for name, instance, lower, upper, caution in self.grade_limits
        )


@lru_cache(maxsize=16)
def _whole_orders(count: int) -> Any:
    """1 to ``count``, made once for all rows that have as many; nobody may write to it."""
    orders = np.arange(1, count + 1)
    orders.flags.writeable = False
    return orders


_INFLUENCES_DECODER = msgspec.msgpack.Decoder(RowInfluences | None)


def floats(data: memoryview | None) -> FloatArray | None:
    """An array from its memory."""
    return None if data is None else np.frombuffer(data)


def judged_from_object(
    raw: Sequence[Quantity],
    budgeted: Sequence[Quantity] | None,
    *,
    temperature_c: float | None,
    grade_limits: Sequence[ScalarLimit] = (),
    grade_holds: Sequence[Reason] = (),
    orders: Spectrum | None = None,
    orders_uncertainty_nm: FloatArray | None = None,
    influences: Influences | None = None,
    wanted: frozenset[str] = frozenset(),
) -> dict[str, Any]:
    """The member ``judged_from`` as JSON values; ``raw`` are the values before the budget, in their order.

    ``orders`` are there where a budget gave their noise another number in the result.
    """
    found: dict[str, Any] = {
        "value": [q.value for q in raw],
        "u": [_finite(q.standard_uncertainty) for q in raw],
        "dof": [_unless_infinite(q.degrees_of_freedom) for q in raw],
        "among": [q.among for q in raw],
    }
    if budgeted is not None:
        found["budget_u"] = [_finite(q.standard_uncertainty) for q in budgeted]
        found["budget_dof"] = [_unless_infinite(q.degrees_of_freedom) for q in budgeted]
    if temperature_c is not None:
        found["temperature_c"] = temperature_c
    if grade_limits:
        found["grade_limits"] = [
            [x.characteristic, x.instance, x.lower, x.upper, x.caution] for x in grade_limits
        ]
    if grade_holds:
        found["grade_holds"] = msgspec.to_builtins(tuple(grade_holds))
    if orders is not None and orders_uncertainty_nm is not None:
        found["orders_noise_nm"] = _plain(orders.noise_nm)
    if influences is not None:
        found["influences"] = _influences_object(influences, wanted)
    return found


def _influences_object(found: Influences, wanted: frozenset[str]) -> dict[str, Any]:
    said: dict[str, Any] = {
        "wanted": sorted(wanted),
        # Sorted, so that the same trace gives the same bytes whatever order the kind found them in.
        "gauge_scale": [[*at, x] for at, x in sorted(found.gauge_scale.items())],
        "length_scale": [[*at, x] for at, x in sorted(found.length_scale.items())],
        "tip_radius_mm": [[*at, x] for at, x in sorted(found.tip_radius_mm.items())],
        "uncorrected": [[*at, [_line(c) for c in each]] for at, each in sorted(found.uncorrected.items())],
        "stated": [[*at, [_line(c) for c in each]] for at, each in sorted(found.stated.items())],
        "harmonics_stated": [
            [h.source, h.standard_uncertainty, h.unit, _plain(h.per_unit_nm)] for h in found.harmonics_stated
        ],
    }
    for name in ("harmonics_per_tip_mm", "harmonics_uncorrected_nm", "orders_stated_nm"):
        array = getattr(found, name)
        if array is not None:
            said[name] = _plain(array)
    # Most members are empty for most kinds, and each result of an archive of years would carry them.
    return {name: each for name, each in said.items() if each or name == "wanted"}


def _line(c: Contribution) -> Line:
    return c.source, c.standard_uncertainty, c.unit, c.sensitivity, _unless_infinite(c.degrees_of_freedom)


def _plain(array: FloatArray) -> list[float | None]:
    return [x if math.isfinite(x) else None for x in array.tolist()]


def _finite(u: float | None) -> float | None:
    return _INFINITE if u is not None and math.isinf(u) else u


def _unless_infinite(dof: float) -> float | None:
    return None if math.isinf(dof) else dof


def _by_value(effects: Sequence[Effect]) -> dict[tuple[str, str], float]:
    return {(name, instance): x for name, instance, x in effects}


def _lines(effects: Effects) -> dict[tuple[str, str], tuple[Contribution, ...]]:
    return {
        (name, instance): tuple(
            Contribution(source, u, unit, x, math.inf if dof is None else dof)
            for source, u, unit, x, dof in lines
        )
        for name, instance, lines in effects
    }


class _StoredInfluences(_ValueInfluences, frozen=True, kw_only=True):
    harmonics_per_tip_mm: Numbers | None = None
    harmonics_uncorrected_nm: Numbers | None = None
    harmonics_stated: tuple[tuple[str, float, str, Numbers], ...] = ()
    orders_stated_nm: Numbers | None = None


class _StoredMember(msgspec.Struct, frozen=True):
    value: Numbers
    u: Numbers
    dof: Numbers
    among: tuple[int, ...]
    budget_u: Numbers | None = None
    budget_dof: Numbers | None = None
    temperature_c: float | None = None
    grade_limits: tuple[tuple[str, str | None, float | None, float | None, float | None], ...] = ()
    grade_holds: tuple[Reason, ...] = ()
    orders_noise_nm: Numbers | None = None
    influences: _StoredInfluences | None = None


class _StoredValue(msgspec.Struct, frozen=True):
    name: str
    instance: str
    value: float | None
    unit: str


class _StoredCheck(msgspec.Struct, frozen=True):
    check: str
    ok: bool
    value: float | None
    allowed: float | None
    unit: str
    note: str


class _StoredWaves(msgspec.Struct, frozen=True):
    upr: tuple[float, ...]
    amplitude_nm: Numbers
    noise_nm: Numbers
    uncertainty_nm: Numbers | None = None


class _StoredResult(msgspec.Struct, frozen=True):
    """The members of a result that judging needs; all others are passed over without being built."""

    schema: str
    quality: tuple[_StoredCheck, ...]
    characteristics: tuple[_StoredValue, ...]
    spectrum: _StoredWaves | None
    orders: _StoredWaves | None = None
    judged_from: _StoredMember | None = None


_DECODER = msgspec.json.Decoder(_StoredResult)


def row_of(seq: int, result_sha256: str, data: bytes) -> JudgingRow | None:
    """What judging needs of a result's bytes; None where it was written before results held that.

    Raises ValueError for what is no result of this version.
    """
    try:
        stored = _DECODER.decode(data)
    except (msgspec.MsgspecError, RecursionError) as error:
        raise ValueError(f"not a result: {error}") from error
    if stored.schema != SCHEMA:
        raise ValueError(f"a result of schema {stored.schema!r}, not {SCHEMA}: another version wrote it")
    own = stored.judged_from
    if own is None:
        return None
    count, waves, lines = len(own.value), stored.spectrum, stored.orders
    # The analysis' own values come first in a result, limits without a value and harmonics behind them.
    values = stored.characteristics[:count]
    # Members of one index must be of one value: a shifted list would judge each by another's uncertainty.
    if len(values) != count or (waves is not None and waves.upr != tuple(range(1, len(waves.upr) + 1))):
        raise ValueError("its members do not fit each other")
    budgeted = own.budget_u is not None and own.budget_dof is not None
    lines_noise = None if lines is None else own.orders_noise_nm or lines.noise_nm
    after = [c for c in stored.quality if not c.ok and c.check in _AFTER]
    before = [c for c in stored.quality if not c.ok and c.check not in (*_AFTER, *_JUDGED)]
    return JudgingRow(
        seq=seq,
        result_sha256=result_sha256,
        names=tuple(v.name for v in values),
        instances=tuple(v.instance for v in values),
        units=tuple(v.unit for v in values),
        value=own.value,
        u=_known(own.u),
        dof=_freedom(own.dof),
        among=own.among,
        budget_value=tuple(v.value for v in values) if budgeted else None,
        budget_u=_known(own.budget_u) if own.budget_u is not None else None,
        budget_dof=_freedom(own.budget_dof) if own.budget_dof is not None else None,
        checks=_failed(before),
        setup_checks=_failed(after),
        temperature_c=own.temperature_c,
        amplitude_nm=None if waves is None else _packed(waves.amplitude_nm),
        noise_nm=None if waves is None else _packed(waves.noise_nm),
        uncertainty_nm=None if waves is None or waves.uncertainty_nm is None else _packed(waves.uncertainty_nm),
        orders_upr=None if lines is None else _packed(lines.upr),
        orders_amplitude_nm=None if lines is None else _packed(lines.amplitude_nm),
        orders_noise_nm=None if lines_noise is None else _packed(lines_noise),
        orders_uncertainty_nm=_packed(lines.noise_nm)
        if lines is not None and own.orders_noise_nm is not None
        else None,
        grade_limits=own.grade_limits,
        grade_holds=own.grade_holds,
        # Packed once more, since few questions need the influences and most rows are passed by.
        packed_influences=msgspec.Raw(msgspec.msgpack.encode(_row_influences(own.influences))),
    )


def _row_influences(own: _StoredInfluences | None) -> RowInfluences | None:
    if own is None:
        return None

    def packed(numbers: Numbers | None) -> memoryview | None:
        return None if numbers is None else _packed(numbers)

    return RowInfluences(
        **{name: getattr(own, name) for name in _ValueInfluences.__struct_fields__},
        harmonics_per_tip_mm=packed(own.harmonics_per_tip_mm),
        harmonics_uncorrected_nm=packed(own.harmonics_uncorrected_nm),
        harmonics_stated=tuple(
            (source, u, unit, _packed(each)) for source, u, unit, each in own.harmonics_stated
        ),
        orders_stated_nm=packed(own.orders_stated_nm),
    )


def _failed(checks: Sequence[_StoredCheck]) -> tuple[Check, ...]:
    return tuple((c.check, c.value, c.allowed, c.unit, c.note) for c in checks)


def _known(u: Numbers) -> Numbers:
    return tuple(math.inf if x == _INFINITE else x for x in u)


def _freedom(dof: Numbers) -> tuple[float, ...]:
    return tuple(math.inf if x is None else x for x in dof)


def _packed(numbers: Sequence[float | None]) -> memoryview:
    # None becomes NaN here: float64 takes an eighth of the memory of Python's own numbers.
    return memoryview(np.array(numbers, dtype=np.float64).tobytes())


def without_member(result: Mapping[str, Any]) -> dict[str, Any]:
    """A result as it was before it held what it was judged from."""
    return {name: each for name, each in result.items() if name != MEMBER}
