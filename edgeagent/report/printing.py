"""A report as PDF on A4, printed by Chromium where the computer has one.

Part, serial and page number stand on every page: margin boxes of the page's own style, which Chromium prints
from version 131 on. Other browsers print the same page without page numbers.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import tempfile
from pathlib import Path

from edgeagent.errors import UsageError
from edgeagent.report.words import printable

BROWSERS = ("chromium", "chromium-browser")
# Nothing goes out and nothing is looked up: printing needs the page alone.
_FLAGS = (
    "--headless",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-extensions",
    "--disable-quic",
    "--no-pdf-header-footer",
)
# Far more than a long page takes: a browser that hangs must not hold the command for ever.
_TIMEOUT_S = 120.0


def print_pdf(page: Path) -> Path:
    """Print a report beside itself, as ``.pdf``; returns its path.

    Raises UsageError where there is no Chromium, or it does not print.
    """
    binary = next(filter(None, map(shutil.which, BROWSERS)), None)
    if binary is None:
        raise UsageError(
            f"{printable(page)} is written, its PDF is not: there is no Chromium on the PATH to print it"
        )
    out = page.with_suffix(".pdf")
    # A profile of its own: a browser that runs already would take the page into its own process and print
    # nothing.
    with tempfile.TemporaryDirectory(prefix="edgeagent-print-") as own:
        made = Path(own) / "page.pdf"
        # Its sandbox needs a user of its own; the page runs no script and loads nothing
        sandbox = ("--no-sandbox",) if hasattr(os, "geteuid") and os.geteuid() == 0 else ()
        command = [binary, *_FLAGS, *sandbox, f"--user-data-dir={own}/profile", f"--print-to-pdf={made}"]
        try:
            subprocess.run(
                [*command, page.resolve().as_uri()], capture_output=True, timeout=_TIMEOUT_S, check=True
            )
            # Only a whole one gets the report's name.
            shutil.move(made, out)
        except (OSError, subprocess.SubprocessError) as error:
            raise UsageError(f"{printable(page)} is written, but its PDF is not: {printable(error)}") from error
    return out


def css_text(text: str) -> str:
    """A text as a string of a style sheet, whatever is in it."""
    # Escaped by number, as serials may hold quotation marks, line ends and brackets.
    return '"' + re.sub(r"[^A-Za-z0-9 .,:-]", lambda found: f"\\{ord(found.group()):x} ", text) + '"'
