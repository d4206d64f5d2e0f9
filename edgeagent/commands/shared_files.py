"""Files of the disk evaluated by a station's rules, for the commands that ask about files."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import click

from edgeagent.codec.traces.reader import SIDE_FILE_SUFFIX, needs_side_file
from edgeagent.errors import InputError
from edgeagent.judging.evaluate import Evaluation, Rulebook, evaluate
from edgeagent.store.configuration import load_configuration


def evaluate_file(path: Path, rules: Rulebook) -> Evaluation:
    """One file of the disk, with its side file where its format has one. Raises OSError, InputError."""
    data = path.read_bytes()
    side_path = path.with_name(path.name + SIDE_FILE_SUFFIX)
    side = side_path.read_bytes() if needs_side_file(path.name) and side_path.exists() else None
    return evaluate(path.name, data, side, rules)


def evaluate_files(paths: Sequence[Path], config: Path) -> tuple[list[Evaluation], Rulebook]:
    """Files evaluated with a configuration, and its rules.

    A file that cannot be evaluated ends the command: one line on stderr and exit code 1.
    """
    rules = Rulebook.of(load_configuration(config))
    evaluated = []
    for path in paths:
        try:
            evaluated.append(evaluate_file(path, rules))
        except OSError as error:
            _refuse(path, str(error.strerror))
        except InputError as error:
            _refuse(path, str(error))
    return evaluated, rules


def _refuse(path: Path, why: str) -> None:
    click.echo(f"edgeagent: {path}: {why}", err=True)
    sys.exit(1)
