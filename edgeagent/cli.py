"""The commands. Each imports what it needs when it is called; errors become one line and an exit code."""

from __future__ import annotations

import dataclasses
import importlib
import os
import re
import sys
from collections.abc import Iterable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any, NoReturn, TypeVar

import click

from edgeagent import __version__
from edgeagent.errors import AgentError, JournalCorruptError, UsageError

T = TypeVar("T")
_CONFIG = click.option(
    "--config",
    "config",
    type=click.Path(path_type=Path),
    required=True,
    help="The station's agent.toml; recipes, artefacts and layouts lie in folders beside it.",
)


_ELSEWHERE = {
    "release": "edgeagent.commands.release:release",
    "report": "edgeagent.commands.report:report",
    "layout": "edgeagent.commands.first_hour:layout",
    "recipe": "edgeagent.commands.first_hour:recipe",
    "pair": "edgeagent.commands.pair:pair",
    "speed": "edgeagent.commands.speed:speed",
    "align": "edgeagent.commands.align:align",
    "trend": "edgeagent.commands.trend:trend",
    "study": "edgeagent.commands.study:study",
}
"""Commands that live in a module of their own, imported when they are called or listed."""


class _Commands(click.Group):
    """A group whose commands end in one line on stderr when something is wrong."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names of all commands, those that live elsewhere among them."""
        own = super().list_commands(ctx)
        return sorted([*own, *_ELSEWHERE]) if self.name == "main" else own

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """A command by name, imported if it lives elsewhere."""
        if self.name == "main" and cmd_name in _ELSEWHERE:
            module, _, name = _ELSEWHERE[cmd_name].partition(":")
            found: click.Command = getattr(importlib.import_module(module), name)
            return found
        return super().get_command(ctx, cmd_name)

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Arguments of the group itself; a mistake in them is told like any other."""
        try:
            return super().parse_args(ctx, args)
        except click.UsageError as error:
            _end_wrong_usage(error, ctx)

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except click.UsageError as error:
            _end_wrong_usage(error, ctx)
        except AgentError as error:
            click.echo(f"edgeagent: {error}", err=True)
            ctx.exit(error.exit_code)
        except BrokenPipeError:
            ctx.exit(0)


def _end_wrong_usage(error: click.UsageError, ctx: click.Context) -> NoReturn:
    """One line on stderr and the exit code; a group without a command prints its help as it always did."""
    if isinstance(error, click.exceptions.NoArgsIsHelpError):
        raise error
    command = (error.ctx or ctx).command_path
    words = " ".join(error.format_message().split()).rstrip(".")
    click.echo(f"edgeagent: {words}; see {command} --help", err=True)
    ctx.exit(error.exit_code)


@click.group(name="main", cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, package_name="edgeagent")
def main() -> None:
    """Dispose of ball-screw parts from the traces that measuring instruments export.

    Watches export folders, analyses every new trace, applies the recipe's limits, keeps an append-only
    journal and publishes dispositions over MQTT.
    """
    # Before numpy is loaded, whatever the environment says: sums of a threaded BLAS depend on the number of
    # threads, a replay must give the same digits everywhere, and for one file threads only cost memory.
    os.environ["OPENBLAS_NUM_THREADS"] = "1"


@main.command()
@_CONFIG
def run(config: Path) -> None:
    """Run the service in the foreground, until SIGTERM or SIGINT.

    SIGHUP reads recipes, layouts and certificates again. On a terminal it shows a live table (with the extra
    "terminal"), elsewhere it writes one JSON object a line.

    \b
    Example:
      edgeagent run --config /etc/edgeagent/agent.toml
    """
    from edgeagent.service.events import open_log
    from edgeagent.service.loop import run_service
    from edgeagent.store.clock import SystemClock

    table = _live_table() if sys.stdout.isatty() else None
    if table is None:
        sys.exit(run_service(config, SystemClock(), open_log(), _obey_signals))

    def connect(service: Any) -> None:
        _obey_signals(service)
        service.watcher = table.show

    with table:
        sys.exit(run_service(config, SystemClock(), open_log(sink=table.sink), connect))


def _live_table() -> Any:
    """The live table for a terminal, None where its extra is not installed."""
    try:
        from edgeagent.service.terminal import LiveTable
    except ImportError:
        return None
    return LiveTable()


def _obey_signals(service: Any) -> None:
    """SIGTERM and SIGINT stop, a second one at once; SIGHUP reloads."""
    import signal

    stops = 0

    def stop(_number: int, _frame: Any) -> None:
        nonlocal stops
        stops += 1
        if stops > 1:
            sys.exit(130)
        service.stop()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, stop)
    signal.signal(signal.SIGHUP, lambda _n, _f: service.reload())


@main.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@_CONFIG
@click.option("--json", "as_json", is_flag=True, help="One result object a line on stdout, nothing else there.")
@click.option(
    "--budget", is_flag=True, help="Where each value's uncertainty comes from; with --json in details.budgets."
)
def inspect(files: tuple[Path, ...], config: Path, as_json: bool, budget: bool) -> None:
    """Analyse FILES without journal or MQTT.

    Exit code 0 when every file was analysed, whatever its disposition; 1 when one could not be.

    \b
    Example:
      edgeagent inspect export/000412-left.txt --config config/agent.toml
    """
    from edgeagent.commands.inspect import inspect_file, printed, rules_from_journal
    from edgeagent.store.configuration import load_configuration

    rules = rules_from_journal(load_configuration(config))
    failed = False
    for path in _progress(files, f"{len(files)} files", hidden=len(files) < 5):
        found = inspect_file(path, rules, budget=budget)
        if isinstance(found, str):
            failed = True
            click.echo(f"edgeagent: {path}: {found}", err=True)
            continue
        click.echo(printed(found, as_json=as_json))
        if budget and not as_json:
            from edgeagent.commands.budget_lines import budget_table

            click.echo(budget_table(found))
    sys.exit(1 if failed else 0)


@main.command()
@_CONFIG
@click.option("--json", "as_json", is_flag=True, help="What the configuration holds, as one JSON object.")
def check(config: Path, as_json: bool) -> None:
    """Validate agent.toml, recipes, certificates and layouts, and say what they mean.

    \b
    Example:
      edgeagent check --config config/agent.toml
    """
    from edgeagent.commands.plain_words import as_object, in_plain_words
    from edgeagent.store.configuration import load_configuration

    configuration = load_configuration(config)
    if configuration.settings.drift:
        from edgeagent.judging.drift import check_watched

        check_watched(
            configuration.settings.drift, config.name, configuration.recipes, configuration.certificates
        )
    click.echo(_json(as_object(configuration)) if as_json else in_plain_words(configuration))


@main.group(cls=_Commands)
def journal() -> None:
    """Check and read the journal."""


@journal.command("verify")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--seen",
    multiple=True,
    metavar="SEQ:HEAD",
    help="A record number and hash from an MQTT message; the journal must still hold it. May be repeated.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of sentences.")
def journal_verify(folder: Path, seen: tuple[str, ...], as_json: bool) -> None:
    """Check every record and the chain of the journal in FOLDER (the store or its journal folder).

    Exit code 0 when it is whole, else 1 with the first bad segment, line and reason. Needs no
    configuration.

    \b
    Example:
      edgeagent journal verify store
    """
    from edgeagent.store.verify import verify_journal

    try:
        whole = verify_journal(folder, tuple(_anchor(s) for s in seen))
    except JournalCorruptError as error:
        if as_json:
            found = {"whole": False, "segment": error.segment, "line": error.line, "reason": error.reason}
            click.echo(_json(found))
        click.echo(f"edgeagent: not whole: {error}", err=True)
        sys.exit(1)
    if as_json:
        click.echo(_json({"whole": True, **dataclasses.asdict(whole)}))
        return
    click.echo(
        f"whole: {whole.records} records in {whole.segments} segments, {whole.first} to {whole.last}; "
        f"{whole.anchored}"
    )
    click.echo(f"head {whole.records}:{whole.head}")


@journal.command("show")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--part", help="Only records of this part number.")
@click.option("--serial", help="Only records of this serial.")
@click.option("--kind", help="Only records of this kind.")
@click.option("--since", type=click.DateTime(), help="Only records from this time on (UTC).")
@click.option("--until", type=click.DateTime(), help="Only records before this time (UTC).")
@click.option("--json", "as_json", is_flag=True, help="The records as they stand, one a line.")
def journal_show(folder: Path, as_json: bool, **wanted: str | datetime | None) -> None:
    """Print the records of the journal in FOLDER for a reader.

    \b
    Example:
      edgeagent journal show store --serial 000412
    """
    from edgeagent.commands.show import shown_records

    for line in shown_records(folder, as_json=as_json, **wanted):
        click.echo(line)


@main.command()
@_CONFIG
@click.option(
    "--recipes",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="Ask what the recipes of this folder would have decided, and list the parts that flip.",
)
@click.option("--json", "as_json", is_flag=True, help="The whole outcome as one JSON object.")
def replay(config: Path, recipes: Path | None, as_json: bool) -> None:
    """Compute all archived sources again and compare with the journal, value by value.

    Exit code 0 when everything came out as recorded, else 1.

    \b
    Example:
      edgeagent replay --config config/agent.toml
    """
    from edgeagent.commands.show import replay_lines
    from edgeagent.store.configuration import load_configuration, load_recipes
    from edgeagent.store.replay import replay_store

    configuration = load_configuration(config)
    report = replay_store(
        configuration.store,
        set_timeout_s=configuration.settings.decision.set_timeout_s,
        recipes=load_recipes(recipes) if recipes is not None else None,
        progress=lambda records: _progress(records, "records"),
    )
    lines = [_json(dataclasses.asdict(report))] if as_json else replay_lines(report, asked=recipes is not None)
    for line in lines:
        click.echo(line)
    sys.exit(1 if report.differences else 0)


@main.command()
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
    from edgeagent.demo.play import play

    sys.exit(play(folder))


def _anchor(text: str) -> tuple[int, str]:
    seq, _, head = text.partition(":")
    if not re.fullmatch("[0-9]{1,18}", seq) or not re.fullmatch("[0-9a-f]{64}", head):
        raise UsageError(f"--seen {text!r}: expected a record number, a colon and 64 hex digits")
    return int(seq), head


def _json(value: Any) -> str:
    """One line of JSON."""
    from edgeagent.codec.records.result import encode

    return encode(value).decode()


def _progress(items: Iterable[T], label: str, *, hidden: bool = False) -> Iterator[T]:
    """Progress on stderr for long work when that is a terminal."""
    if hidden or not sys.stderr.isatty():
        yield from items
        return
    import time

    began, done = time.monotonic(), 0
    with click.progressbar(
        items,
        label=label,
        file=sys.stderr,
        show_pos=True,
        show_eta=True,
        item_show_func=lambda _: f"{done / max(time.monotonic() - began, 1e-3):.0f}/s",
    ) as bar:
        for item in bar:
            done += 1
            yield item
