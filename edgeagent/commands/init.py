"""Command ``init``: write a commented station that runs as it is, from the installed package alone."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path

import click

import edgeagent
from edgeagent.errors import AgentError, UsageError
from edgeagent.store.configuration import load_configuration

_PACKAGE = Path(edgeagent.__file__).parent
# Names become levels of MQTT topics and words of the ACL: no slash, wildcard or blank.
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_PREFIX = "edgeagent/plant-a/cell-3/gauge-1"
"""Site, cell and name of the example that stations are written from."""
_PLACES = {"config/README.md": "CONFIGURATION.md"}
"""Where a file goes that lies beside agent.toml or under deploy/ otherwise."""
_SCRIPT = b"#!"
_MAKE_STORE = "ExecStartPre=+/usr/bin/install -d -o edgeagent -g edgeagent -m 0750 "


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.option("--site", default="plant-a", show_default=True, help="Name of the plant, part of every topic.")
@click.option("--cell", default="cell-3", show_default=True, help="Name of the cell.")
@click.option("--name", default="gauge-1", show_default=True, help="Name of the instrument.")
@click.option("--store", type=click.Path(path_type=Path), help="Folder of the store; by default FOLDER/store.")
def init(folder: Path, site: str, cell: str, name: str, store: Path | None) -> None:
    """Write a station into FOLDER: agent.toml, example recipes, an inbox, unit and broker files, all commented.

    It is right as it is: `check` accepts it and `run` starts with it. FOLDER must not exist yet or be empty;
    nothing is ever overwritten.

    \b
    Example:
      edgeagent init /etc/edgeagent --site plant-a --cell cell-3 --name gauge-1 --store /var/lib/edgeagent
      edgeagent run --config /etc/edgeagent/agent.toml
    """

    for option, value in (("--site", site), ("--cell", cell), ("--name", name)):
        if not _NAME.fullmatch(value):
            raise UsageError(f"{option} {value!r}: letters, digits, '.', '_' and '-', at most 64")
    folder = folder.absolute()
    try:
        if folder.exists() and any(folder.iterdir()):
            raise UsageError(f"{folder} is not empty: nothing is overwritten, name another folder")
        _write_station(folder, _replacements(folder, site, cell, name, store))
    except OSError as error:
        raise AgentError(f"{error.filename or folder}: {error.strerror}") from error
    # What was just written must be right: better an error here than at the first start.
    load_configuration(folder / "agent.toml")
    for line in _next_steps(folder):
        click.echo(line)


def station_files() -> Iterator[tuple[str, Path]]:
    """Every file that a station is written from: its place below the station's folder, and where it lies now.

    In the installed package, or in the checkout that the package is used from. Raises OSError without them.
    """
    base = _PACKAGE / "station" if (_PACKAGE / "station").is_dir() else _PACKAGE.parent
    for part in ("config", "deploy"):
        for path in sorted((base / part).rglob("*")):
            place = path.relative_to(base).as_posix()
            # In a checkout these hold what somebody tried out.
            if path.is_file() and not {"store", "inbox", "__pycache__"} & set(path.relative_to(base).parts):
                yield _PLACES.get(place, place.removeprefix("config/")), path


def _write_station(folder: Path, replacements: Mapping[str, Mapping[str, str]]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "inbox").mkdir()
    for place, source in station_files():
        text = source.read_bytes().decode("utf-8")
        for old, new in replacements.get(place, {}).items():
            # As text, not as TOML: the comments are what the file is for.
            text = text.replace(old, new)
        path = folder / place
        path.parent.mkdir(parents=True, exist_ok=True)
        # x: also a file that came into the folder since the look is not overwritten.
        with path.open("xb") as out:
            out.write(text.encode())
        if text.encode().startswith(_SCRIPT):
            path.chmod(0o755)


def _replacements(
    folder: Path, site: str, cell: str, name: str, store: Path | None
) -> dict[str, dict[str, str]]:
    """By file, what of the example gives way to the station's own names and places."""
    names = {
        _PREFIX: f"edgeagent/{site}/{cell}/{name}",
        'site = "plant-a"': f'site = "{site}"',
        'cell = "cell-3"': f'cell = "{cell}"',
        'name = "gauge-1"': f'name = "{name}"',
    }
    agent = dict(names)
    if store is not None:
        agent['folder = "store"'] = f'folder = "{_toml_text(store.absolute())}"'
    return {
        "agent.toml": agent,
        "deploy/mosquitto/acl": {
            **names,
            "spBv1.0/plant-a/": f"spBv1.0/{site}/",
            "cell-3.gauge-1": f"{cell}.{name}",
        },
        "deploy/edgeagent.service": _unit(folder, (store or folder / "store").absolute()),
    }


def _unit(folder: Path, store: Path) -> dict[str, str]:
    """The unit with the places of this station; below /home it must be allowed to look there at all."""
    program = Path(sys.argv[0]).absolute()
    # Called as `python -m edgeagent`: a unit needs the script beside that interpreter.
    if program.name != "edgeagent":
        program = Path(sys.executable).parent / "edgeagent"
    found = {
        "/opt/edgeagent/bin/edgeagent": _unit_word(program),
        "/etc/edgeagent/agent.toml": _unit_word(folder / "agent.toml"),
        "/var/lib/edgeagent/requests": _unit_word(store / "requests"),
        "ReadWritePaths=/var/lib/edgeagent": f"ReadWritePaths={_unit_word(store)}",
    }
    if store != Path("/var/lib/edgeagent"):  # else systemd makes it
        found["ExecStartPre=+"] = f"{_MAKE_STORE}{_unit_word(store)}\nExecStartPre=+"
    # ProtectHome=yes hides these folders, so that the unit would not even find its program.
    if any(p.parts[1:2] in (("home",), ("root",)) for p in (program, folder, store)):
        found["ProtectHome=yes"] = "ProtectHome=read-only"
    return found


def _unit_word(path: Path) -> str:
    """A path as one word of a unit: what systemd would expand or split at is written so that it does not."""
    text = os.fspath(path).replace("\\", "\\\\").replace("%", "%%").replace("$", "$$")
    return '"' + text.replace('"', '\\"') + '"' if re.search(r"[\s\"']", text) else text


def _toml_text(path: Path) -> str:
    return os.fspath(path).replace("\\", "\\\\").replace('"', '\\"')


def _next_steps(folder: Path) -> list[str]:
    config = folder / "agent.toml"
    return [
        f"{folder} holds a station. All of its parts, limits and names are invented examples.",
        f"  edgeagent check --config {config}      what it means, and what to look at again",
        f"  edgeagent run --config {config}        starts it; exports go into {folder / 'inbox'}",
        f"  {folder / 'CONFIGURATION.md'}      every key; recipes/ and layouts/ are yours to replace",
        f"  {folder / 'deploy' / 'README.md'}      systemd unit, broker, PLC, operations",
    ]
