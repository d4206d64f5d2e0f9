"""Templates as report and page use them: everything that they print is made printable and escaped."""

from __future__ import annotations

import jinja2
from markupsafe import Markup

from edgeagent.report import words


def environment_of(package: str) -> jinja2.Environment:
    """The templates of a package, without filters of their own."""
    return jinja2.Environment(
        loader=jinja2.PackageLoader(package, "."),
        autoescape=True,
        # A mistyped name would print nothing, and a missing value would look like one that is empty.
        undefined=jinja2.StrictUndefined,
        finalize=_finalize,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _finalize(value: object) -> object:
    """Whatever a template prints, made printable; markup of our own passes."""
    if isinstance(value, Markup):
        return value
    return words.printable(value) if isinstance(value, str) else "" if value is None else value
