"""Command ``recipe``: a commented recipe from thread data."""

from __future__ import annotations

from pathlib import Path

import click

from edgeagent.codec.proposals.layout import KINDS
from edgeagent.codec.proposals.recipe import RecipeData, propose_recipe, remarks
from edgeagent.commands.shared_options import FORCE, OFFER_FORCE, OUT
from edgeagent.commands.shared_output import refuse_existing, write_new
from edgeagent.errors import UsageError
from edgeagent.judging.configuration import describe_kind
from edgeagent.model import Thread


@click.command()
@click.option("--part", required=True, help="Part number.")
@click.option("--member", type=click.Choice(("shaft", "nut")), required=True)
@click.option("--hand", type=click.Choice(("right", "left")), required=True)
@click.option("--starts", type=int, default=1, show_default=True)
@click.option("--lead-mm", type=float, required=True, help="Travel in one turn.")
@click.option("--ball-mm", type=float, required=True, help="Ball diameter.")
@click.option("--ball-circle-mm", type=float, required=True, help="Ball pitch circle diameter.")
@click.option("--contact-angle-deg", type=float, default=45.0, show_default=True)
@click.option(
    "--conformity", type=float, default=0.535, show_default=True, help="Flank radius / ball diameter."
)
@click.option("--speed-rpm", type=float, help="Highest running speed; limits of waviness follow from it.")
@click.option(
    "--feature",
    "features",
    multiple=True,
    metavar="NAME:KIND",
    help="A trace of the part, such as left-flank:spiral; may be repeated.",
)
@OUT
@FORCE
def recipe(
    part: str, member: str, hand: str, starts: int, lead_mm: float, ball_mm: float, ball_circle_mm: float,
    contact_angle_deg: float, conformity: float, speed_rpm: float | None, features: tuple[str, ...],
    out: Path | None, force: bool,
) -> None:  # fmt: skip
    """Write a commented recipe from thread data.

    Its limits are starting values after rules of thumb, for a person to decide; the comments say which.

    \b
    Example:
      edgeagent recipe --part KX-2005-R --member shaft --hand right --lead-mm 5 --ball-mm 3.175
      --ball-circle-mm 20.75 --out config/recipes/KX-2005-R.toml
    """
    refuse_existing(out, force=force, offer=OFFER_FORCE)
    thread = Thread(
        member=member,
        hand=hand,
        starts=starts,
        lead_mm=lead_mm,
        ball_diameter_mm=ball_mm,
        ball_pitch_circle_mm=ball_circle_mm,
        contact_angle_deg=contact_angle_deg,
        track_conformity=conformity,
    )
    data = RecipeData(part=part, thread=thread, speed_rpm=speed_rpm)
    if features:
        data = RecipeData(
            part=part, thread=thread, speed_rpm=speed_rpm, features=tuple(_feature(f) for f in features)
        )
    text = propose_recipe(data, describe_kind)
    for remark in remarks(data):
        # On stderr, as the recipe itself may go to stdout.
        click.echo(f"edgeagent: look again: {remark}", err=True)
    if out is None:
        click.echo(text, nl=False)
        return
    write_new(out, text)
    click.echo(f"Written to {out}. Its limits are starting values: decide each of them before use.")


def _feature(text: str) -> tuple[str, str]:
    # From the right: a feature's name may hold a colon, a kind none.
    name, mark, kind = text.rpartition(":")
    if not mark or not name or kind not in KINDS:
        raise UsageError(f"--feature {text!r}: expected NAME:KIND with a kind of {', '.join(KINDS)}")
    return name, kind
