"""A real browser for tests: Chromium without a window, asked over its debugging pipe.

Two descriptors carry JSON, with a zero byte behind every message.
"""

from __future__ import annotations

import fcntl
import json
import os
import shutil
import subprocess
import time
from pathlib import Path
from typing import Any

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--hide-scrollbars",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-sync",
    "--disable-component-update",
    "--disable-extensions",
    "--disable-quic",
    "--remote-debugging-pipe",
)
DEADLINE_S = 60.0


class Browser:
    """One Chromium with one page. Use as a context."""

    def __init__(self, folder: Path) -> None:
        binary = shutil.which("chromium")
        assert binary is not None
        ours_in, theirs_out = os.pipe()
        theirs_in, ours_out = os.pipe()
        high = [fcntl.fcntl(fd, fcntl.F_DUPFD, 60) for fd in (theirs_in, theirs_out)]
        self._process = subprocess.Popen(
            [binary, *FLAGS, f"--user-data-dir={folder}", "about:blank"],
            pass_fds=(3, 4),
            preexec_fn=lambda: (os.dup2(high[0], 3), os.dup2(high[1], 4)),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        for fd in high:
            os.close(fd)
        os.close(theirs_in)
        os.close(theirs_out)
        self._out, self._in = os.fdopen(ours_out, "wb", buffering=0), os.fdopen(ours_in, "rb", buffering=0)
        self._left, self._count, self._session = b"", 0, ""

    def __enter__(self) -> Browser:
        """The page's session; a browser that does not answer is ended."""
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.wait(30)
        self._out.close()
        self._in.close()

    def ask(self, method: str, **parameters: Any) -> dict[str, Any]:
        """The result of one command of the DevTools protocol; events in between are passed over."""
        self._count += 1
        message = {"id": self._count, "method": method, "params": parameters}
        if self._session:
            message["sessionId"] = self._session
        self._out.write(json.dumps(message).encode() + b"\0")
        while True:
            found = json.loads(self._message())
            if found.get("id") == self._count:
                assert "error" not in found, found
                return found["result"]

    def run(self, expression: str) -> Any:
        """The value of an expression in the page."""
        result = self.ask("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in result, result
        return result["result"].get("value")

    def open(self, url: str, width: int = 1280) -> None:
        """Load a page."""
        self.ask(
            "Emulation.setDeviceMetricsOverride", width=width, height=900, deviceScaleFactor=1, mobile=False
        )
        self.ask("Page.navigate", url=url)
        self.wait("document.readyState === 'complete' && location.href !== 'about:blank'")

    def wait(self, expression: str) -> Any:
        """Ask until the expression is true; its value."""
        until = time.monotonic() + DEADLINE_S
        while True:
            value = self.run(expression)
            if value:
                return value
            assert time.monotonic() < until, (
                f"{expression} did not come true; {self.run('document.body.innerText')}"
            )
            time.sleep(0.05)

    def _message(self) -> bytes:
        while b"\0" not in self._left:
            found = self._in.read(1 << 16)
            assert found, "the browser is gone"
            self._left += found
        message, _, self._left = self._left.partition(b"\0")
        return message
