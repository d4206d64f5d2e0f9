"""Where a file's time went, for the event log."""

from __future__ import annotations

from collections.abc import Sequence

_STAGES = ("read", "to the worker", "evaluate", "from the worker", "archive", "journal", "publish")


def stages_ms(moments: Sequence[float]) -> dict[str, float]:
    """Where a file's time went, from the monotonic times between its stages."""
    steps = zip(_STAGES, moments, moments[1:], strict=False)
    return {name: round(1000 * (after - before), 3) for name, before, after in steps}
