"""Files of the disk evaluated by a station's rules, for the commands that ask about files."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import click

from edgeagent.codec.limits import SIDE_FILE_BYTES_MAX
from edgeagent.codec.plain_text import clean
from edgeagent.codec.traces.delimited import file_of_trace
from edgeagent.codec.traces.reader import SIDE_FILE_SUFFIX, needs_side_file, trace_names
from edgeagent.errors import InputError
from edgeagent.judging.evaluation.evaluate import Evaluation, Rulebook, evaluate
from edgeagent.store.configuration import load_configuration
from edgeagent.store.files import read_at_most

FILE_BYTES_MAX = 256_000_000
"""Of a file that a person names; the service has ``file_mb_max``."""


def evaluate_file(path: Path, rules: Rulebook) -> Evaluation:
    """One file of the disk, with its side file where its format has one. Raises OSError, InputError.

    Of a file that holds several traces, ``FILE#FEATURE`` names one.
    """
    file, name = path, path.name
    # A file may itself have a # in its name, and then is meant.
    if "#" in name and not path.exists():
        file = path.with_name(file_of_trace(name))
    data, side = _read(file)
    return evaluate(name, data, side, rules)


def evaluate_traces(path: Path, rules: Rulebook) -> list[tuple[str, Evaluation | InputError]]:
    """Every trace of a file by its name; most files have one. Raises OSError."""
    names: tuple[str, ...] = (path.name,)
    if "#" in path.name and not path.exists():
        data, side = _read(path.with_name(file_of_trace(path.name)))
    else:
        data, side = _read(path)
        names = trace_names(path.name, data, {key: layout for key, (layout, _) in rules.layouts.items()})
    found: list[tuple[str, Evaluation | InputError]] = []
    for name in names:
        try:
            found.append((name, evaluate(name, data, side, rules)))
        except InputError as error:
            # One trace that is none must not hide the file's others.
            found.append((name, error))
    return found


def _read(path: Path) -> tuple[bytes, bytes | None]:
    data = read_at_most(path, FILE_BYTES_MAX)
    # Open-standard profiles carry no part or feature of their own: a file beside them does
    side_path = path.with_name(path.name + SIDE_FILE_SUFFIX)
    if not needs_side_file(path.name) or not side_path.exists():
        return data, None
    return data, read_at_most(side_path, SIDE_FILE_BYTES_MAX)


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
