"""Is the gate closed for the line as a whole? The lamp asks, before any part has."""

from __future__ import annotations

from edgeagent.codec.records.record import utc_text_of
from edgeagent.judging.configuration import Configuration
from edgeagent.judging.memory import Memory
from edgeagent.model.status import GateNow
from edgeagent.rules.gate import closed_reason

RETIRED_H = 7 * 24.0
"""An instrument whose passed verification ran out longer ago no longer closes the gate of the others."""


def line_gate_closed(memory: Memory, configuration: Configuration, now: float) -> bool:
    """Whether parts would be held at ``now`` (POSIX seconds) by the gate, whichever instrument measures them.

    Each instrument that was ever verified counts, and where none was, the station's own. The gate is closed
    when it is for one of them.
    """
    wanted = configuration.settings.verification
    if wanted is None or wanted.max_age_h is None:
        return False
    # The certificates in force are not those on disk: which of them is right, only a person knows.
    if memory.certificate_refused is not None:
        return True
    certificate = configuration.certificates.get(wanted.artefact)
    sha256 = certificate[1].sha256 if certificate is not None else None
    # A cell that was never verified has a closed gate, not none.
    names = sorted(memory.verified) or [configuration.settings.station.name]
    closed = [
        name
        for name in names
        if closed_reason(memory.verified.get(name), wanted.artefact, wanted.max_age_h, name, now, sha256)
    ]
    # Asked before the retired ones are left out: with all of them retired no part can be accepted.
    if len(closed) == len(names):
        return True
    retired_before = now - 3600 * max(RETIRED_H, wanted.max_age_h)
    last = [memory.verified[name] for name in closed]
    return any(not verified.passed or verified.measured_at > retired_before for verified in last)


def line_gate(memory: Memory, configuration: Configuration, now: float) -> GateNow:
    """Whether the gate is closed for the line, and until when (RFC 3339) it stays open if nothing comes."""
    wanted = configuration.settings.verification
    if wanted is None or wanted.max_age_h is None:
        return GateNow(closed=False, until=None)
    closed = line_gate_closed(memory, configuration, now)
    ends = [v.measured_at + 3600 * wanted.max_age_h for v in memory.verified.values() if v.passed]
    # The first that ends closes it for the line, as no part says beforehand which instrument will measure it.
    ahead = [end for end in ends if end > now]
    return GateNow(closed, utc_text_of(min(ahead)) if ahead and not closed else None)
