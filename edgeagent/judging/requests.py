"""What commands may ask of the running service, who asks, and what they are answered.

The journal has one writer, the service, so a command hands in a request: a small JSON file in
``store/requests/`` whose member ``what`` names its kind. ``who`` is the name that a person typed; ``Asker`` is
whom the operating system knows, by the owner of the file, which nobody but root can give away.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, TypeAlias

import msgspec

from edgeagent.errors import AgentError
from edgeagent.model.reasons import Reason
from edgeagent.rules.sentences import sentence

Text = Annotated[str, msgspec.Meta(min_length=1, max_length=200)]
TEXT_MAX = 200
"""Characters of a name or a reason."""


class ReleaseRequest(msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="what", tag="release"):
    """Who wants which part released, and why."""

    part: Text
    serial: Text
    who: Text
    why: Text


class AcknowledgeRequest(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="what", tag="acknowledge"
):
    """Who acknowledges which record (a reject, a hold or a quarantine that waits for it), and why."""

    seq: Annotated[int, msgspec.Meta(ge=1, lt=10**15)]
    who: Text
    why: Text


Request: TypeAlias = ReleaseRequest | AcknowledgeRequest


@dataclass(frozen=True, slots=True)
class Asker:
    """The operating system's user who handed a request in; ``user`` is empty where no name is known."""

    uid: int
    user: str = ""


@dataclass(frozen=True, slots=True)
class Handed:
    """A request with whom it is from."""

    request: Request
    asker: Asker


class RequestAnswer(msgspec.Struct, frozen=True):
    """What became of a request: ``seq`` is the record that it led to, 0 when it was refused."""

    granted: bool
    reason: str
    seq: int = 0


class RequestRefusedError(AgentError):
    """A request that is not granted; ``reason`` says why.

    ``handed`` is the request where it could be read, so that its record says who wanted what.
    """

    def __init__(self, reason: Reason, subject: str = "", handed: Handed | None = None) -> None:
        text = sentence(reason)
        super().__init__(f"{subject}: {text}" if subject else text)
        self.reason = reason
        self.handed = handed
