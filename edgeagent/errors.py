"""Every error class of the project, cut by what happens next.

::

    AgentError                        each class has an exit code for the commands
    ├─ UsageError                     the command line is wrong                                  exit 2
    ├─ ConfigError                    refuse to start; says file, key, value, what is allowed    exit 2
    │   └─ UnfilledError              a proposed file with keys still to fill in                  exit 2
    ├─ InputError                     this file is bad: quarantine it, go on
    │  ├─ TraceFormatError            the bytes are not what the format says (carries the line)
    │  │  └─ TraceIncompleteError     the file ends before it should: its writer may not be done
    │  ├─ TraceShapeError             columns or counts do not fit the kind of trace
    │  ├─ TraceRangeError             numbers outside what the kind allows
    │  └─ AnalysisStoppedError        its analysis ended twice without a result
    ├─ AnalysisError                  file is fine, no number possible: record without the value
    │  ├─ FitNotConvergedError
    │  └─ TooFewSectionsError
    ├─ SourceError                    export folder: wait, conclude nothing
    │  └─ SourceUnavailableError
    ├─ EvidenceError                  keys, proofs, witnesses: say so; parts are decided all the same  exit 1
    └─ JournalError                   our own disk: lamp to fault, stop                          exit 20
       ├─ JournalLockedError          another agent writes here; nothing was touched             exit 21
       ├─ JournalTornTailError        the last record is incomplete (recovered once, on opening)
       ├─ JournalCorruptError         damaged before its end; never repaired by us               exit 22
       └─ JournalWriteError           a write or sync failed; the writer stays closed            exit 23

A failed ``assert`` is a mistake of ours, never a message for a user. A part out of tolerance is a result,
not an error.
"""

from __future__ import annotations


class AgentError(Exception):
    """Root of all errors that the project raises on purpose."""

    exit_code = 1


class UsageError(AgentError):
    """The command line cannot be understood."""

    exit_code = 2


class ConfigError(AgentError):
    """Configuration that cannot be used: names file, key, the value found and what is allowed."""

    exit_code = 2

    def __init__(self, file: str, key: str, message: str, *, value: object = None, allowed: str = "") -> None:
        self.file = file
        self.key = key
        self.value = value
        self.allowed = allowed
        parts = [f"{file}: {key}: {message}" if key else f"{file}: {message}"]
        if value is not None:
            parts.append(f"found {value!r}")
        if allowed:
            parts.append(f"allowed: {allowed}")
        super().__init__("; ".join(parts))


class UnfilledError(ConfigError):
    """A proposed file in which a person has not filled in everything yet; ``places`` are all of them."""

    def __init__(self, file: str, key: str, places: list[str]) -> None:
        self.places = places
        complaint = "must be filled in: the file that it was proposed from does not say it"
        if others := places[1:]:
            complaint += f"; and so must {len(others)} more: {', '.join(others)}"
        super().__init__(file, key, complaint)


class InputError(AgentError):
    """A file that cannot be used as a trace; it is quarantined and left untouched."""


class TraceFormatError(InputError):
    """The bytes do not follow the format.

    ``line`` is the 1-based line of the file where reading stopped, or None; ``expected`` says what should
    have been there, in words for a technician.
    """

    def __init__(self, message: str, *, line: int | None = None, expected: str = "") -> None:
        self.message = message
        self.line = line
        self.expected = expected
        where = f"line {line}: " if line is not None else ""
        wanted = f"; expected {expected}" if expected else ""
        super().__init__(f"{where}{message}{wanted}")


class TraceIncompleteError(TraceFormatError):
    """The file ends before its own header, its last line or its declared number of rows says that it does.

    As long as the writer may still be at work this is no reason for quarantine.
    """


class TraceShapeError(InputError):
    """Columns, counts or lengths do not fit the kind of trace."""


class TraceRangeError(InputError):
    """A number lies outside what the kind of trace allows; the message gives its place."""


class AnalysisStoppedError(InputError):
    """Every attempt to read or analyse the file ended without a result: out of memory, out of time, killed."""


class AnalysisError(AgentError):
    """The file is fine but a number cannot be computed from it."""


class FitNotConvergedError(AnalysisError):
    """An iteration did not reach its tolerance."""


class TooFewSectionsError(AnalysisError):
    """The profile is too short for the cut-off and the number of sections asked for."""


class SourceError(AgentError):
    """An export folder cannot be used at the moment; conclude nothing from its silence."""


class SourceUnavailableError(SourceError):
    """The export folder is missing, unreadable or was exchanged for another."""


class EvidenceError(AgentError):
    """A key, a checkpoint or a proof that cannot be made, read or trusted. It never stops the cell."""


class JournalError(AgentError):
    """The journal or the archive below it cannot be trusted or written."""

    exit_code = 20


class JournalLockedError(JournalError):
    """Another process holds the journal's lock; nothing was touched."""

    exit_code = 21


class JournalTornTailError(JournalError):
    """The last line of the journal is incomplete, as after a power cut."""


class JournalCorruptError(JournalError):
    """A record before the end of the journal is damaged; only a person may decide what happens next.

    ``line`` is 1-based; 0 where the damage is that of a whole segment or folder.
    """

    exit_code = 22

    def __init__(self, segment: str, line: int, reason: str) -> None:
        self.segment = segment
        self.line = line
        self.reason = reason
        super().__init__(f"{segment}: line {line}: {reason}" if line else f"{segment}: {reason}")


class JournalWriteError(JournalError):
    """A write or a sync of journal or archive failed; the writer is closed and stays closed."""

    exit_code = 23
