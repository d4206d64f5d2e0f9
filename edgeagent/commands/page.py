"""Command ``page``: a read-only page over a store, for the hall."""

from __future__ import annotations

import ipaddress
import os
import socket
import tempfile
from pathlib import Path
from types import FrameType

import click

from edgeagent.commands.shared_options import ANY_CONFIG, STORE, named_store
from edgeagent.errors import UsageError


@click.command()
@ANY_CONFIG
@STORE
@click.option("--bind", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--port", type=click.IntRange(1, 65535), default=8420, show_default=True)
@click.option("--name", "names", multiple=True, help="A further name by which browsers ask for the page.")
@click.option("--title", default="Measuring cell", show_default=True, help="What stands above the page.")
@click.option(
    "--cache",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for reports that were asked for; one that ends with the command by default.",
)
def page(
    config: Path | None,
    store: Path | None,
    bind: str,
    port: int,
    names: tuple[str, ...],
    title: str,
    cache: Path | None,
) -> None:
    """Show lamp, last parts, what waits, held parts and drift in a browser, live.

    A process of its own that opens the store for reading alone: run it as another user, who may only read. It
    changes nothing; acknowledging stays with the line and the commands. Needs the extra "page".

    \b
    Example:
      edgeagent page --store /var/lib/edgeagent/store
    """
    folder = named_store(config, store)
    if not folder.is_dir():
        raise UsageError(f"{folder}: there is no store here")
    try:
        address = ipaddress.ip_address(bind)
    except ValueError as error:
        raise UsageError(f"--bind {bind}: not an IP address") from error
    try:
        import uvicorn

        from edgeagent.page.app import allowed_hosts, make_app
    except ImportError as error:
        raise UsageError("the page needs the extra: pip install 'edgeagent[page]'") from error
    # The page answers only to names that it knows, against DNS rebinding.
    if not address.is_loopback and not names:
        click.echo("edgeagent: browsers of other machines need --name, the name they ask by", err=True)
    with _listening(bind, port) as socket_, tempfile.TemporaryDirectory(prefix="edgeagent-page-") as own:
        app = make_app(folder, cache or Path(own), allowed_hosts(bind, port, names), title)
        host = f"[{bind}]" if ":" in bind else bind
        click.echo(f"http://{host}:{port}/", err=True)
        settings = uvicorn.Config(
            app,
            log_level="warning",
            access_log=False,
            server_header=False,
            # Nobody stands in front of it: whoever sends such headers could claim any address.
            proxy_headers=False,
            # Live pages hold a connection each; a hall has some ten screens.
            limit_concurrency=200,
            timeout_graceful_shutdown=3,
        )

        class LettingGo(uvicorn.Server):
            """Lets open pages go at the first signal: they would keep the server until it breaks them off."""

            def handle_exit(self, sig: int, frame: FrameType | None) -> None:
                app.close()
                super().handle_exit(sig, frame)

        LettingGo(settings).run(sockets=[socket_])


def _listening(bind: str, port: int) -> socket.socket:
    """A socket at the address. Raises UsageError where it is taken or not this machine's.

    Opened here: the server would print lines of its own and end the process with its own exit code.
    """
    try:
        return socket.create_server((bind, port), family=socket.AF_INET6 if ":" in bind else socket.AF_INET)
    except OSError as error:
        raise UsageError(f"{bind}:{port} cannot be listened on: {os.strerror(error.errno or 0)}") from error
