"""Each groove's whole section against the geometry that it was made from."""

from __future__ import annotations

import numpy as np
from fixture_modules import load

from edgeagent.analysis.axial.sections import groove_sections
from edgeagent.analysis.kinds import axial
from edgeagent.codec.traces.reader import read_trace
from edgeagent.model import Thread


def test_section_is_the_surface_of_both_arcs_from_land_to_land():
    invented = load("invented_store", "report")
    text = invented.axial_text(invented.Who(feature="profile"), invented.SteppedClock().now(), seed=1)
    trace = read_trace("a.txt", text, None, {}).trace
    thread = Thread(
        member="shaft", hand="right", starts=1, lead_mm=5.0, ball_diameter_mm=3.175, ball_pitch_circle_mm=20.75,
        contact_angle_deg=45.0, track_conformity=0.535,
    )  # fmt: skip
    nominal = axial.nominal_of(trace, thread, axial.Options())
    found = groove_sections(axial.sides_of(trace), nominal, thread)
    assert {name.partition("[")[0] for name in found} == {"top", "bottom"}
    radius = 0.535 * 3.175
    gap = radius - 3.175 / 2
    for u, h in found.values():
        for sign in (-1.0, 1.0):
            centre_u, centre_h = -sign * gap * np.sin(np.pi / 4), gap * np.cos(np.pi / 4)
            angle = np.degrees(np.arctan2(sign * (u - centre_u), centre_h - h))
            flank = (sign * u > 0.1) & (angle > 20) & (angle < 65)
            away = np.hypot(u - centre_u, h - centre_h)[flank] - radius
            assert np.count_nonzero(flank) > 50
            assert np.max(np.abs(away)) < 0.001
        assert u.min() < -1.9
        assert u.max() > 1.9
        assert np.ptp(h[np.abs(u) > 1.75]) < 0.001  # the lands are level
