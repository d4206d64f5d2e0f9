"""Command ``check``: the configuration is valid, and what it means."""

from __future__ import annotations

from pathlib import Path

import click

from edgeagent.commands.check_words import as_object, in_plain_words
from edgeagent.commands.shared_options import CONFIG
from edgeagent.commands.shared_output import json_line
from edgeagent.judging.drift import check_watched
from edgeagent.store.configuration import load_configuration


@click.command()
@CONFIG
@click.option("--json", "as_json", is_flag=True, help="What the configuration holds, as one JSON object.")
def check(config: Path, as_json: bool) -> None:
    """Validate agent.toml, recipes, certificates and layouts, and say what they mean.

    \b
    Example:
      edgeagent check --config config/agent.toml
    """
    configuration = load_configuration(config)
    # Here as at the service's start: a name in [drift] that no recipe knows would watch nothing, silently.
    if configuration.settings.drift:
        check_watched(
            configuration.settings.drift, config.name, configuration.recipes, configuration.certificates
        )
    click.echo(json_line(as_object(configuration)) if as_json else in_plain_words(configuration))
