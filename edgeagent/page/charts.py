"""Small drawings as SVG text: how near a value lies to its limit, and how that went from part to part. Pure."""

from __future__ import annotations

from edgeagent.model.records import JudgedValue
from edgeagent.page.board import NearnessSeries
from edgeagent.report.closeness import place

_WIDTH, _HEIGHT = 320.0, 96.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 4.0, 4.0, 8.0, 8.0
# Room beyond the limit, so that a value just over it is seen apart from one far over.
_REACH = 1.3


def limit_bar(c: JudgedValue) -> str:
    """A bar from nothing to beyond the limit, with the value's mark; empty where the value has no scale."""
    found = place(c)
    if found is None:
        return ""
    at = 100 * min(found.at, _REACH) / _REACH
    limit = 100 / _REACH
    beyond = f'<path class="over" d="M{at:.2f} 1 l5 5 l-5 5 z"/>' if found.at > _REACH else ""
    return (
        '<svg class="bar" viewBox="0 0 104 12" preserveAspectRatio="none" aria-hidden="true" focusable="false">'
        f'<rect class="within" x="0" y="4" width="{limit:.2f}" height="4"/>'
        f'<rect class="beyond" x="{limit:.2f}" y="4" width="{100 - limit:.2f}" height="4"/>'
        f'<rect class="limit" x="{limit - 0.6:.2f}" y="0" width="1.2" height="12"/>'
        f'<rect class="mark" x="{max(at - 1, 0):.2f}" y="1" width="2" height="10"/>{beyond}</svg>'
    )


def drift_chart(series: NearnessSeries) -> str:
    """The shares of the limit from part to part, with the limit as a line; one scale for all charts."""
    # One value far off must not press all others flat.
    values = [min(at, 2.0) for _, at in series.shares]
    top = max(_REACH, 1.05 * max(values, default=1.0))
    step = (_WIDTH - _LEFT - _RIGHT) / max(len(values) - 1, 1)

    def height(at: float) -> float:
        return _HEIGHT - _BOTTOM - (_HEIGHT - _TOP - _BOTTOM) * at / top

    points = [(_LEFT + k * step, height(value)) for k, value in enumerate(values)]
    line = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    dots = "".join(
        f'<rect class="off" x="{x - 4:.1f}" y="{y - 4:.1f}" width="8" height="8"/>'
        if value > 1
        else f'<circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="2.4"/>'
        for (x, y), value in zip(points, values, strict=True)
    )
    limit = height(1.0)
    return (
        f'<svg class="drift" viewBox="0 0 {_WIDTH:.0f} {_HEIGHT:.0f}" aria-hidden="true" focusable="false">'
        f'<rect class="zone" x="0" y="{_TOP:.1f}" width="{_WIDTH:.0f}" height="{limit - _TOP:.1f}"/>'
        f'<line class="limit" x1="0" x2="{_WIDTH:.0f}" y1="{limit:.1f}" y2="{limit:.1f}"/>'
        f'<line class="ground" x1="0" x2="{_WIDTH:.0f}" y1="{height(0):.1f}" y2="{height(0):.1f}"/>'
        f'<polyline points="{line}"/>{dots}</svg>'
    )
