"""A full result as the archive holds it, decoded for those who read it again."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import msgspec
from msgspec import UNSET, UnsetType

from edgeagent.codec.records.result import SCHEMA
from edgeagent.model import Disposition
from edgeagent.model.reasons import Reason
from edgeagent.model.records import JudgedValue, Measurement, TraceIdentity

Numbers = tuple[float | None, ...]


class CheckOutcome(msgspec.Struct, frozen=True, kw_only=True):
    """One quality check of a trace."""

    check: str
    ok: bool
    value: float | None
    allowed: float | None
    unit: str
    note: str


class ResultSpectrum(msgspec.Struct, frozen=True, kw_only=True):
    """The judged spectrum, one element an order; None for numbers that are not finite."""

    upr: tuple[int, ...]
    amplitude_nm: Numbers
    phase_deg: Numbers
    noise_nm: Numbers
    upper_nm: Numbers
    caution_nm: Numbers


class ResultOrders(msgspec.Struct, frozen=True, kw_only=True):
    """The waves between whole orders, strongest first."""

    upr: tuple[float, ...]
    amplitude_nm: Numbers
    noise_nm: Numbers
    upper_nm: Numbers


class ArchivedResult(msgspec.Struct, frozen=True, kw_only=True):
    """The members of ``edgeagent.result/1`` that a reader needs.

    ``details`` is what a kind of trace adds for pictures, in a form of its own.
    """

    trace: TraceIdentity
    quality: tuple[CheckOutcome, ...]
    characteristics: tuple[JudgedValue, ...]
    spectrum: ResultSpectrum | None
    disposition: Disposition
    reasons: tuple[str, ...]
    reason_codes: tuple[Reason, ...] | UnsetType = UNSET
    details: Mapping[str, Any] = {}
    orders: ResultOrders | None = None


class _Schema(msgspec.Struct, frozen=True):
    schema: str = ""


_DECODER = msgspec.json.Decoder(ArchivedResult)
_SCHEMA_DECODER = msgspec.json.Decoder(_Schema)


def decode_result(data: bytes) -> ArchivedResult:
    """A result from its bytes. Raises ValueError where it is none that this version knows, and says why."""
    try:
        # First by itself: another version's members would else be called damage.
        schema = _SCHEMA_DECODER.decode(data).schema
        if schema != SCHEMA:
            raise ValueError(f"a result of schema {schema!r}, not {SCHEMA}: another version wrote it")
        return _DECODER.decode(data)
    except (msgspec.MsgspecError, RecursionError) as error:
        raise ValueError(f"not a result: {error}") from error


def result_of_record(body: Measurement) -> ArchivedResult:
    """As much of a result as the journal's record holds itself: failed checks, no spectrum, no details."""
    failed = (
        CheckOutcome(check=c.check, ok=False, value=None, allowed=None, unit="", note=c.note)
        for c in body.quality_failed
    )
    return ArchivedResult(
        trace=body.trace,
        quality=tuple(failed),
        characteristics=body.characteristics,
        spectrum=None,
        disposition=body.disposition,
        reasons=body.reasons,
        reason_codes=body.reason_codes,
    )
