"""How commands ask the running service for what only it may put on record."""

from __future__ import annotations

import grp
import time
from collections.abc import Mapping
from pathlib import Path

from edgeagent.errors import AgentError, UsageError
from edgeagent.judging.requests import TEXT_MAX, Request, RequestAnswer
from edgeagent.store.requests import RequestFolder

_PATIENCE_S = 10.0
"""The service looks once a second; ten times that leaves room for a sync on a slow disk."""

_LAST_ANSWER_S = 1.0
"""Between reading a request and its answer the service appends one record, which takes a sync or two."""


def require_short(texts: Mapping[str, str]) -> None:
    """Raise UsageError where a text, by its option, is longer than a request holds."""
    for name, value in texts.items():
        if len(value) > TEXT_MAX:
            raise UsageError(f"{name}: at most {TEXT_MAX} characters")


def ask_service(store: Path, request: Request, undone: str) -> RequestAnswer:
    """Hand a request in and wait for its answer, ten seconds at the most.

    ``undone`` says what then did not happen. The operating system's user goes on record with it. Raises
    AgentError where nothing answered, or the request could not be handed in.
    """
    folder = RequestFolder(store)
    try:
        path = folder.put(request)
    except FileNotFoundError as error:
        raise AgentError(
            f"{folder.folder} is not there: no service has run with this store; {undone}"
        ) from error
    except PermissionError as error:
        raise AgentError(f"{_no_right(folder.folder)}; {undone}") from error
    except OSError as error:
        raise AgentError(f"{folder.folder}: {error.strerror}; {undone}") from error
    # The journal has one writer: only the service may put it on record
    answer = _wait_for_answer(folder, path, _PATIENCE_S)
    if answer is None:
        # Withdrawn, or a service that starts tomorrow would release a part that nobody has in hand any more.
        withdrawn = folder.withdraw(path)
        # Whether it was withdrawn or not: a service that had read it by then carries it out, and answers.
        answer = _wait_for_answer(folder, path, _LAST_ANSWER_S)
        if answer is None and withdrawn:
            raise AgentError(
                f"no answer within {_PATIENCE_S:g} s: is the service running? "
                f"The request is withdrawn, {undone}."
            )
    if answer is None:
        raise AgentError(
            "the service took the request but gave no answer; "
            "`edgeagent journal show --kind acknowledgement` says what became of it"
        )
    return answer


def _wait_for_answer(folder: RequestFolder, path: Path, seconds: float) -> RequestAnswer | None:
    until = time.monotonic() + seconds
    while (answer := folder.take_answer(path)) is None and time.monotonic() < until:
        time.sleep(0.05)
    return answer


def _no_right(folder: Path) -> str:
    """Why this user may not ask, and who could change it."""
    try:
        gid = folder.stat().st_gid
        group = grp.getgrgid(gid).gr_name
    except OSError:
        return f"you may not look into {folder.parent}"
    # A group without a name, as in containers.
    except KeyError:
        group = str(gid)
    return f"you may not write to {folder}: only members of the group {group} may ask the service"
