"""Files of the disk evaluated by a station's rules, for the commands that ask about files."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import click

from edgeagent.codec.limits import SIDE_FILE_BYTES_MAX
from edgeagent.codec.plain_text import clean
from edgeagent.codec.traces.reader import SIDE_FILE_SUFFIX, needs_side_file
from edgeagent.errors import InputError
from edgeagent.judging.evaluation.evaluate import Evaluation, Rulebook, evaluate
from edgeagent.store.configuration import load_configuration
from edgeagent.store.files import read_at_most

_FILE_BYTES_MAX = 256_000_000
"""Of a file that a person names; the service has ``file_mb_max``."""


def evaluate_file(path: Path, rules: Rulebook) -> Evaluation:
    """One file of the disk, with its side file where its format has one. Raises OSError, InputError."""
    data = read_at_most(path, _FILE_BYTES_MAX)
    # Open-standard profiles carry no part or feature of their own: a file beside them does
    side_path = path.with_name(path.name + SIDE_FILE_SUFFIX)
    side = (
        read_at_most(side_path, SIDE_FILE_BYTES_MAX)
        if needs_side_file(path.name) and side_path.exists()
        else None
    )
    return evaluate(path.name, data, side, rules)


_FILE_BYTES_MAX = 256_000_000
"""Of a file that a person names; the service has ``file_mb_max``."""


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
    click.echo(f"edgeagent: {clean(path)}: {clean(why)}", err=True)
    sys.exit(1)
