"""What a journal names in its archive, and what lies there that no record names."""

from __future__ import annotations

from collections.abc import Collection

from edgeagent.codec.records.record import Record
from edgeagent.errors import ConfigError, JournalCorruptError
from edgeagent.judging.configuration import Configuration
from edgeagent.judging.replaying.references import configuration_from, manifest_files, references
from edgeagent.model.records import ConfigurationRead, Sealing
from edgeagent.store.archive import Archive


class Contents:
    """Notes every content that records name. ``missing`` are those found nowhere: record, what, and digest.

    ``unknown`` are those that were sealed by a manifest alone, before such files went on record.
    ``unread`` are configurations that this version cannot read, ``sealed_away`` counts those that lie in a
    sealed file which is not at hand, ``sealings`` are the records of such files.
    """

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        # Listed once: a look at the disk for each name of a million records would take longer than reading
        # them.
        self._there = {digest for digest, _ in archive.objects()}
        self._named: set[str] = set()
        self.missing: list[tuple[int, str, str]] = []
        self.unknown: list[tuple[int, str, str]] = []
        self.unread: list[tuple[int, str, str]] = []
        self._away: list[tuple[int, str, str]] = []
        self.sealings: list[Sealing] = []
        self.sealed_away = 0

    def note(self, record: Record) -> None:
        """The contents that a record names."""
        if isinstance(record.body, Sealing):
            self.sealings.append(record.body)
        for what, digest in references(record.body):
            self._note(record.seq, what, digest)

    def configuration(self, seq: int, body: ConfigurationRead) -> Configuration | None:
        """The configuration that came into force with a record; None where it is not to be had any more."""
        try:
            files = manifest_files(self._archive.get(body.manifest_sha256))
            for named in files:
                self._note(seq, named.name, named.sha256)
            found = {f.name: self._archive.get(f.sha256) for f in files}
            return configuration_from(found, body.agent_sha256)
        # Not an end: what follows is derived by no configuration, and the report says from which record on.
        except (ConfigError, JournalCorruptError) as error:
            self.unread.append((seq, "configuration", f"cannot be read, nothing is derived by it: {error}"))
            return None

    def ended(self, vouched: Collection[str], earlier: Collection[str]) -> None:
        """After the last record: of what is said to be sealed away, only ``vouched`` contents are for sure.

        Those of ``earlier`` manifests are unknown.
        """
        for seq, what, digest in self._away:
            if digest in vouched:
                self.sealed_away += 1
            elif digest in earlier:
                words = f"{digest} was sealed by its manifest alone: its file is needed (--sealed)"
                self.unknown.append((seq, what, words))
            else:
                words = f"{digest} is in no archive, and no record says that it was sealed"
                self.missing.append((seq, what, words))

    def orphans(self) -> list[str]:
        """Digests of contents that no record names."""
        return sorted(self._there - self._named)

    def _note(self, seq: int, what: str, digest: str) -> None:
        if digest in self._named:
            return
        self._named.add(digest)
        if digest in self._there:
            return
        # Only noted: which sealings the journal has on record is known at its end, and decides what that is
        # worth.
        if self._archive.is_away(digest):
            self._away.append((seq, what, digest))
        elif not self._archive.knows_of(digest):
            self.missing.append((seq, what, f"{digest} is in no archive"))
