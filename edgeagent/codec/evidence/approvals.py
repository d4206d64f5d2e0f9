"""Signed approvals: a note of C2SP signed-note beside a recipe or certificate, by somebody who answers for it.

Its text names each file that is approved with its SHA-256, the recipe's own and those with its limits, and says
when it was approved: a newer approval takes the place of an older one, which nobody can bring back.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from edgeagent.codec.evidence.notes import NoteError, SigningKey, VerifierKey, check_note, read_note, sign_note

SUFFIX = ".note"
"""Behind the name of the approved file."""
_FIRST, _TIME = "edgeagent approval", "time "


@dataclass(frozen=True, slots=True)
class Approved:
    """By whose key, and when (RFC 3339, UTC); '' where an approval of an earlier version does not say."""

    by: str
    at: str


def approval_text(digests: Mapping[str, str], at: str = "") -> str:
    """What is signed: files by their names, each with its SHA-256. Raises NoteError for names on two lines."""
    if any("\n" in name for name in digests):
        raise NoteError("a file's name has two lines")
    time = (f"{_TIME}{at}",) if at else ()
    return "".join(f"{line}\n" for line in (_FIRST, *time, *(f"{d} {n}" for n, d in sorted(digests.items()))))


def approve(digests: Mapping[str, str], key: SigningKey, at: str = "") -> bytes:
    """The note by which the holder of a key approves these files."""
    return sign_note(approval_text(digests, at), key).whole.encode()


def approved_by(data: bytes, digests: Mapping[str, str], keys: Sequence[VerifierKey]) -> Approved:
    """Whose key approved these files as they are, and when. Raises NoteError where none did."""
    note, at = read_note(data), approval_time(data)
    if note.text != approval_text(digests, at):
        raise NoteError("it approves other files, or other versions of them")
    for key in keys:
        if note.of(key) is not None:
            check_note(note, key)
            return Approved(key.name, at)
    raise NoteError("it is signed by nobody who may approve")


def approval_time(data: bytes) -> str:
    """When an approval says that it was given, '' where it does not. Raises NoteError."""
    second = read_note(data).text.split("\n")[1]
    if not second.startswith(_TIME):
        return ""
    at = second.removeprefix(_TIME)
    try:
        moment = datetime.fromisoformat(at)
    except ValueError:
        moment = None
    if moment is None or moment.utcoffset() != UTC.utcoffset(None):
        raise NoteError(f"its time is {at[:40]!r}")
    return at


def superseded_approvals(before: Mapping[str, bytes], after: Mapping[str, bytes]) -> Iterator[str]:
    """Names of approvals in ``after`` that are older than those of the same name that they replace."""
    for name in sorted(before.keys() & after.keys()):
        if name.endswith(SUFFIX) and before[name] != after[name]:
            try:
                was, now = approval_time(before[name]), approval_time(after[name])
            except NoteError:
                continue  # what is no approval is refused by itself
            if was and (not now or datetime.fromisoformat(now) < datetime.fromisoformat(was)):
                yield name
