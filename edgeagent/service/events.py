"""The event log for people and log collectors: stable event names, JSON lines unless on a terminal."""

from __future__ import annotations

import logging
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


class _Forward(logging.Handler):
    """Lines of libraries that use the standard logger, as events of the same form."""

    def __init__(self, log: Any) -> None:
        super().__init__(logging.WARNING)
        self._log = log

    def emit(self, record: logging.LogRecord) -> None:
        self._log.warning("library-message", library=record.name, message=record.getMessage()[:500])


def open_log(stream: TextIO | None = None, sink: Any = None) -> Any:
    """The process's event log on ``stream`` (standard output by default), or into ``sink``, a processor.

    Standard logging and exceptions that end a thread go the same way, so that every line parses.
    """
    out = stream if stream is not None else sys.stdout
    renderer: Any = sink if sink is not None else structlog.processors.JSONRenderer()
    if sink is None and out.isatty():
        renderer = structlog.dev.ConsoleRenderer(colors=False)
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            renderer,
        ],
        logger_factory=structlog.WriteLoggerFactory(file=out),
        cache_logger_on_first_use=True,
    )
    log = structlog.get_logger()
    logging.basicConfig(handlers=[_Forward(log)], level=logging.WARNING, force=True)

    def thread_failed(args: Any) -> None:
        log.error("thread-failed", thread=getattr(args.thread, "name", ""), reason=repr(args.exc_value))

    threading.excepthook = thread_failed
    return log
