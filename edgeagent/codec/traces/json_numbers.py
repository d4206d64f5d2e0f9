"""A JSON array of numbers to float64, by simdjson where it is installed, else by msgspec; the same bits.

simdjson makes no Python object of a number, which reads a trace about four times as fast. It has no wheel for
every version of Python, so nothing but the time may depend on it.
"""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np

from edgeagent.model import FloatArray

_simdjson: Any
try:
    import simdjson as _simdjson
except ImportError:  # an accelerator only
    _simdjson = None

_FLOATS = msgspec.json.Decoder(list[float])


def json_numbers(text: bytes) -> FloatArray | None:
    """The numbers of a JSON array, each rounded correctly; None where ``text`` is no flat array of numbers."""
    if text.find(b"[", 1) >= 0:  # simdjson reads an array within the array as if its brackets were not there
        return None
    return _by_simdjson(text) if _simdjson is not None else json_numbers_portable(text)


def _by_simdjson(text: bytes) -> FloatArray | None:
    try:
        found = _simdjson.Parser().parse(text)
        if not isinstance(found, _simdjson.Array):
            return None
        # A copy, with a parser of its own: one that is used again while its document lives refuses.
        return np.frombuffer(found.as_buffer(of_type="d"), dtype=np.float64)
    except (ValueError, TypeError, RuntimeError):
        return None


def json_numbers_portable(text: bytes) -> FloatArray | None:
    """As ``json_numbers``, without the accelerator."""
    try:
        return np.array(_FLOATS.decode(text), dtype=np.float64)
    except (ValueError, RecursionError):  # msgspec's own errors are ValueErrors
        return None
