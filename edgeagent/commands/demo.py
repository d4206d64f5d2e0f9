"""Command ``demo``: the whole job on this machine."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from edgeagent.demo.play import play


@click.command()
@click.option(
    "--folder", type=click.Path(path_type=Path), help="Where to play; a new temporary folder by default."
)
def demo(folder: Path | None) -> None:
    """Play the whole job on this machine: gauge, agent, broker and lamp. Ends by itself within 60 s.

    The parts, their numbers and their defects are invented.

    \b
    Example:
      edgeagent demo
    """
    sys.exit(play(folder))
