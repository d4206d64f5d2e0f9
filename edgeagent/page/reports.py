"""Reports of parts, made when somebody asks and kept in a folder of the page's own.

Each is made by a process of its own, one at a time: what drawing takes in memory is gone when it ends, and a
report that cannot be made harms nothing.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import os
import sys
from pathlib import Path

from edgeagent.page.board import DecidedPart

KEPT_MAX = 200
_TIMEOUT_S = 180.0
_ERROR_MAX = 400


class ReportError(Exception):
    """A report that could not be made, in words for the one who asked."""


class ReportCache:
    """Used from the page's loop only. ``store`` is read, ``folder`` is written."""

    def __init__(self, store: Path, folder: Path) -> None:
        self._store, self._folder = store, folder
        self._one = asyncio.Lock()

    async def report(self, part: DecidedPart, version: int) -> bytes:
        """The report of a part as HTML. ``version`` changes when there is something new of it.

        Raises ReportError.
        """
        name = hashlib.sha256(f"{part.seq}\0{version}\0{part.part}\0{part.serial}".encode()).hexdigest()[:32]
        path = self._folder / f"report-{name}.html"
        async with self._one:
            with contextlib.suppress(OSError):
                return path.read_bytes()
            await self._make(part, path)
        try:
            return path.read_bytes()
        except OSError as error:
            raise ReportError(f"the report cannot be read: {error.strerror}") from error

    async def _make(self, part: DecidedPart, path: Path) -> None:
        making = path.with_suffix(".making.html")
        command = [
            *(sys.executable, "-m", "edgeagent", "report", f"--store={self._store}"),
            *(f"--serial={part.serial}", f"--part={part.part}", f"--out={making}"),
        ]
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            process = await asyncio.create_subprocess_exec(
                *command,
                stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.DEVNULL,
                stderr=asyncio.subprocess.PIPE,
                env={**os.environ, "MPLCONFIGDIR": str(self._folder)},
            )
        except (OSError, ValueError) as error:  # ValueError: a serial with a zero byte is no argument
            raise ReportError(f"the report cannot be made: {error}") from error
        try:
            _, said = await asyncio.wait_for(process.communicate(), _TIMEOUT_S)
        except TimeoutError as error:
            raise ReportError(f"the report is not ready after {_TIMEOUT_S:g} s") from error
        finally:
            if process.returncode is None:
                process.kill()
                await process.wait()
        if process.returncode:
            raise ReportError(said.decode("utf-8", "replace").strip()[-_ERROR_MAX:] or "the report failed")
        making.replace(path)
        self._forget_old()

    def _forget_old(self) -> None:
        """Keep the newest reports alone. Nothing but reports of this folder is removed."""
        found = sorted(self._folder.glob("report-" + "?" * 32 + ".html"), key=lambda p: p.stat().st_mtime)
        for path in found[:-KEPT_MAX]:
            path.unlink(missing_ok=True)
