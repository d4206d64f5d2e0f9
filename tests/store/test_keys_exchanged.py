"""The key of a journal exchanged for another: verification follows from the key that an auditor holds."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner
from evidence import checkpoint_of, key_of, part_bodies, roots_of
from records import body_of

from edgeagent.cli import main
from edgeagent.codec.evidence.checkpoints import TreeHead, sign_checkpoint
from edgeagent.codec.evidence.endorsements import endorse
from edgeagent.codec.evidence.identities import KnownAs, with_record
from edgeagent.codec.evidence.notes import LOG, SigningKey
from edgeagent.errors import EvidenceError, JournalCorruptError
from edgeagent.store.clock import SystemClock
from edgeagent.store.evidence.kept import KeptCheckpoints
from edgeagent.store.evidence.keys import endorsement_of, load_or_make_key, load_verifier_key, rotate_key
from edgeagent.store.journal import JournalReader, JournalWriter
from edgeagent.store.verify import verify_journal

OLD, NEW = key_of(), key_of(seed=1)


def store_of(folder: Path, endorsement: str | None) -> Path:
    """Four records under the old key, then a start under the new one and two more; each key signed its own."""
    writer = JournalWriter(folder / "journal", SystemClock(), 10**6)
    writer.open(lambda *_: None)
    writer.append([body_of("start", {"key": OLD.verifier.text}), *part_bodies("1"), body_of("stop")])
    more = {"endorsement": endorsement} if endorsement else {}
    writer.append([body_of("start", {"key": NEW.verifier.text, "boot": 2, **more}), *part_bodies("2")])
    writer.close()
    kept = KeptCheckpoints(folder)
    kept.keep(checkpoint_of(folder, 4, key=OLD))
    kept.keep(checkpoint_of(folder, 7, key=NEW))
    return folder


def verified(store: Path, *keys: SigningKey):
    return verify_journal(store, keys=[key.verifier for key in keys])


def command(store: Path, base: Path):
    (base / "old.pub").write_text(OLD.verifier.text)
    return CliRunner().invoke(main, ["journal", "verify", str(store), "--key", str(base / "old.pub")])


def test_endorsed_key_counts_for_whoever_holds_the_former_one(tmp_path):
    store = store_of(tmp_path / "store", endorse(NEW.verifier, OLD))
    whole = verified(store, OLD)
    assert (whole.signed[0].up_to, len(whole.signed[0].through), whole.as_asked) == (7, 1, True)
    assert verified(store, NEW).as_asked
    told = command(store, tmp_path)
    assert told.exit_code == 0, told.output
    assert "which the former key signed" in told.stdout
    assert "which it endorsed, up to record 7, its last" in told.stdout


@pytest.mark.parametrize(
    "endorsement", [None, endorse(NEW.verifier, NEW), endorse(key_of(seed=9).verifier, OLD)]
)
def test_change_that_the_former_key_did_not_sign_is_said_aloud(tmp_path, endorsement):
    store = store_of(tmp_path / "store", endorsement)
    whole = verified(store, OLD)
    assert (whole.signed[0].up_to, whole.as_asked, whole.unendorsed[0].seq) == (4, False, 5)
    told = command(store, tmp_path)
    assert told.exit_code == 1
    assert "NOT endorsed by the former key: what follows is signed by nobody who is known" in told.stdout
    assert "record 5 exchanges the key without the former key's signature" in told.stderr
    assert verified(store, OLD, NEW).as_asked  # the auditor holds both


def test_retired_key_signs_nothing_any_more(tmp_path):
    store = store_of(tmp_path / "store", endorse(NEW.verifier, OLD))
    (store / "evidence" / "checkpoints").unlink()
    KeptCheckpoints(store).keep(checkpoint_of(store, 7, key=OLD))
    whole = verified(store, OLD)
    assert (whole.signed[0].up_to, whole.as_asked) == (0, False)
    assert "of which the journal names another key" in whole.signed[0].why_not


def test_other_history_signed_by_an_endorsed_key_contradicts(tmp_path):
    store = store_of(tmp_path / "store", endorse(NEW.verifier, OLD))
    other = store_of(tmp_path / "other", endorse(NEW.verifier, OLD))
    with pytest.raises(JournalCorruptError, match="the history was changed"):
        verify_journal(store, keys=[OLD.verifier], checkpoints=[other / "evidence"])


def test_adoption_is_no_way_round_the_key_that_an_auditor_holds(tmp_path):
    store, mine = tmp_path / "store", key_of("edgeagent/another", 5)
    writer = JournalWriter(store / "journal", SystemClock(), 10**6)
    writer.open(lambda *_: None)
    writer.append([body_of("start", {"key": OLD.verifier.text}), *part_bodies("1")])
    adopted = {"what": "adopted", "who": "A. N.", "why": "lost", "user": "root", "before": writer.head}
    writer.append([body_of("identity", adopted), body_of("start", {"key": mine.verifier.text, "boot": 2})])
    writer.close()
    kept = KeptCheckpoints(store)
    kept.keep(checkpoint_of(store, 3, key=OLD))
    kept.keep(checkpoint_of(store, 5, key=mine))
    assert (verified(store, OLD).as_asked, verified(store, OLD, mine).as_asked) == (False, True)
    told = command(store, tmp_path)
    assert told.exit_code == 1
    assert "which --key does NOT name" in told.stdout
    assert "record 4 begins an identity whose key was not given" in told.stderr


def extended(store: Path, *bodies) -> int:
    """Write records behind the journal's end; returns how many there are then."""
    writer = JournalWriter(store / "journal", SystemClock(), 10**6)
    writer.open(lambda *_: None)
    writer.append(bodies)
    writer.close()
    return writer.seq


def test_stolen_key_of_an_identity_that_ended_signs_nothing_of_the_one_after_it(tmp_path):
    store, mine = tmp_path / "store", key_of("edgeagent/another", 5)
    extended(store, body_of("start", {"key": OLD.verifier.text}), *part_bodies("1"))
    head = JournalReader(store / "journal").read_from(None, 3)[-1][0].hash
    adopted = {"what": "adopted", "who": "A. N.", "why": "lost", "user": "root", "before": head}
    extended(store, body_of("identity", adopted), body_of("start", {"key": mine.verifier.text, "boot": 2}))
    kept = KeptCheckpoints(store)
    kept.keep(checkpoint_of(store, 3, key=OLD))
    kept.keep(checkpoint_of(store, 5, key=mine))
    assert [s.up_to for s in verified(store, OLD, mine).signed] == [3, 5]
    # Who holds the old key alone writes on, under the new identity's name and his own signature.
    size = extended(store, *part_bodies("forged"))
    forged = sign_checkpoint(TreeHead("edgeagent/another", size, roots_of(store)[size]), OLD)
    kept.keep(forged)
    assert [s.up_to for s in verified(store, OLD, mine).signed] == [3, 5]
    alone = verify_journal(store, keys=[OLD.verifier], checkpoints=[])
    assert alone.signed[0].up_to == 3


def test_key_that_the_journal_never_names_signs_nothing_of_it(tmp_path):
    store, other = tmp_path / "store", key_of(seed=7)
    size = extended(store, body_of("start", {"key": OLD.verifier.text}), *part_bodies("1"))
    KeptCheckpoints(store).keep(checkpoint_of(store, size, key=other))
    whole = verified(store, other)
    assert (whole.signed[0].up_to, whole.as_asked) == (0, False)
    assert "of which the journal names another key" in whole.signed[0].why_not
    assert [s.up_to for s in verify_journal(store).signed] == [0], "nor where no key is given"


def test_retired_key_that_comes_back_is_said_aloud_though_an_auditor_holds_it_too(tmp_path):
    store = store_of(tmp_path / "store", endorse(NEW.verifier, OLD))
    assert verified(store, OLD, NEW).as_asked
    # Who stole the retired key begins with it once more behind what the new one signed.
    size = extended(store, body_of("start", {"key": OLD.verifier.text, "boot": 3}), *part_bodies("forged"))
    KeptCheckpoints(store).keep(checkpoint_of(store, size, key=OLD))
    whole = verified(store, OLD, NEW)
    assert (whole.as_asked, [c.seq for c in whole.unendorsed]) == (False, [8])


def test_exchanged_key_lies_in_its_place_with_an_endorsement_for_the_next_start(tmp_path):
    path, store = tmp_path / "log.key", store_of(tmp_path / "store", None)
    first = load_or_make_key(path, "log/1", LOG).verifier
    former, new = rotate_key(path, store / "journal")
    assert (former, load_or_make_key(path, "", LOG).verifier) == (first, new)
    assert (load_verifier_key(tmp_path / "log.key.pub", LOG), path.stat().st_mode & 0o777) == (new, 0o600)
    known = KnownAs()
    for record, _ in JournalReader(store / "journal").walk():
        known = with_record(known, record)
    assert known.changes[0].seq == 5
    assert endorsement_of(path, new.text, known)  # another key is in force: this one must say who names it
    assert endorsement_of(path, NEW.verifier.text, known) == ""
    assert endorsement_of(path, new.text, KnownAs()) == ""
    with pytest.raises(EvidenceError, match="the next start puts that on record"):
        rotate_key(path, store / "journal")  # the key on record could not endorse a third one
    (tmp_path / "log.key.pub").write_text(first.text)  # interrupted before its last step
    with pytest.raises(EvidenceError, match="is finished now"):
        rotate_key(path, store / "journal")
    assert load_verifier_key(tmp_path / "log.key.pub", LOG) == new
