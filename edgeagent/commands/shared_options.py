"""Options that several commands take, and what their texts mean."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

CONFIG = click.option(
    "--config",
    type=click.Path(path_type=Path),
    required=True,
    help="The station's agent.toml; recipes, artefacts and layouts lie in folders beside it.",
)
STORE = click.option(
    "--store", type=click.Path(path_type=Path), help="The store's folder; no configuration is needed."
)
OUT = click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False), help="Write it here; an existing file is kept."
)
ONE_OBJECT = click.option(
    "--json", "as_json", is_flag=True, help="One JSON object on stdout, nothing else there."
)


def with_offset(moment: datetime | None) -> datetime | None:
    """A time of the command line, which counts in UTC where it names no offset."""
    return moment if moment is None or moment.tzinfo is not None else moment.replace(tzinfo=UTC)
