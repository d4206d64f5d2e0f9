"""Who a journal is: its identities one after the other, and the keys and origins of its checkpoints."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from edgeagent.codec.records.record import Record
from edgeagent.model.records import Adoption, Start, given


@dataclass(frozen=True, slots=True)
class KeyChange:
    """From record ``seq`` on the key ``new`` signs in the place of ``former``; both as their lines.

    ``endorsement`` is the note that should be signed by ``former``, empty where there is none.
    """

    seq: int
    former: str
    new: str
    endorsement: str


@dataclass(frozen=True, slots=True)
class JournalIdentity:
    """An identity of a journal: the hash of its first record, or of a person's adoption of an older copy.

    It holds from record ``first`` on up to ``last``, None while it is in force. ``keys`` are the public keys
    that its starts name; a key's name is the origin of the checkpoints that it signs. ``adopted`` is the record
    that began it, None for the first one. ``changes`` are those of the key within it.
    """

    hash: str
    first: int
    last: int | None = None
    adopted: Adoption | None = None
    keys: tuple[str, ...] = ()
    changes: tuple[KeyChange, ...] = ()

    @property
    def key(self) -> str:
        """The key in force, empty before the first start that names one."""
        return self.changes[-1].new if self.changes else self.keys[0] if self.keys else ""

    @property
    def origins(self) -> tuple[str, ...]:
        """Names of its keys."""
        return tuple(key.partition("+")[0] for key in self.keys)


@dataclass(frozen=True, slots=True)
class KnownAs:
    """All identities of a journal, the one in force last."""

    identities: tuple[JournalIdentity, ...] = ()

    @property
    def hash(self) -> str:
        """The identity in force; empty before the first record."""
        return self.identities[-1].hash if self.identities else ""

    @property
    def keys(self) -> tuple[str, ...]:
        """Every key that the journal's own records name, each once."""
        return tuple(dict.fromkeys(key for identity in self.identities for key in identity.keys))

    @property
    def changes(self) -> tuple[KeyChange, ...]:
        """Every change of a key within an identity."""
        return tuple(change for identity in self.identities for change in identity.changes)

    def of(self, origin: str) -> JournalIdentity | None:
        """The identity that issued a checkpoint of this origin; None where it is another journal's."""
        return next((i for i in self.identities if origin in i.origins), None)


def with_record(known: KnownAs, record: Record) -> KnownAs:
    """What is known of a journal with its next record."""
    body, all_of_it = record.body, known.identities
    if not all_of_it:
        all_of_it = (JournalIdentity(record.hash, record.seq),)
    # An adoption as first record begins no second identity beside the one of the journal itself.
    if isinstance(body, Adoption) and known.identities:
        ended = replace(all_of_it[-1], last=record.seq - 1)
        all_of_it = (*all_of_it[:-1], ended, JournalIdentity(record.hash, record.seq, adopted=body))
    last = all_of_it[-1]
    # A start without a key says nothing, and one with the key in force changes nothing.
    if isinstance(body, Start) and given(body.key, "") not in ("", last.key):
        key = given(body.key, "")
        changed = KeyChange(record.seq, last.key, key, given(body.endorsement, "")) if last.key else None
        last = replace(
            last,
            keys=tuple(dict.fromkeys((*last.keys, key))),
            changes=last.changes if changed is None else (*last.changes, changed),
        )
        all_of_it = (*all_of_it[:-1], last)
    # The same object where nothing changed: it is asked for each of millions of records.
    return known if all_of_it == known.identities else KnownAs(all_of_it)


def origin_of(names: Sequence[str], drawn: str) -> str:
    """The origin of a journal's checkpoints: names of the station (site, cell, name), and digits drawn for it.

    It is the key's name too, so that white space and plus signs are replaced.
    """
    plain = ("".join("-" if c == "+" or c.isspace() or not c.isprintable() else c for c in n) for n in names)
    return "/".join(("edgeagent", *plain, drawn))
