"""Command ``speed``: what the judged harmonics of a trace do at the recipe's running speed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from edgeagent.errors import AgentError

if TYPE_CHECKING:
    from edgeagent.judging.evaluate import Evaluation
    from edgeagent.model import Running, Thread

_ROWS = 12


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--config", type=click.Path(path_type=Path), required=True, help="The station's agent.toml.")
@click.option("--all", "everything", is_flag=True, help="All judged harmonics, not the greatest alone.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout, nothing else there.")
def speed(file: Path, config: Path, everything: bool, as_json: bool) -> None:
    """Show at which frequency the judged harmonics of FILE move a ball, and which resonances they meet.

    Speed, balls and resonances stand in the recipe's [running]. Without a limit curve all harmonics of 2 UPR
    and above count as judged. The table shows the twelve that move a ball fastest and the twelve greatest on
    a resonance. Exit code 0 when the table could be made, 1 when not.

    \b
    Example:
      edgeagent speed export/000412-left.txt --config config/agent.toml
    """
    from edgeagent.codec.records.result import encode
    from edgeagent.commands.pair import of_recipe, read_files

    (found,) = read_files((file,), config)[0]
    thread, running = of_recipe(found)
    if running is None or running.speed_rpm is None:
        raise AgentError(f"the recipe of {found.trace.header.part} says no speed_rpm in [running]")
    table = _table(found, thread, running)
    click.echo(encode(table).decode() if as_json else _text(table, everything))


def _table(found: Evaluation, thread: Thread, running: Running) -> dict[str, Any]:
    import numpy as np

    from edgeagent.analysis.around import at_speed
    from edgeagent.analysis.around.peaks import explain_peaks
    from edgeagent.commands.pair import spectrum_of, unfit

    assert running.speed_rpm is not None
    spectrum, judged = spectrum_of(found), found.judgement.spectrum
    limited = np.isfinite(judged.upper_nm) if judged is not None else np.zeros(len(spectrum.upr), bool)
    chosen = spectrum.upr[limited if np.any(limited) else spectrum.upr >= 2]
    balls = running.ball_count or at_speed.touching_balls(thread)
    along, across = at_speed.ball_set_response(chosen.astype(np.float64), balls)
    rows = [
        {
            "upr": e.upr,
            "amplitude_nm": float(spectrum.amplitude_nm[e.upr - 1]),
            "low_hz": e.low_hz,
            "high_hz": e.high_hz,
            "velocity_um_s": 2e-3 * np.pi * e.high_hz * float(spectrum.amplitude_nm[e.upr - 1]),
            "resonances_hz": list(e.resonances_hz),
            "axial_share": float(along[i]),
            "radial_share": float(across[i]),
        }
        for i, e in enumerate(at_speed.excited_harmonics(chosen.tolist(), thread, running))
    ]
    ratios = at_speed.thread_kinematics(thread)
    passing = [at_speed.pass_frequencies(ratios, s, balls) for s in running.speed_rpm]
    return {
        "schema": "edgeagent.speed/1",
        "source": found.result["source"],
        "member": thread.member,
        "speed_rpm": list(running.speed_rpm),
        "ball_count": balls,
        "balls_touch": running.ball_count is None,
        "gamma": ratios.gamma,
        "pass_hz": {
            name: [getattr(p, name) for p in passing]
            for name in ("turning_hz", "ball_set_hz", "shaft_spot_hz", "nut_spot_hz", "ball_spot_hz")
        },
        "unfit": unfit([found]),
        "harmonics": rows,
        "peaks": list(explain_peaks(spectrum, running, thread)),
    }


_PASSING = {
    "turning_hz": "turning",
    "ball_set_hz": "ball set",
    "shaft_spot_hz": "spot of the shaft",
    "nut_spot_hz": "spot of the nut",
    "ball_spot_hz": "spot of a ball",
}


def _text(table: dict[str, Any], everything: bool) -> str:
    from edgeagent.codec.plain_text import aligned, clean, number

    def span(values: list[float]) -> str:
        low, high = (number(v) for v in values)
        return high if low == high else f"{low} to {high}"

    balls = f"{table['ball_count']:.4g} balls a turn" + (" (touching)" if table["balls_touch"] else "")
    lines = [
        f"{clean(table['source']['name'])}: waves of the {table['member']} at {span(table['speed_rpm'])} rpm",
        f"  {balls}, gamma {table['gamma']:.5f}",
        "  Hz: " + ", ".join(f"{word} {span(table['pass_hz'][key])}" for key, word in _PASSING.items()),
        "  shares: what is left along and across the axis when all balls of a turn follow the wave at once",
        *(f"  {clean(sentence)}" for sentence in table["unfit"]),
        "",
    ]
    harmonics = table["harmonics"]
    shown = {id(h) for h in sorted(harmonics, key=lambda h: -h["velocity_um_s"])[:_ROWS]}
    resonant = sorted((h for h in harmonics if h["resonances_hz"]), key=lambda h: -h["amplitude_nm"])
    shown |= {id(h) for h in resonant[:_ROWS]}
    head = ("UPR", "nm", "Hz", "um/s", "axial share", "radial share", "on resonance")
    rows: list[tuple[str, ...]] = [head]
    rows += [
        (
            str(h["upr"]), number(h["amplitude_nm"]), span([h["low_hz"], h["high_hz"]]),
            number(h["velocity_um_s"]), f"{h['axial_share']:.2f}", f"{h['radial_share']:.2f}",
            ", ".join(f"{f:g} Hz" for f in h["resonances_hz"]) or "-",
        )
        for h in harmonics
        if everything or id(h) in shown
    ]  # fmt: skip
    lines += aligned(rows)
    hidden = len(harmonics) - (len(rows) - 1)
    lines += [f"  ({hidden} more harmonics)", ""] if hidden else [""]
    lines += [f"  - {sentence}" for sentence in table["peaks"]]
    return "\n".join([*lines, ""])
