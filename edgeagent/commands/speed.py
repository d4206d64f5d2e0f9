"""Command ``speed``: what the judged harmonics of a trace do at the recipe's running speed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from edgeagent.codec.plain_text import align_rows, clean, number
from edgeagent.commands.shared_files import evaluate_files
from edgeagent.commands.shared_options import CONFIG, ONE_OBJECT
from edgeagent.commands.shared_output import json_line
from edgeagent.judging.evaluation.evaluate import Evaluation
from edgeagent.judging.studies.evaluated_file import failed_check_sentences
from edgeagent.judging.studies.speed_table import OrderAtSpeed, SpeedTable, speed_table

_ROWS = 12
"""Rows by speed and by resonance: what a person looks at; --all has the rest."""
_PASSING = {
    "turning_hz": "turning",
    "ball_set_hz": "ball set",
    "shaft_spot_hz": "spot of the shaft",
    "nut_spot_hz": "spot of the nut",
    "ball_spot_hz": "spot of a ball",
}


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@CONFIG
@click.option("--all", "everything", is_flag=True, help="All judged harmonics, not the greatest alone.")
@ONE_OBJECT
def speed(file: Path, config: Path, everything: bool, as_json: bool) -> None:
    """Show at which frequencies judged harmonics of FILE move a ball, and resonances that they meet.

    Speed, balls and resonances stand in the recipe's [running]. Without a limit curve all harmonics of 2 UPR
    and above count as judged. The table shows the twelve that move a ball fastest and the twelve greatest on
    a resonance. Exit code 0 when the table could be made, 1 when not.

    \b
    Example:
      edgeagent speed export/000412-left.txt --config config/agent.toml
    """
    (evaluated,), _ = evaluate_files((file,), config)
    table = speed_table(evaluated)
    if as_json:
        click.echo(json_line(_as_object(evaluated, table)))
        return
    click.echo(_text(evaluated, table, everything=everything))


def _as_object(file: Evaluation, table: SpeedTable) -> dict[str, Any]:
    return {
        "schema": "edgeagent.speed/1",
        "source": file.result["source"],
        "member": table.thread.member,
        "speed_rpm": table.speed_rpm,
        "ball_count": table.ball_count,
        "balls_touch": table.balls_touch,
        "gamma": table.gamma,
        "pass_hz": table.pass_hz,
        "unfit": failed_check_sentences([file]),
        "harmonics": [asdict(harmonic) for harmonic in table.harmonics],
        "orders": None if table.orders is None else [asdict(order) for order in table.orders],
        "peaks": table.peaks,
    }


def _text(file: Evaluation, table: SpeedTable, *, everything: bool) -> str:
    balls = f"{table.ball_count:.4g} balls a turn" + (" (touching)" if table.balls_touch else "")
    name = clean(file.result["source"]["name"])
    lines = [
        f"{name}: waves of the {table.thread.member} at {_span(table.speed_rpm)} rpm",
        f"  {balls}, gamma {table.gamma:.5f}",
        "  Hz: " + ", ".join(f"{word} {_span(table.pass_hz[key])}" for key, word in _PASSING.items()),
        "  shares: what is left along and across the axis when all balls of a turn follow the wave at once",
        *(f"  {clean(sentence)}" for sentence in failed_check_sentences([file])),
        "",
    ]
    # By velocity, not amplitude: a few nanometres at a high order move the ball faster than many at a low one.
    fastest = sorted(table.harmonics, key=lambda h: -h.velocity_um_s)[:_ROWS]
    resonant = sorted((h for h in table.harmonics if h.resonances_hz), key=lambda h: -h.amplitude_nm)[:_ROWS]
    listed = {h.upr for h in (*fastest, *resonant)}
    rows: list[tuple[str, ...]] = [
        ("UPR", "nm", "Hz", "um/s", "axial share", "radial share", "on resonance"),
        *(
            (
                str(h.upr), number(h.amplitude_nm), _span((h.low_hz, h.high_hz)),
                number(h.velocity_um_s), f"{h.axial_share:.2f}", f"{h.radial_share:.2f}",
                ", ".join(f"{f:g} Hz" for f in h.resonances_hz) or "-",
            )
            for h in table.harmonics
            if everything or h.upr in listed
        ),
    ]  # fmt: skip
    lines += align_rows(rows)
    hidden = len(table.harmonics) - (len(rows) - 1)
    lines += [f"  ({hidden} more harmonics)", ""] if hidden else [""]
    lines += _orders(table.orders)
    lines += [f"  - {sentence}" for sentence in table.peaks]
    return "\n".join([*lines, ""])


def _orders(orders: Sequence[OrderAtSpeed] | None) -> list[str]:
    """Waves that do not close in one turn: each of them is significant."""
    if orders is None:
        return ["  a single turn cannot show waves between whole orders", ""]
    if not orders:
        return ["  no wave between whole orders stands out of the noise", ""]
    rows: list[tuple[str, ...]] = [
        ("UPR", "nm", "u nm", "limit nm", "Hz", "um/s", "axial share", "radial share", "on resonance"),
        *(
            (
                f"{o.upr:.2f}", number(o.amplitude_nm), f"{o.noise_nm:.2g}",
                "-" if o.upper_nm is None else number(o.upper_nm), _span((o.low_hz, o.high_hz)),
                number(o.velocity_um_s), f"{o.axial_share:.2f}", f"{o.radial_share:.2f}",
                ", ".join(f"{f:g} Hz" for f in o.resonances_hz) or "-",
            )
            for o in orders
        ),
    ]  # fmt: skip
    return ["  waves between whole orders:", *align_rows(rows), ""]


def _span(values: Sequence[float]) -> str:
    """Lowest and highest value, one number where they print alike."""
    low, high = (number(v) for v in values)
    return high if low == high else f"{low} to {high}"
