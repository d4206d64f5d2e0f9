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

from edgeagent import __version__
from edgeagent.page.board import DecidedPart

# Bounds the folder: older ones are made again when somebody asks.
KEPT_MAX = 200
# A walk through a journal without an index may take minutes; longer, and nobody is waiting any more.
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
        # With the program's version: the folder outlives an update, whose reports may say something else.
        key = f"{__version__}\0{part.seq}\0{version}\0{part.part}\0{part.serial}"
        name = hashlib.sha256(key.encode("utf-8", "surrogatepass")).hexdigest()[:32]
        path = self._folder / f"report-{name}.html"
        # One at a time, and who waited finds the file: twenty clicks on one part draw it once.
        async with self._one:
            with contextlib.suppress(OSError):
                return path.read_bytes()
            await self._make(part, path)
        try:
            return path.read_bytes()
        except OSError as error:
            raise ReportError(f"the report cannot be read: {error.strerror}") from error

    async def _make(self, part: DecidedPart, path: Path) -> None:
        # Under another name until it is whole: a process that was killed must not leave half a report in the
        # cache.
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
                # The plotting library keeps its font cache where it may write, which a service's home is often
                # not.
                env={**os.environ, "MPLCONFIGDIR": str(self._folder)},
            )
        except (OSError, ValueError) as error:  # ValueError: a serial with a zero byte is no argument
            raise ReportError(f"the report cannot be made: {error}") from error
        try:
            _, said = await asyncio.wait_for(process.communicate(), _TIMEOUT_S)
        except TimeoutError as error:
            raise ReportError(f"the report is not ready after {_TIMEOUT_S:g} s") from error
        finally:
            # Also where the one who asked has gone: nobody else would end it.
            if process.returncode is None:
                process.kill()
                await process.wait()
        if process.returncode:
            raise ReportError(said.decode("utf-8", "replace").strip()[-_ERROR_MAX:] or "the report failed")
        try:
            making.replace(path)
            self._forget_old()
        except OSError as error:
            raise ReportError(f"the report cannot be kept: {error.strerror}") from error

    def _forget_old(self) -> None:
        """Keep the newest reports alone. Nothing but reports of this folder is removed."""
        found = sorted(self._folder.glob("report-" + "?" * 32 + ".html"), key=lambda p: p.stat().st_mtime)
        for path in found[:-KEPT_MAX]:
            path.unlink(missing_ok=True)
