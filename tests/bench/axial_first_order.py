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

from edgeagent.analysis.arcs import fit_circle
from edgeagent.analysis.ball import seat_measures
from edgeagent.analysis.helicoid import to_normal, to_normal_first_order
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
    """Figure of the two errors that matter over the lead angle."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    angles = np.linspace(2.0, 25.0, 24)
    figure, axes = pyplot.subplots(1, 2, figsize=(9.0, 3.4), layout="constrained")
    for member, style in (("shaft", "-"), ("nut", "--")):
        table = np.array([errors(a, member, exact=False) for a in angles])
        axes[0].plot(angles, table[:, 0], style, label=member)
        axes[1].plot(angles, table[:, 3], style, label=member)
    for ax, label in zip(axes, ("contact angle, deg", "ball pitch circle diameter, µm"), strict=True):
        ax.set_xlabel("lead angle, deg")
        ax.set_ylabel(f"error of {label}")
        ax.grid(True, linewidth=0.3)
        ax.legend()
    figure.suptitle("Cost of the first-order correction (x · cos of the lead angle)")
    figure.savefig(path)


if __name__ == "__main__":
    raise SystemExit(main())
