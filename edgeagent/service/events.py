"""The event log for people and log collectors: stable event names, JSON lines unless on a terminal."""

from __future__ import annotations

import contextlib
import errno
import logging
import os
import sys
import threading
from typing import Any, TextIO

if "rich" in sys.modules or sys.stdout.isatty():
    import structlog
else:
    # structlog loads rich where it finds it, for coloured lines that a service never prints: 40 ms a start.
    sys.modules["rich"] = None  # type: ignore[assignment]
    try:
        import structlog
    finally:
        del sys.modules["rich"]

from edgeagent.printable import clean

# A closed terminal, a closed pipe, a closed descriptor: none of them comes back.
_READER_GONE = (errno.EIO, errno.EPIPE, errno.EBADF)


class LastingStream:
    """A text stream that outlives whoever reads it: a closed terminal or a dead log collector stops nobody.

    What can never be written again goes nowhere from then on; what a full disk refuses is lost alone.
    """

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """As of any stream, but never an OSError."""
        try:
            # A log line that cannot be written is no reason to stop judging parts.
            return self._stream.write(text)
        except OSError as error:
            self._give_up(error)
        return len(text)

    def flush(self) -> None:
        """As of any stream, but never an OSError."""
        try:
            self._stream.flush()
        except OSError as error:
            self._give_up(error)

    def _give_up(self, error: OSError) -> None:
        if error.errno not in _READER_GONE:
            return
        with contextlib.suppress(OSError, ValueError):
            nowhere = os.open(os.devnull, os.O_WRONLY | os.O_CLOEXEC)
            # Onto the same number: libraries that hold the descriptor, and child processes, are cured with it.
            os.dup2(nowhere, self._stream.fileno())
            os.close(nowhere)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


class _Forward(logging.Handler):
    """Lines of libraries that use the standard logger, as events of the same form."""

    def __init__(self, log: Any) -> None:
        super().__init__(logging.WARNING)
        self._log = log

    def emit(self, record: logging.LogRecord) -> None:
        self._log.warning("library-message", library=record.name, message=record.getMessage()[:500])


def _show_only(_logger: Any, _method: str, event: Any) -> Any:
    """A processor for terminals: texts of files are shown there, never obeyed. JSON keeps them as they are."""
    return {name: clean(value, keep="\n") if isinstance(value, str) else value for name, value in event.items()}


def open_log(stream: TextIO | None = None, sink: Any = None) -> Any:
    """The process's event log on ``stream`` (standard output by default), or into ``sink``, a processor.

    Standard logging and exceptions that end a thread go the same way, so that every line parses.
    """
    out: Any = LastingStream(stream if stream is not None else sys.stdout)
    renderer: Any = sink if sink is not None else structlog.processors.JSONRenderer()
    # Without colours: a file name in an event could bring escape sequences of its own.
    if sink is None and out.isatty():
        renderer = structlog.dev.ConsoleRenderer(colors=False)
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            *([_show_only] if sink is None and out.isatty() else []),
            renderer,
        ],
        logger_factory=structlog.WriteLoggerFactory(file=out),
        cache_logger_on_first_use=True,
    )
    log = structlog.get_logger()
    # Libraries, too: a line in another form would make the collector drop it.
    logging.basicConfig(handlers=[_Forward(log)], level=logging.WARNING, force=True)

    def thread_failed(args: Any) -> None:
        log.error("thread-failed", thread=getattr(args.thread, "name", ""), reason=repr(args.exc_value))

    # A thread that dies prints to stderr by default, where no collector looks for it.
    threading.excepthook = thread_failed
    return log
