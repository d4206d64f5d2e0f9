"""What a journal proves, level by level, when somebody with access has been at it, with the key or without."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from evidence import SEEN_AT, WITNESS_KEY, checkpoint_of, key_files, rewritten, signed_store
from field import copy_station

from edgeagent.cli import main
from edgeagent.store.evidence.kept import KeptCheckpoints

END = 14


@pytest.fixture(scope="module")
def original(tmp_path_factory) -> Path:
    base = tmp_path_factory.mktemp("signed")
    signed_store(base / "store")
    key_files(base)
    return base


@pytest.fixture
def base(original, tmp_path) -> Path:
    copy_station(original, tmp_path / "base")
    return tmp_path / "base"


def verify(base: Path, *more: str, keys: bool = True, witness: bool = True):
    options = ["--key", str(base / "log.pub")] if keys else []
    options += ["--witness-key", str(base / "witness.pub")] if witness else []
    return CliRunner().invoke(main, ["journal", "verify", str(base / "store"), *options, *more])


def turned(record: dict) -> list[dict]:
    """The first accept becomes a reject, with fitting hashes."""
    if record["kind"] == "disposition" and record["body"]["serial"] == "0":
        record["body"]["disposition"] = "reject"
    return [record]


def test_three_levels_of_an_untouched_journal(base):
    told = verify(base)
    assert told.exit_code == 0, told.output
    whole, signed, witnessed, head = told.stdout.splitlines()
    assert whole.startswith("whole: 14 records in ")
    assert "up to record 14, its last" in signed
    assert signed.startswith("signed: by edgeagent/plant-a/cell-3/gauge-1/")
    assert "itself names" not in signed
    assert witnessed.endswith("up to record 10 of 14 at 2027-01-15T08:00:00.000000Z")
    assert head.startswith("head 14:")


def test_without_keys_it_says_that_only_the_journal_vouches_for_its_key(base):
    told = verify(base, keys=False, witness=False)
    assert told.exit_code == 0
    assert "a key that the journal itself names: give --key to trust one from elsewhere" in told.stdout
    assert "witnessed: not asked for" in told.stdout
    shutil.rmtree(base / "store" / "evidence")
    told = verify(base, keys=False, witness=False)
    assert "signed: NOT by edgeagent/plant-a" in told.stdout


def test_rewritten_history_is_whole_for_the_chain_and_contradicts_both_signatures(base):
    rewritten(base / "store", turned)
    shutil.move(base / "store" / "evidence", base / "evidence")
    assert verify(base, keys=False, witness=False).exit_code == 0  # what the chain alone can say
    for options in ({"keys": True, "witness": False}, {"keys": False, "witness": True}):
        told = verify(base, "--checkpoints", str(base / "evidence"), **options)
        assert told.exit_code == 1
        assert "the history was changed" in told.stderr


def test_forger_with_the_log_s_key_convinces_the_key_but_not_the_witness(base):
    store = base / "store"
    rewritten(store, turned)
    shutil.move(store / "evidence", base / "others")
    KeptCheckpoints(store).keep(checkpoint_of(store, END))
    assert "up to record 14, its last" in verify(base, witness=False).stdout
    told = verify(base, "--checkpoints", str(base / "others" / "cosigned"))
    assert told.exit_code == 1
    assert "the history was changed" in told.stderr


def test_cut_end_is_named_by_key_and_witness(base):
    left = [11]

    def cut(record: dict) -> list[dict]:
        left[0] -= 1
        return [record] if left[0] >= 0 else []

    rewritten(base / "store", cut)
    told = verify(base, witness=False)
    assert told.exit_code == 1
    assert "the journal ends at record 11, but edgeagent/plant-a/cell-3/gauge-1/" in told.stderr
    assert "signed 14 records" in told.stderr
    shutil.move(base / "store" / "evidence" / "cosigned", base / "others")
    shutil.rmtree(base / "store" / "evidence")
    # The witness saw ten: it cannot miss the rest, and says up to where it saw
    told = verify(base, "--checkpoints", str(base / "others"), keys=False)
    assert (told.exit_code, "up to record 10 of 11" in told.stdout) == (0, True)
    shutil.move(base / "store" / "journal", base / "journal")
    (base / "store" / "journal").mkdir()
    cut = (base / "journal" / "00000001.jsonl").read_bytes().splitlines(keepends=True)[:9]
    (base / "store" / "journal" / "00000001.jsonl").write_bytes(b"".join(cut))
    told = verify(base, "--checkpoints", str(base / "others"), keys=False)
    assert told.exit_code == 1
    assert "the journal ends at record 9, but " in told.stderr


def test_evidence_taken_away_is_missed_where_a_key_is_given(base):
    shutil.rmtree(base / "store" / "evidence")
    told = verify(base)
    assert told.exit_code == 1
    assert "signed: NOT by" in told.stdout
    assert "witnessed: NOT by" in told.stdout
    assert told.stderr.count("\n") == 1


@pytest.mark.parametrize("place", ["checkpoint", "checkpoints"])
def test_checkpoint_edited_in_the_store_vouches_for_nothing(base, place):
    shutil.rmtree(base / "store" / "evidence" / "cosigned")
    for path in (base / "store" / "evidence").iterdir():
        if path.name != place:
            path.unlink()
    path = base / "store" / "evidence" / place
    path.write_text(path.read_text().replace("\n14\n", "\n13\n").replace("\n2\n", "\n3\n"))
    told = verify(base, witness=False)
    assert told.exit_code == 1
    assert "is wrong" in told.stdout


def test_checkpoints_of_another_journal_neither_vouch_nor_accuse(base, tmp_path):
    other = signed_store(tmp_path / "other", parts=9, origin="edgeagent/other")
    told = verify(base, "--checkpoints", str(other / "evidence"))
    assert told.exit_code == 0, told.output
    assert "up to record 14, its last" in told.stdout
    shutil.rmtree(base / "store" / "evidence")
    shutil.copytree(other / "evidence", base / "store" / "evidence")
    assert verify(base).exit_code == 1


def test_earliest_statement_of_the_witness_about_its_last_record_counts(base):
    later = checkpoint_of(base / "store", 10, witness=WITNESS_KEY)
    (base / "more").write_text(later.whole)
    told = json.loads(verify(base, "--json", "--checkpoints", str(base / "more")).stdout)
    assert told["witnessed"][0]["up_to"] == 10
    assert told["signed"][0]["given"] is True
    assert SEEN_AT == 1_800_000_000


@pytest.mark.parametrize("content", ["", "no key", "a+00000000+AAAA"])
def test_file_that_is_no_key_is_one_line(base, content):
    (base / "log.pub").write_text(content)
    told = verify(base)
    assert (told.exit_code, told.stdout, told.stderr.count("\n")) == (1, "", 1)


def test_witness_s_key_is_not_taken_for_a_log_s(base):
    told = CliRunner().invoke(
        main, ["journal", "verify", str(base / "store"), "--key", str(base / "witness.pub")]
    )
    assert told.exit_code == 1
    assert "another type" in told.stderr


def test_evidence_rolled_back_vouches_for_less_and_says_up_to_where(base):
    store = base / "store"
    first, rest = (store / "evidence" / "checkpoints").read_text().split("\n---\n", 1)
    assert rest
    for name in ("checkpoint", "checkpoints"):
        (store / "evidence" / name).write_text(f"{first}\n---\n" if name == "checkpoints" else first)
    shutil.rmtree(store / "evidence" / "cosigned")
    KeptCheckpoints(store).keep_cosigned(checkpoint_of(store, 2, witness=WITNESS_KEY), WITNESS_KEY.name)
    told = verify(base)
    assert told.exit_code == 0, told.output
    assert "up to record 2 of 14" in told.stdout.splitlines()[1]
    assert "up to record 2 of 14" in told.stdout.splitlines()[2]


def test_two_histories_under_one_key_contradict_each_other(base, tmp_path):
    other = signed_store(tmp_path / "other", parts=5)
    told = verify(base, "--checkpoints", str(other / "evidence"))
    assert told.exit_code == 1
    assert "the history was changed" in told.stderr
