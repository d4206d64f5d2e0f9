"""Files that were read before they were whole: what is not decided yet, and what must be taken back."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from msgspec.structs import replace

from edgeagent.codec.traces.delimited import file_of_trace
from edgeagent.codec.traces.reader import READ_NAMES
from edgeagent.judging import bodies
from edgeagent.judging.configuration import Configuration
from edgeagent.judging.evaluation.found_file import FoundFile
from edgeagent.judging.memory import Memory
from edgeagent.judging.part_decisions import Entries
from edgeagent.model import Disposition
from edgeagent.model.reasons import Code, reason
from edgeagent.rules.files.settling import matches
from edgeagent.rules.part_set import PartDecision
from edgeagent.rules.sentences import sentence

TURNS_CHECK = "whole_turns"
"""The quality check that compares a trace's turns with those that its recipe asks for."""


def is_undecided(file: FoundFile, failed_checks: Collection[str] | None) -> bool:
    """Whether nothing should be put on record of a file yet.

    ``failed_checks`` are the quality checks that its trace does not pass, None where it is no trace at all.
    While somebody may still add to the file, that or too few turns are more likely a piece of a file than a
    bad one.
    """
    # A problem is final: the file could not be read at all, and waiting for more of it was tried.
    if file.whole or file.problem is not None:
        return False
    return failed_checks is None or TURNS_CHECK in failed_checks


def should_be_trace(file: FoundFile, configuration: Configuration) -> bool:
    """Whether a file that cannot be read holds the line, because by its name it is an export.

    Anything else, such as a drawing, a log or a link, raises an alarm alone.
    """
    layouts = (layout for layout, _ in configuration.layouts.values())
    patterns = configuration.settings.intake.files or (
        *READ_NAMES,
        *(p for x in layouts for p in x.match.names),
    )
    return file.regular and matches(file.name, patterns)


def revocations(names: Iterable[tuple[str, str]], memory: Memory, now: float) -> Entries:
    """A hold for each accepted part of which a file went on growing, given by name and former SHA-256.

    What was decided of the part rested on a piece of a trace; the whole file, when it is there, decides again.
    A reject or a hold stands meanwhile: both keep the part back.
    """
    grown = set(names)
    found: Entries = []
    for state in list(memory.sets.values()):
        if state.disposed != Disposition.ACCEPT:
            continue
        for result in state.results.values():
            name, sha256 = result.source.name, str(result.source.sha256)
            # With the digest: a later version of the file, decided since, did not grow.
            if (name, sha256) in grown or (file_of_trace(name), sha256) in grown:
                grew = reason(Code.GREW, file=name, seq=result.seq)
                body = bodies.disposition_body(state, PartDecision(Disposition.HOLD, (grew,), now), None)
                found.append(replace(body, withdrawn=sentence(grew)))
                break
    return found
