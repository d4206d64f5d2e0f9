"""The page as a web application: four addresses, read-only, for browsers that ask for it by a known name."""

from __future__ import annotations

import asyncio
import contextlib
import html
from collections.abc import AsyncIterator, Awaitable, Callable, Collection, MutableMapping
from importlib import resources
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from edgeagent.page.hub import LISTENERS_MAX, Hub
from edgeagent.page.reports import ReportCache, ReportError
from edgeagent.page.view import page

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
# Nothing but the page's own files: a serial that got past the escaping could still load or send nothing.
_POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; img-src 'self' data:; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
# A report has its style inside, and no script; the sandbox gives it no origin to ask this server from.
_REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'; sandbox allow-popups"
)
_HEADERS = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
    "cache-control": "no-store",
}


class GuardedApplication:
    """Answers only requests that name one of ``hosts``, and adds what browsers need to keep a page apart.

    A page of another site that has its own name point at this machine asks with that name, and gets nothing.
    ``close`` lets open pages go.
    """

    def __init__(self, app: Starlette, hosts: Collection[str], hub: Hub) -> None:
        self._app = app
        self.close = hub.close
        self._hosts = frozenset(name.lower() for name in hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One connection, as ASGI has it."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        # Latin-1 takes any byte: what is no name of ours is refused below, whatever it is.
        host = next((v.decode("latin-1") for k, v in scope["headers"] if k == b"host"), "")

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                # A report brings a policy of its own, and two of them would both have to be met.
                have = {name.lower() for name, _ in message["headers"]}
                more = [(k.encode(), v.encode()) for k, v in _HEADERS.items() if k.encode() not in have]
                message = {**message, "headers": [*message["headers"], *more]}
            await send(message)

        # 421: the request was meant for another server (RFC 9110, 15.5.20).
        if host.lower() not in self._hosts:
            refusal = PlainTextResponse("This page is not known by that name.\n", 421)
            await refusal(scope, receive, guarded)
            return
        await self._app(scope, receive, guarded)


def allowed_hosts(bind: str, port: int, names: Collection[str]) -> set[str]:
    """The Host headers that are answered: this machine's own, the bound address, and further names."""
    hosts = {"127.0.0.1", "localhost", "[::1]", *names}
    # These stand for all addresses and are nobody's name.
    if bind not in ("0.0.0.0", "::"):
        hosts.add(f"[{bind}]" if ":" in bind else bind)
    return {f"{host}:{port}" for host in hosts} | (hosts if port == 80 else set())


def make_app(
    store: Path, cache: Path, hosts: Collection[str], title: str = "Measuring cell"
) -> GuardedApplication:
    """The application over a store. ``cache`` is the folder for reports, ``hosts`` the names it answers to."""
    hub = Hub(store)
    reports = ReportCache(store, cache)

    @contextlib.asynccontextmanager
    async def lifespan(_app: Starlette) -> AsyncIterator[None]:
        # Before the first request is answered: the page is never shown empty.
        await hub.look()
        task = asyncio.create_task(hub.run())
        try:
            yield
        finally:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task

    async def show(_request: Request) -> Response:
        return HTMLResponse(page(hub.rendered, title))

    async def events(_request: Request) -> Response:
        # Each open page keeps a connection and a task; browsers try again by themselves.
        if hub.listeners >= LISTENERS_MAX:
            return PlainTextResponse("Too many pages are open.\n", 503, {"retry-after": "10"})
        return StreamingResponse(hub.events(), media_type="text/event-stream")

    async def report(request: Request) -> Response:
        part = hub.board.decided(request.path_params["seq"])
        if part is None:
            return _sorry("This part is no longer among those that the page shows. "
                          "The report command finds every part of the journal.", 404)  # fmt: skip
        try:
            body = await reports.report(part, hub.board.latest(part))
        except ReportError as error:
            return _sorry(str(error), 503)
        return HTMLResponse(body, headers={"content-security-policy": _REPORT_POLICY})

    routes = [
        Route("/", show),
        Route("/events", events),
        Route("/report/{seq:int}", report),
        Route("/page.css", _file("page.css", "text/css")),
        Route("/page.js", _file("page.js", "text/javascript")),
    ]
    return GuardedApplication(Starlette(routes=routes, lifespan=lifespan), hosts, hub)


def _file(name: str, media_type: str) -> Callable[[Request], Awaitable[Response]]:
    data = resources.files("edgeagent.page").joinpath(name).read_bytes()

    async def answer(_request: Request) -> Response:
        return Response(data, media_type=media_type)

    return answer


def _sorry(words: str, status: int) -> Response:
    body = (
        f'<!doctype html><html lang="en"><title>No report</title><h1>No report</h1><p>{html.escape(words)}</p>'
    )
    return HTMLResponse(body, status)
