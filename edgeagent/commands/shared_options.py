"""Options that several commands take, and what their texts mean."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from edgeagent.codec.toml_reader import TomlError, read_toml
from edgeagent.errors import ConfigError, UsageError

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
FORCE = click.option("--force", is_flag=True, help="Replace the file that --out names where it exists.")
OFFER_FORCE = "; --force replaces it"
ANY_CONFIG = click.option(
    "--config", type=click.Path(path_type=Path), help="The station's agent.toml, which names the store."
)
ONE_OBJECT = click.option(
    "--json", "as_json", is_flag=True, help="One JSON object on stdout, nothing else there."
)


SEALED = click.option(
    "--sealed",
    type=click.Path(path_type=Path, exists=True),
    multiple=True,
    help="A sealed file, or a folder with some, beside those in the store. May be repeated.",
)


JOBS = click.option(
    "--jobs",
    type=click.IntRange(1),
    help="Processes that compute; by default as many as there are processors. The outcome is the same.",
)


class ShareType(click.ParamType[float]):
    """A share above 0 and up to 1, as a number or in percent."""

    name = "share"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The share as a number."""
        text = str(value).strip()
        try:
            # 1% is a hundredth, 1 alone the whole: only the mark tells them apart.
            share = float(text.removesuffix("%")) / (100.0 if text.endswith("%") else 1.0)
        except ValueError:
            share = math.nan
        # Also refuses NaN, with which no comparison is true.
        if not 0.0 < share <= 1.0:
            self.fail(f"{text[:40]!r} is no share such as 0.01 or 1%", param, ctx)
        return share


def with_offset(moment: datetime | None) -> datetime | None:
    """A time of the command line, which counts in UTC where it names no offset."""
    return moment if moment is None or moment.tzinfo is not None else moment.replace(tzinfo=UTC)


def named_store(config: Path | None, store: Path | None) -> Path:
    """The store that either option names. Raises UsageError, and ConfigError where `agent.toml` cannot be read.

    Of the configuration nothing else is looked at: the agent at work may have an older one in force.
    """
    if (config is None) == (store is None):
        raise UsageError("give either --config or --store")
    if store is not None:
        return store
    assert config is not None
    try:
        # utf-8-sig: some editors begin a file with a byte order mark.
        table = read_toml(config.read_text(encoding="utf-8-sig")).get("store", {})
    except OSError as error:
        raise ConfigError(config.name, "", f"cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise ConfigError(config.name, "", "is not UTF-8") from error
    except TomlError as error:
        raise ConfigError(config.name, "", error.message) from error
    folder = table.get("folder", "store") if isinstance(table, dict) else None
    if not isinstance(folder, str):
        raise ConfigError(config.name, "store.folder", "must be a text")
    return config.parent / folder
