"""A person takes over a journal that is older than what others saw of it: from here on it is another one."""

from __future__ import annotations

import os
from pathlib import Path

from edgeagent.codec.evidence.identities import KnownAs, with_record
from edgeagent.codec.records.record import Place, Record
from edgeagent.errors import JournalCorruptError
from edgeagent.model.records import Adoption
from edgeagent.store.clock import Clock
from edgeagent.store.journal import JournalWriter
from edgeagent.store.running.system_user import UserNames


def adopt_journal(store: Path, who: str, why: str, clock: Clock) -> tuple[int, str]:
    """Begin a new identity with a record that says who did so and why; returns its number and the identity.

    Only while no agent runs. Raises JournalLockedError where one does, and what opening the journal raises.
    """
    journal = store / "journal"
    if not journal.is_dir():
        raise JournalCorruptError(str(journal), 0, "there is no journal here")
    known = KnownAs()

    def visit(record: Record, _place: Place) -> None:
        nonlocal known
        known = with_record(known, record)

    # No new segment behind the one record: the next start continues the last one as its own settings say.
    writer = JournalWriter(journal, clock, segment_bytes=1 << 62)
    try:
        writer.open(visit)
        uid = os.getuid()
        # The operating system's word beside the name that was typed, which anybody may type.
        user = UserNames()(uid) or str(uid)
        (record,) = writer.append([Adoption(who=who, why=why, user=user, before=known.hash)])
    finally:
        writer.close()
    return record.seq, record.hash
