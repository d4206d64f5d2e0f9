"""What all open pages share: the journal's end is read once for them, and each gets what is new."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from functools import partial
from pathlib import Path

import msgspec

from edgeagent.page.board import Board
from edgeagent.page.tail import JournalTail
from edgeagent.page.view import Rendered, render
from edgeagent.store.clock import SystemClock
from edgeagent.store.running.look import look

# The lamp on the screen must not lag visibly behind the one on the line.
EVERY_S = 0.5
# Screens of a hall and some desks; a browser that reconnects in a loop must not exhaust the server.
LISTENERS_MAX = 60
# The page says after 20 s that it may be old (page.js), so that one lost message is no alarm.
_ALIVE_S = 10.0


class Hub:
    """Reads the store, renders the page when something changed, and wakes who waits for that.

    ``run`` is the one task that reads; everything else only looks at ``rendered``.
    """

    def __init__(self, store: Path) -> None:
        self._store = store
        self._tail = JournalTail(store / "journal")
        self.board = Board()
        self.rendered = Rendered({}, "edgeagent", "", "")
        self.listeners = 0
        self._version = 0
        self._closing = False
        self._changed = asyncio.Condition()

    async def run(self) -> None:
        """Look again and again until cancelled."""
        while True:
            await self.look()
            if self._closing:
                async with self._changed:
                    self._changed.notify_all()
            await asyncio.sleep(EVERY_S)

    def close(self) -> None:
        """Let every listener go at the next look, so that a server that ends need not break connections off.

        May be called from a signal's handler.
        """
        self._closing = True

    async def look(self) -> None:
        """Read what is new and render it; wakes listeners where a section changed."""
        # In a thread: a slow disk must not keep the pages that are open from being served.
        rendered = await asyncio.to_thread(self._read)
        # By the text: records that the page does not show wake nobody.
        changed = rendered.sections != self.rendered.sections
        self.rendered = rendered
        if changed:
            async with self._changed:
                self._version += 1
                self._changed.notify_all()

    def _read(self) -> Rendered:
        anew, records = self._tail.more()
        if anew:
            self.board = Board()
        self.board.fold(records)
        while not anew and records:  # catch up after a pause: each read is bounded
            _, records = self._tail.more()
            self.board.fold(records)
        return render(
            self.board, look(self._store), self._tail.began_at, self._tail.trouble, SystemClock().now()
        )

    def _has_news(self, version: int) -> bool:
        return self._closing or version != self._version

    async def events(self) -> AsyncIterator[bytes]:
        """Server-sent events for one listener: all sections at first, then those that changed."""
        shown: dict[str, str] = {}
        version = -1
        self.listeners += 1
        try:
            # Browsers wait longer by default; after a restart of the server the hall looks at an old page that
            # long.
            yield b"retry: 1000\n\n"
            while not self._closing:
                if version != self._version:
                    version, rendered = self._version, self.rendered
                    # Only what changed, or a reader's place and selection in the other sections would be lost.
                    news = {k: html for k, html in rendered.sections.items() if shown.get(k) != html}
                    shown.update(news)
                    yield _message(rendered, news)
                    continue
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(_ALIVE_S), self._changed:
                        # Asked again under the lock: a change while this waited for the lock wakes nobody.
                        await self._changed.wait_for(partial(self._has_news, version))
                        continue
                yield b"event: alive\ndata: 1\n\n"
        finally:
            self.listeners -= 1


def _message(rendered: Rendered, sections: dict[str, str]) -> bytes:
    payload = {"sections": sections, "said": rendered.said, "as_of": rendered.as_of, "title": rendered.title}
    return b"data: " + msgspec.json.encode(payload) + b"\n\n"
