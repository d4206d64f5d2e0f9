"""The group of all commands: each module is imported when its command is called; errors become one line.

An error's class says the exit code. A command's module may import whatever it needs at its top: ``--help``
lists the commands from the table here, without importing one of them.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import sys
import traceback
from typing import Any, NoReturn

import click
from click.shell_completion import CompletionItem

from edgeagent import __version__
from edgeagent.errors import AgentError
from edgeagent.printable import NARROW_SPACE, clean
from edgeagent.store.running.arithmetic import arithmetic_environment

COMMANDS = {
    "acknowledge": "Acknowledge the reject, hold or quarantine in record SEQ, as the line's button does.",
    "align": "Say by how much and in which direction to shift and tilt the part of FILES to align it.",
    "approve": "Approve FILE, a recipe with its tables of limits or a certificate, by a signature beside it.",
    "archive": "Copy a store, or seal its older part into one file.",
    "check": "Validate agent.toml, recipes, certificates and layouts, and say what they mean.",
    "demo": "Play the whole job on this machine: gauge, agent, broker and lamp.",
    "export": "Write parts, values with limits and uncertainties, and quality checks as three tables.",
    "init": "Write a station into FOLDER: agent.toml, example recipes, an inbox, unit and broker files,"
    " all commented.",
    "inspect": "Analyse FILES without journal or MQTT.",
    "journal": "Check and read the journal.",
    "layout": "Propose a layout for FILE, an unknown delimited export.",
    "page": "Show lamp, last parts, what waits, held parts and drift in a browser, live.",
    "pair": "Separate radial from axial motion of a groove by the traces LEFT and RIGHT of its two flanks.",
    "recipe": "Write a commented recipe from thread data.",
    "release": "Release a part that was held only because the gate was closed.",
    "replay": "Compute archived sources again, derive all decisions anew, and compare with the journal.",
    "report": "Write a self-contained HTML report of a part, a file or a period, and print its path.",
    "run": "Run the service in the foreground, until SIGTERM or SIGINT.",
    "speed": "Show at which frequencies judged harmonics of FILE move a ball, and resonances that they meet.",
    "status": "Say how the running agent stands: lamp and why, queue, last parts, gate, disk, broker.",
    "study": "Analyse the variance of re-measured parts: gauge repeatability and reproducibility.",
    "witness": "Follow the journals of other machines, and say when each was seen to have only grown.",
    "whatif": "Say what other limits, another rule or other uncertainties would have made of files and parts on"
    " record.",
    "trend": "Print how characteristics have behaved: charts, signals and capability.",
}
"""Each command by the name of its module in ``edgeagent.commands``, with the first sentence of its help."""


class CommandGroup(click.Group):
    """A group whose commands are imported by name, and end in one line on stderr when something is wrong."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names of all commands."""
        del ctx
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """A command by name, imported now."""
        del ctx
        if cmd_name not in COMMANDS:
            return None
        os.environ.update(arithmetic_environment(os.environ))  # before numpy is loaded
        module: Any = importlib.import_module(f"edgeagent.commands.{cmd_name}")
        command: click.Command = getattr(module, cmd_name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The list of commands, one a line, without importing them."""
        del ctx
        room = formatter.width - 6 - max(map(len, COMMANDS))
        with formatter.section("Commands"):
            formatter.write_dl(
                [(n, click.Command(n, help=text).get_short_help_str(room)) for n, text in COMMANDS.items()]
            )

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        """Names of commands for a shell, without importing them, then the group's own options."""
        names = [CompletionItem(n, help=text) for n, text in COMMANDS.items() if n.startswith(incomplete)]
        return [*names, *click.Command.shell_complete(self, ctx, incomplete)]

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Arguments of the group itself; a mistake in them is reported like any other."""
        try:
            return super().parse_args(ctx, args)
        except click.UsageError as error:
            _end_wrong_usage(error, ctx)

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command; its error becomes one line and its exit code."""
        try:
            done = super().invoke(ctx)
            # Here and not at the interpreter's end, which would make exit code 120 of a reader that went away.
            sys.stdout.flush()
            return done
        except click.UsageError as error:
            _end_wrong_usage(error, ctx)
        except AgentError as error:
            # Work that stopped in the middle may have its line of progress on the screen still
            traceback.clear_frames(error.__traceback__)
            click.echo(f"edgeagent: {clean(error, keep=NARROW_SPACE)}", err=True)
            ctx.exit(error.exit_code)
        except BrokenPipeError:
            # What is left in the buffer goes nowhere, or the interpreter would try it once more.
            with contextlib.suppress(OSError, ValueError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            ctx.exit(0)


def _end_wrong_usage(error: click.UsageError, ctx: click.Context) -> NoReturn:
    """One line on stderr and the exit code; a group without a command prints its help as it always did."""
    if isinstance(error, click.exceptions.NoArgsIsHelpError):
        raise error
    command = (error.ctx or ctx).command_path
    words = " ".join(error.format_message().split()).rstrip(".")
    click.echo(f"edgeagent: {clean(words)}; see {command} --help", err=True)
    ctx.exit(error.exit_code)


@click.group(name="main", cls=CommandGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, package_name="edgeagent")
def main() -> None:
    """Dispose of ball-screw parts from the traces that measuring instruments export.

    Watches export folders, analyses every new trace, applies the recipe's limits, keeps an append-only
    journal and publishes dispositions over MQTT.
    """
