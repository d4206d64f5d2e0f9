"""What the customary correction, x times the cosine of the lead angle, costs against the exact one.

    python tests/bench/axial_first_order.py [figure.svg]

A gothic groove is swept and cut numerically, the section of its contact zones (45° ± 20°) is corrected
either way, arcs are fitted and the ball is seated. Both take the true ball circle, so that only the
correction differs. Invented part: ball circle 16.6 mm, balls 3.175 mm, track conformity 0.53.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from edgeagent.analysis.groove.arcs import fit_circle
from edgeagent.analysis.groove.ball import seat_measures
from edgeagent.analysis.groove.helicoid import to_normal, to_normal_first_order
from edgeagent.demo import thread_surface as section

ROOT = Path(__file__).resolve().parents[2]

CIRCLE_MM = 16.6
COLUMNS = ("contact angle deg", "flank radius um", "separation um", "ball circle um")


def errors(lead_angle_deg: float, member: str, *, exact: bool) -> np.ndarray:
    """Error of contact angle (deg), flank radius, arc centre separation, ball circle diameter (um)."""
    lead = float(np.pi * CIRCLE_MM * np.tan(np.radians(lead_angle_deg)))
    part = section.Part(member=member, lead_mm=lead, ball_pitch_circle_mm=CIRCLE_MM)
    ball, facing = part.ball_diameter_mm / 2, 1.0 if member == "shaft" else -1.0
    circles = []
    for arc, sign in zip(part.arcs(), (-1.0, 1.0), strict=True):
        theta = sign * np.radians(np.linspace(25.0, 65.0, 400))
        x, z = section._cross_plane(
            lambda t, a=arc, q=theta: section._tip_on_arc(part, a, 0.0, q, t), np.zeros(theta.size)
        )
        if exact:
            plane = to_normal(x, z, radius_mm=CIRCLE_MM / 2, lead_mm=lead)
            u, v = plane.u_mm, plane.v_mm
        else:
            u, v = to_normal_first_order(x, z, radius_mm=CIRCLE_MM / 2, lead_mm=lead)
        found = fit_circle(u, facing * v)
        circles.append([found.x_mm, found.y_mm, found.radius_mm])
    arcs = np.array(circles)
    seat = seat_measures(arcs, ball)
    true = part.arcs()
    return np.array(
        [
            seat[2] - part.contact_angle_deg[0],
            (arcs[0, 2] - true[0][2]) * 1e3,
            (seat[4] - (true[0][0] - true[1][0])) * 1e3,
            2.0 * facing * seat[1] * 1e3,
        ]
    )


def main() -> int:
    angles = (2.0, 4.0, 5.5, 7.0, 10.0, 15.0, 20.98, 25.0)
    print("| member | lead angle | " + " | ".join(COLUMNS) + " | exact, worst |")
    print("|---|---|" + "---|" * (len(COLUMNS) + 1))
    for member in ("shaft", "nut"):
        for angle in angles:
            first, exact = (errors(angle, member, exact=e) for e in (False, True))
            cells = " | ".join("no seat" if not np.isfinite(f) else f"{f:+.3f}" for f in first)
            print(f"| {member} | {angle:g}° | {cells} | {np.max(np.abs(exact)):.0e} |")
    if len(sys.argv) > 1:
        draw(sys.argv[1])
    return 0


def draw(path: str) -> None:
    """Figure of two errors over the lead angle, readable without colour; the same bytes on every run."""
    import matplotlib

    matplotlib.use("Agg")
    matplotlib.rcParams.update({"svg.fonttype": "none", "svg.hashsalt": "first-order", "font.size": 10})
    from matplotlib import pyplot

    angles = np.linspace(2.0, 25.0, 24)
    figure, axes = pyplot.subplots(1, 2, figsize=(8.6, 3.3), layout="constrained")
    for member, line, marker in (("shaft", "-", "o"), ("nut", "--", "s")):
        table = np.array([errors(a, member, exact=False) for a in angles])
        style = {"color": "black", "linewidth": 1.2, "marker": marker, "markersize": 4, "markevery": (3, 5)}
        for ax, column in zip(axes, (0, 3), strict=True):
            ax.plot(angles, table[:, column], line, markerfacecolor="white", label=member, **style)
    for ax, label in zip(axes, ("contact angle, deg", "ball pitch circle diameter, µm"), strict=True):
        ax.axhline(0.0, color="black", linewidth=0.6)
        ax.set(xlabel="lead angle, deg", title=f"error of {label}", xlim=(0.0, 26.0), xticks=range(0, 26, 5))
        ax.grid(True, color="0.85", linewidth=0.5)
        ax.spines[["top", "right"]].set_visible(False)
        ax.legend(loc="lower left", frameon=False)
    figure.savefig(path, metadata={"Date": None})


if __name__ == "__main__":
    raise SystemExit(main())
