"""Signed approvals: a note of C2SP signed-note beside a recipe or certificate, by somebody who answers for it.

Its text names each file that is approved with its SHA-256, the recipe's own and those with its limits, and says
when it was approved: a newer approval takes the place of an older one, which nobody can bring back.
"""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Iterator, Mapping, Sequence
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
    # Compared as a whole, never read line by line: nothing that is not expected can stand in it.
    if note.text != approval_text(digests, at):
        raise NoteError("it approves other files, or other versions of them")
    for key in keys:
        # The key that claims it is checked and decides; a wrong signature is no reason to try the next one.
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


def approval_times(files: Mapping[str, bytes]) -> dict[str, str]:
    """When the approvals among files were given, by their names; without those that do not say."""
    times = {}
    for name, data in files.items():
        if name.endswith(SUFFIX):
            with contextlib.suppress(NoteError):  # what is no approval is refused by itself
                times[name] = approval_time(data)
    return {name: at for name, at in times.items() if at}


def withdrawn_approvals(before: Mapping[str, bytes], names: Collection[str]) -> dict[str, str]:
    """When those approvals of ``before`` were given whose names are not among ``names``, the newest first.

    As many as a record has room for; the newest of the others stands under the name ''.
    """
    times = {name: at for name, at in approval_times(before).items() if name not in names}
    found, room = dict[str, str](), _WITHDRAWN_BYTES
    for name, at in sorted(times.items(), key=lambda item: datetime.fromisoformat(item[1]), reverse=True):
        # Of names that must be left out the newest stands for all, so that none of them can come back.
        room -= len(name.encode()) + len(at)
        found[name if room >= 0 else ""] = at
        if room < 0:
            break
    return found


def newest_approvals(one: Mapping[str, str], other: Mapping[str, str]) -> dict[str, str]:
    """The later of two times for every name."""
    return {name: _later(one.get(name, ""), other.get(name, "")) for name in (*one, *other)}


def older_approvals(files: Mapping[str, bytes], newest: Mapping[str, str]) -> Iterator[str]:
    """Names of approvals in ``files`` that were given before the newest of that name, or do not say when.

    ``newest`` is by name; what stands there under '' goes for every name that it does not have.
    """
    times = approval_times(files)
    for name in sorted(files):
        known, at = newest.get(name, newest.get("", "")), times.get(name, "")
        # An approval without a time cannot prove that it is newer than one that has it.
        if name.endswith(SUFFIX) and known and _later(at, known) != at:
            yield name


def _later(one: str, other: str) -> str:
    if not one or not other:
        return one or other
    return one if datetime.fromisoformat(one) >= datetime.fromisoformat(other) else other


_WITHDRAWN_BYTES = 2000
