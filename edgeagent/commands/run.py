"""Command ``run``: the service in the foreground, with the signals that it obeys."""

from __future__ import annotations

import signal
import sys
from pathlib import Path
from typing import Any

import click

from edgeagent.commands.shared_options import CONFIG
from edgeagent.model.status import AgentStatus
from edgeagent.service.events import open_log
from edgeagent.service.loop import run_service
from edgeagent.service.telling.controlling_terminal import ControllingTerminal
from edgeagent.store.clock import SystemClock


@click.command()
@CONFIG
def run(config: Path) -> None:
    """Run the service in the foreground, until SIGTERM or SIGINT.

    SIGHUP reads recipes, layouts and certificates again. On a terminal it shows a live table (with the extra
    "terminal"), elsewhere it writes one JSON object a line. It stops when the terminal that it was started from
    is closed, unless it runs under nohup.

    \b
    Example:
      edgeagent run --config /etc/edgeagent/agent.toml
    """
    terminal = ControllingTerminal()
    # A pipe or a file is read by a log collector, which wants one JSON object a line
    table = _live_table() if sys.stdout.isatty() else None

    def connect(service: Any) -> None:
        def watch(status: AgentStatus) -> None:
            # Asked once a second, as a job in the background gets no signal when its terminal goes.
            if terminal.is_lost():
                service.stop()
            elif table is not None:
                table.show(status)

        # Before the loop begins: a stop that comes during the start is obeyed as well.
        _obey_signals(service, terminal)
        service.watcher = watch

    if table is None:
        sys.exit(run_service(config, SystemClock(), open_log(), connect))
    with table:
        code = run_service(config, SystemClock(), open_log(sink=table.sink), connect)
    if code:
        # The table took the log's place, and has gone: without this line a refused start would say nothing.
        click.echo(f"edgeagent: {table.failure}", err=True)
    sys.exit(code)


def _live_table() -> Any:
    """The live table for a terminal, None where its extra is not installed."""
    try:
        from edgeagent.service.telling.terminal import LiveTable
    except ImportError:
        return None
    return LiveTable()


def _obey_signals(service: Any, terminal: ControllingTerminal) -> None:
    """SIGTERM and SIGINT stop, a second one at once; SIGHUP reloads, or stops where the terminal was closed."""
    stops = 0

    def stop(_number: int, _frame: Any) -> None:
        nonlocal stops
        stops += 1
        # Who asks twice does not believe in the first: a broker or a disk may hang in the orderly way out
        if stops > 1:
            sys.exit(130)
        service.stop()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, stop)
    signal.signal(signal.SIGHUP, lambda _n, _f: service.stop() if terminal.is_lost() else service.reload())
