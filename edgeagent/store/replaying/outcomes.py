"""What a replay finds: file by file as it comes from whoever computed it, and all of it together."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import msgspec

from edgeagent import __version__
from edgeagent.judging.agreement import Agreement
from edgeagent.judging.replaying.contradiction import Contradiction
from edgeagent.model import Disposition
from edgeagent.model.reasons import Reason


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that did not come out as recorded."""

    seq: int
    subject: str
    what: str


class DecidedAgain(msgspec.Struct, frozen=True):
    """What a file amounts to now: its disposition, why, and the features that its part needs."""

    disposition: Disposition
    # Codes: sentences are made where they are shown, so that their wording cannot count as a difference.
    reasons: tuple[Reason, ...]
    # Other recipes may ask for other features, and a part is decided again by what its files ask for now.
    required: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FileOutcome:
    """One file, computed again.

    ``now`` is None where it could not be computed: ``differences`` then say why, or it is ``away`` in a sealed
    file. ``agreement`` is None where nothing was compared.
    """

    seq: int
    now: DecidedAgain | None = None
    agreement: Agreement | None = None
    away: bool = False
    other_software: bool = False
    # Apart from other differences, and shown first: a part decided otherwise must not drown among digits.
    verdict_flips: tuple[Difference, ...] = ()
    differences: tuple[Difference, ...] = ()
    # Shown as well, but no sign of a change: another version of the program may compute other values.
    version_differences: tuple[Difference, ...] = ()
    agent_sha256: str | None = None
    """The agent.toml that was in force: it names the site and station under which the row is filed."""


@dataclass(frozen=True, slots=True)
class Flip:
    """A part that other recipes would have decided differently."""

    part: str
    serial: str
    was: str
    would_be: str
    reasons: tuple[str, ...]


@dataclass(slots=True)
class ReplayReport:
    """What a replay found.

    ``files`` were computed again: ``identical`` of them came out to the last digit, ``within_rounding`` within
    the bounds of ``judging.agreement`` with every verdict as it was, ``by_version`` as another version of the
    program computes them, again with every verdict as it was. ``verdict_flips`` and ``differences`` are what
    should not be. ``flips`` are parts that other recipes would decide otherwise. ``contradictions`` are records
    that do not follow from those before them, ``missing`` contents that a record names and that are nowhere,
    ``unknown`` contents that a manifest alone says were sealed, ``orphans`` contents that no record names.
    ``messages`` heard on the line were compared, ``passed_over``
    counts the lines of that recording that are none of this station's records.
    """

    files: int = 0
    # Counted, since a sample of 1 % that agrees must not read like a whole journal that does.
    skipped: int = 0
    identical: int = 0
    within_rounding: int = 0
    by_version: int = 0
    dispositions: int = 0
    quarantined: int = 0
    other_software: int = 0
    messages: int = 0
    passed_over: int = 0
    verdict_flips: list[Difference] = field(default_factory=list)
    differences: list[Difference] = field(default_factory=list)
    version_differences: list[Difference] = field(default_factory=list)
    flips: list[Flip] = field(default_factory=list)
    contradictions: list[Contradiction] = field(default_factory=list)
    missing: list[Difference] = field(default_factory=list)
    unknown: list[Difference] = field(default_factory=list)
    sealed_away: int = 0
    not_at_hand: int = 0
    orphans: list[str] = field(default_factory=list)

    @property
    def agrees(self) -> bool:
        """Whether nothing speaks of a change: rounding and the program's version explain what differs.

        Of unknown contents nobody can say so before their sealed file is brought.
        """
        # Without orphans, which a kill between archive and journal leaves, and without what a sealed file
        # holds: its record vouches for that file, which can be brought at any time.
        found = self.verdict_flips, self.differences, self.contradictions, self.missing, self.unknown
        return not any(found)

    def add(self, file: FileOutcome) -> None:
        """Count one file. Files are added in the journal's order, whoever was done with them first."""
        self.files += 1
        # At most one of these four counts it: a file that could not be computed shows in `differences` alone.
        self.not_at_hand += file.away
        self.identical += file.agreement == Agreement.IDENTICAL
        self.within_rounding += file.agreement == Agreement.WITHIN_ROUNDING
        self.by_version += file.agreement == Agreement.OTHER_PROGRAM
        self.other_software += file.other_software
        self.verdict_flips += file.verdict_flips
        self.differences += file.differences
        self.version_differences += file.version_differences

    def take(self, found: Iterable[Contradiction], version: str) -> None:
        """Note what does not follow; of records by another version that is a difference of the program.

        Not where another verdict would follow: that speaks whoever wrote the records.
        """
        for one in found:
            # Empty where no start is on record yet, or for what no version explains: index, end and messages.
            if one.verdict or (version in (__version__, "") and not one.by_version):
                self.contradictions.append(one)
            else:
                self.version_differences.append(Difference(one.seq, one.subject, one.what))
