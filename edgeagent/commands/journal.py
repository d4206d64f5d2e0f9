"""Commands ``journal``: what it proves, what it says, and proofs of single parts."""

from __future__ import annotations

import dataclasses
import re
import sys
import traceback
from datetime import datetime
from pathlib import Path

import click

from edgeagent.codec.evidence.merkle import ProofError
from edgeagent.codec.evidence.notes import LOG, WITNESS
from edgeagent.codec.evidence.proofs import BYTES_MAX, check_proof
from edgeagent.codec.plain_text import clean
from edgeagent.commands.evidence_lines import proof_lines, proof_object, whole_lines
from edgeagent.commands.journal_lines import RecordFilter, followed_lines, record_lines
from edgeagent.commands.shared_options import CONFIG, OUT, with_offset
from edgeagent.commands.shared_output import json_line, refuse_existing, write_new
from edgeagent.commands.shared_progress import show_progress
from edgeagent.errors import JournalCorruptError, UsageError
from edgeagent.store.clock import SystemClock
from edgeagent.store.configuration import load_configuration
from edgeagent.store.evidence.adopt import adopt_journal
from edgeagent.store.evidence.keys import load_verifier_key, rotate_key
from edgeagent.store.evidence.prove import prove_part
from edgeagent.store.files import read_at_most
from edgeagent.store.verify import verify_journal

_FILES = click.Path(path_type=Path)
KEY = click.option(
    "--key", type=_FILES, multiple=True, help="A log's public key, one line in a file. May be repeated."
)
WITNESS_KEY = click.option(
    "--witness-key", type=_FILES, multiple=True, help="A witness's public key. May be repeated."
)
CHECKPOINTS = click.option(
    "--checkpoints",
    type=_FILES,
    multiple=True,
    help="A file or folder with checkpoints that others kept, such as a witness's. May be repeated.",
)


@click.group()
def journal() -> None:
    """Check and read the journal."""


@journal.command("verify")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--seen",
    multiple=True,
    metavar="SEQ:HEAD",
    help="A record number and hash from an MQTT message; the journal must still hold it. May be repeated.",
)
@KEY
@WITNESS_KEY
@CHECKPOINTS
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of sentences.")
def journal_verify(
    folder: Path,
    seen: tuple[str, ...],
    key: tuple[Path, ...],
    witness_key: tuple[Path, ...],
    checkpoints: tuple[Path, ...],
    as_json: bool,
) -> None:
    """Check the journal in FOLDER (the store or its journal folder), and say what it proves.

    Three levels: the chain is whole; signed by a key up to a record; witnessed by somebody else up to a record
    and since when. Only keys from elsewhere prove something against who can write here. Exit code 0 when it is
    whole and every key that was given vouches for some of it, else 1. Needs no configuration.

    \b
    Example:
      edgeagent journal verify store --key log.pub --witness-key witness.pub
    """
    keys = [load_verifier_key(path, LOG) for path in key]
    witnesses = [load_verifier_key(path, WITNESS) for path in witness_key]
    # Keys and anchors are read first: a mistyped option must not show after an hour of reading.
    pairs = [_anchor(s) for s in seen]
    try:
        whole = verify_journal(
            folder, pairs, keys=keys, witnesses=witnesses, checkpoints=checkpoints, progress=show_progress
        )
    except JournalCorruptError as error:
        traceback.clear_frames(error.__traceback__)  # takes the line of progress off the screen
        if as_json:
            found = {"whole": False, "segment": error.segment, "line": error.line, "reason": error.reason}
            click.echo(json_line(found))
        click.echo(f"edgeagent: not whole: {error}", err=True)
        sys.exit(1)
    if as_json:
        click.echo(json_line({"whole": True, **dataclasses.asdict(whole)}))
    else:
        for line in whole_lines(whole):
            click.echo(line)
    # Whole, yet exit code 1: a script that gave a key must not take an unsigned journal for a proved one.
    if not whole.as_asked:
        words = "not signed or witnessed by every key that was given"
        if whole.unendorsed:
            words = f"record {whole.unendorsed[0].seq} exchanges the key without the former key's signature"
        elif whole.unknown:
            words = f"record {whole.unknown[0].seq} begins an identity whose key was not given"
        click.echo(f"edgeagent: whole, but {words}", err=True)
        sys.exit(1)


@journal.command("prove")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--serial", required=True, help="Serial of the part.")
@click.option("--part", help="Its part number, where several parts have this serial.")
@CHECKPOINTS
@OUT
def journal_prove(
    folder: Path, serial: str, part: str | None, checkpoints: tuple[Path, ...], out: Path | None
) -> None:
    """Write the proof of one part from the store in FOLDER: one file that the public key alone checks.

    It holds the part's records as they stand, their paths in the journal's hash tree, and a signed checkpoint
    with its cosignatures. Nobody needs the store, this machine or a network to check it.

    \b
    Example:
      edgeagent journal prove store --serial 000412 --out 000412.proof.json
    """
    refuse_existing(out)
    data = prove_part(folder, serial, part, checkpoints)
    if out is None:
        click.echo(data.decode())
    else:
        write_new(out, data.decode())


@journal.command("check-proof")
@click.argument("file", type=click.Path(path_type=Path))
@KEY
@WITNESS_KEY
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of sentences.")
def journal_check_proof(
    file: Path, key: tuple[Path, ...], witness_key: tuple[Path, ...], as_json: bool
) -> None:
    """Check the proof in FILE with the public key that --key names, and say what it shows.

    Exit code 0 when it holds, else 1 with what is wrong. With --witness-key each of them must have cosigned.

    \b
    Example:
      edgeagent journal check-proof 000412.proof.json --key log.pub
    """
    # With several keys nobody could say whose word the proof rests on.
    if len(key) != 1:
        raise UsageError("check-proof takes exactly one --key, from somebody whom you trust")
    witnesses = [load_verifier_key(path, WITNESS) for path in witness_key]
    try:
        data = read_at_most(file, BYTES_MAX)
        proved = check_proof(data, load_verifier_key(key[0], LOG), witnesses)
    except (OSError, ProofError) as error:
        words = error.strerror if isinstance(error, OSError) else str(error)
        click.echo(f"edgeagent: {clean(file)}: proves nothing: {clean(words)}", err=True)
        sys.exit(1)
    # Each that was named must have cosigned: any of several would let one witness stand for all.
    missing = {w.name for w in witnesses} - {name for name, _ in proved.witnessed}
    for line in [json_line(proof_object(proved))] if as_json else proof_lines(proved):
        click.echo(line)
    if missing:
        click.echo(f"edgeagent: {clean(file)}: not cosigned by {', '.join(sorted(missing))}", err=True)
        sys.exit(1)


@journal.command("adopt")
@CONFIG
@click.option("--who", required=True, help="Your name; goes on record.")
@click.option("--why", required=True, help="Why an older copy is to be used; goes on record.")
def journal_adopt(config: Path, who: str, why: str) -> None:
    """Take over a store that was restored from an older copy, while no agent runs with it.

    The agent shows fault with such a store, since parts were decided that it knows nothing of. With this the
    journal begins a new identity and, at the next start, a new key; what was lost stays lost, and on record.

    \b
    Example:
      edgeagent journal adopt --config agent.toml --who "A. N." --why "disk failed, restored last night's copy"
    """
    texts = {"--who": who.strip(), "--why": why.strip()}
    for name, text in texts.items():
        if not 0 < len(text) <= 200:
            raise UsageError(f"{name}: 1 to 200 characters")
    store = load_configuration(config).store
    seq, identity = adopt_journal(store, texts["--who"], texts["--why"], SystemClock())
    click.echo(f"adopted with record {seq}: the journal is now {identity[:16]}; witnesses need its next key")


@journal.command("rotate-key")
@CONFIG
def journal_rotate_key(config: Path) -> None:
    """Exchange the key that signs checkpoints for a new one, endorsed by the old key, from the next start on.

    The endorsement goes on record with that start: who holds the old public key follows to the new one,
    witnesses too. The old private key is gone. Give auditors the new public key: whoever stole the old
    one could endorse another.

    \b
    Example:
      edgeagent journal rotate-key --config agent.toml
    """
    configuration = load_configuration(config)
    former, new = rotate_key(configuration.evidence_key, configuration.store / "journal")
    click.echo(f"exchanged: {former.id.hex()} by {new.id.hex()}, from the next start on: {new.text}")


@journal.command("show")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--part", help="Only records of this part number.")
@click.option("--serial", help="Only records of this serial.")
@click.option("--kind", help="Only records of this kind.")
@click.option("--since", type=click.DateTime(), help="Only records from this time on (UTC).")
@click.option("--until", type=click.DateTime(), help="Only records before this time (UTC).")
@click.option("--json", "as_json", is_flag=True, help="The records as they stand, one a line.")
@click.option("--follow", is_flag=True, help="Go on with the records that come, until interrupted.")
def journal_show(
    folder: Path, part: str | None, serial: str | None, kind: str | None, since: datetime | None,
    until: datetime | None, as_json: bool, follow: bool,
) -> None:  # fmt: skip
    """Print the records of the journal in FOLDER for a reader.

    \b
    Example:
      edgeagent journal show store --serial 000412
    """
    wanted = RecordFilter(part, serial, kind, with_offset(since), with_offset(until))
    lines = followed_lines if follow else record_lines
    for line in lines(folder, wanted, as_json=as_json):
        click.echo(line)


def _anchor(text: str) -> tuple[int, str]:
    seq, _, head = text.partition(":")
    # No journal counts beyond 18 digits, and endless ones would take the conversion minutes
    if not re.fullmatch("[0-9]{1,18}", seq) or not re.fullmatch("[0-9a-f]{64}", head):
        raise UsageError(f"--seen {text!r}: expected a record number, a colon and 64 hex digits")
    return int(seq), head
