"""A simulated gauge: makes traces from waves and writes them the way instruments do."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from edgeagent.demo.scenario import Act, GrooveShape
from edgeagent.demo.thread_surface import Cut, Part, section, with_noise

TURNS = 3
POINTS_PER_TURN = 5400


def trace_text(act: Act) -> bytes:
    """Trace text of one act: alignment left in, waves, 3 nm of noise, and the act's own defects."""
    if act.groove is not None:
        return _axial_text(act, act.groove)
    rng = np.random.default_rng(act.seed)
    count = np.arange(TURNS * POINTS_PER_TURN)
    angle_deg = count * (360.0 / POINTS_PER_TURN)
    angle = np.radians(angle_deg)
    t = angle / (2 * np.pi)
    # The part's eccentricity, which every analysis must take out.
    deviation = 3.2 * np.cos(angle + rng.uniform(0, 6.28)) + rng.normal(0, 0.003, len(angle))
    if act.artefact is None:
        # A tilted part: its eccentricity grows along the spiral. The slope is a lead other than the drive's.
        deviation += 0.5 * t * np.cos(angle + rng.uniform(0, 6.28)) + 0.8 * t
    for upr, amplitude_nm in act.waves:
        deviation += 1e-3 * amplitude_nm * np.cos(upr * angle + rng.uniform(0, 6.28))
    if act.spike_um:
        deviation[len(count) // 3] += act.spike_um
    # Last, as a gauge at its stop cuts off whatever there is.
    if act.clip_um is not None:
        deviation = np.minimum(deviation, act.clip_um)
    rows = "\n".join(f"{a:.5f},{d:.6f}" for a, d in zip(angle_deg.tolist(), deviation.tolist(), strict=True))
    return f"{_header(act)}angle_deg,deviation_um\n{rows}\n".encode()


def _axial_text(act: Act, groove: GrooveShape) -> bytes:
    """An axial trace through four grooves a side, cut from the swept surface, with 20 nm of noise."""
    part = Part(contact_angle_deg=(groove.contact_angle_deg,) * 2, lead_mm=groove.lead_mm)
    cut = Cut(x_start_mm=-2.4, x_end_mm=18.2, spacing_mm=0.004, tip_radius_mm=0.02)
    trace = with_noise(section(part, cut), 20.0, act.seed)
    rows = "\n".join(
        f"{'top' if side > 0 else 'bottom'},{x:.6f},{z:.7f}"
        for side, x, z in zip(trace.side.tolist(), trace.x_mm.tolist(), trace.z_mm.tolist(), strict=True)
    )
    return f"{_header(act)}side,x_mm,z_mm\n{rows}\n".encode()


def _header(act: Act) -> str:
    kind = "circle" if act.artefact is not None else "axial" if act.groove is not None else "spiral"
    lines = ["trace = 1", f'kind = "{kind}"']
    if act.artefact is not None:
        lines.append(f'artefact = "{act.artefact}"')
    else:
        lines += [f'part = "{act.part}"', f'serial = "{act.serial}"']
    lines += [
        f'feature = "{act.feature}"',
        f"measured_at = {datetime.now(UTC).isoformat(timespec='milliseconds')}",
        'instrument = "gauge-1"',
        'remark = "invented demo data"',
        f"tip_radius_mm = {0.005 if act.groove is None else 0.02}",
    ]
    if act.groove is None:
        lines.append("track_diameter_mm = 18.5")
    return "".join(f"# {line}\n" for line in lines)


def export(act: Act, inbox: Path, until_noticed: Callable[[], object]) -> None:
    """Write one act's file in its manner; returns when the gauge is done with it.

    A torn file stays torn while ``until_noticed`` waits for somebody to notice it.
    """
    data = trace_text(act)
    path = inbox / act.name
    if act.manner == "slowly":
        with path.open("wb") as file:
            # Pauses shorter than settle_s: the agent must not read between two of them.
            for start in range(0, len(data), len(data) // 6 + 1):
                file.write(data[start : start + len(data) // 6 + 1])
                file.flush()
                time.sleep(0.12)
    elif act.manner == "renamed":
        temporary = inbox / f"{act.name}.part"
        temporary.write_bytes(data)
        # Atomic, as good exports do it: the name appears with the whole content.
        os.rename(temporary, path)
    elif act.manner == "torn":
        # Four bytes into a row: the last line is cut off within a number.
        path.write_bytes(data[: data.index(b"\n", len(data) // 2) + 4])
        until_noticed()
        path.write_bytes(data)
    else:
        path.write_bytes(data)
