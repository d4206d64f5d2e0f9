"""Command ``witness``: follow the checkpoints of other machines, and cosign what only grows."""

from __future__ import annotations

import platform
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import click
import msgspec

from edgeagent.codec.configuration.settings import Mqtt
from edgeagent.codec.evidence.notes import LOG, WITNESS, SignedNote, VerifierKey
from edgeagent.codec.evidence.witnessing import Refusal, WitnessDocument, read_document
from edgeagent.codec.plain_text import clean
from edgeagent.codec.records.result import encode
from edgeagent.errors import ConfigError, UsageError
from edgeagent.service.broker.witness_client import WitnessClient
from edgeagent.store.evidence.keys import load_or_make_key, load_verifier_key
from edgeagent.store.evidence.witness import Looked, WitnessFolder, WitnessMemory

_FILES = click.Path(path_type=Path)


@click.command()
@click.option("--key", type=_FILES, required=True, help="The witness's private key; made where there is none.")
@click.option("--log", type=_FILES, multiple=True, help="Public key of a log to follow. May be repeated.")
@click.option("--folder", type=_FILES, multiple=True, help="Folder that agents name in [evidence] witness.")
@click.option("--url", help="Broker to follow the retained topic instead, such as mqtts://broker:8883.")
@click.option("--prefix", help="The agent's topic prefix, with --url.")
@click.option("--user", help="User at the broker.")
@click.option("--password-file", type=_FILES, help="File with the password at the broker.")
@click.option("--ca", type=_FILES, help="Certificate authority of the broker.")
@click.option("--name", help="The witness's name, for a key that is made. Default: witness/HOST.")
@click.option("--every", default=5.0, show_default=True, help="Seconds between two looks at the folders.")
@click.option("--once", is_flag=True, help="Look at the folders once and end.")
def witness(
    key: Path,
    log: tuple[Path, ...],
    folder: tuple[Path, ...],
    url: str | None,
    prefix: str | None,
    user: str | None,
    password_file: Path | None,
    ca: Path | None,
    name: str | None,
    every: float,
    once: bool,
) -> None:
    """Follow the journals of other machines, and say when each was seen to have only grown.

    A process of its own, by another user or on another computer. It remembers what it cosigned beside its key,
    checks that each later checkpoint continues it, and refuses another history. No network service: it reads
    folders, or the broker's retained topic. Exit code 0 after --once; 1 when something contradicted.

    \b
    Example:
      edgeagent witness --key witness.key --log log.key.pub --folder /mnt/evidence
    """
    # One of both: the topic is followed without end, and folders beside it would never be looked at.
    if bool(url) != bool(prefix) or bool(folder) == bool(url) or (once and url):
        raise UsageError("give --folder, or --url and --prefix, not both; --once goes with folders alone")
    # Before the logs are read, so that a first call prints the public key which the agents' people need.
    signing = load_or_make_key(key, name or f"witness/{platform.node()}", WITNESS)
    click.echo(f"this witness: {signing.verifier.text}")
    logs: list[VerifierKey] = [load_verifier_key(path, LOG) for path in log]
    if not logs:
        raise UsageError("give the public key of each log to follow with --log")
    memory = WitnessMemory(key.with_name(f"{key.name}.seen.json"), signing, logs)
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda _n, _f: stop.set())
    round_ = _Round(memory, signing.verifier.name)
    try:
        if url is not None and prefix is not None:
            settings = _broker(url, user, password_file, ca)
            client = WitnessClient(settings, prefix, Path.cwd(), signing.verifier.name)
            _follow_topic(client, round_, stop)
        while not stop.is_set() and folder:
            for each in folder:
                for line in round_.look_at(WitnessFolder(each)):
                    click.echo(line)
            if once:
                break
            stop.wait(every)
    finally:
        memory.close()
    if round_.contradicted:
        raise SystemExit(1)


class _Round:
    """Looks at documents and says what is new; the same answer twice is said once."""

    def __init__(self, memory: WitnessMemory, name: str) -> None:
        self._memory, self._name = memory, name
        self._said: dict[str, str] = {}
        self.contradicted = False

    def look_at(self, folder: WitnessFolder) -> Iterator[str]:
        for log, data in folder.documents():
            looked = self.look(data)
            evidence = b""
            if looked.error is not None and looked.error.fork:
                # Both signed histories go into the folder: whoever signed them cannot deny that there were two.
                evidence = self._memory.evidence(looked.origin, read_document(data))
            try:
                folder.answer(log, looked, self._name, evidence)
            except OSError as error:
                yield f"{clean(log)}: cannot be written: {error.strerror}"
            yield from self.news(looked)

    def look(self, data: bytes) -> Looked:
        looked = self._memory.look(data, int(time.time()))
        self.contradicted |= looked.error is not None and looked.error.fork
        return looked

    def contradicted_note(self, looked: Looked) -> SignedNote | None:
        """What this witness saw before a contradiction: the log learns from it that it is an older copy."""
        fork = looked.error is not None and looked.error.fork
        return self._memory.witnessed(looked.origin) if fork else None

    def news(self, looked: Looked) -> Iterator[str]:
        if looked.note is not None:
            words = f"cosigned {looked.note.text.splitlines()[1]} records"
        else:
            words = f"{'REFUSED' if looked.error and looked.error.fork else 'not cosigned'}: {looked.error}"
        # It comes with the next document, which has the path from where this witness stands.
        quiet = looked.error is not None and looked.error.refusal == Refusal.NO_PATH
        if self._said.get(looked.origin) != words and not quiet:
            self._said[looked.origin] = words
            yield f"{clean(looked.origin) or 'a document'}: {clean(words)}"


def _follow_topic(client: WitnessClient, round_: _Round, stop: threading.Event) -> None:
    """Cosign what comes on the retained topic until told to stop."""
    try:
        while not stop.is_set():
            data, problem = client.next(0.5), client.problem()
            if problem is not None:
                click.echo(f"edgeagent: {problem or 'connected again'}", err=True)
            if data is None:
                continue
            looked = round_.look(data)
            # Also after a contradiction: what was cosigned before it tells the log that it is the older copy.
            note = looked.note or round_.contradicted_note(looked)
            if note is not None:
                client.answer(encode(WitnessDocument(note.whole)))
            for line in round_.news(looked):
                click.echo(line)
    finally:
        client.close()


def _broker(url: str, user: str | None, password_file: Path | None, ca: Path | None) -> Mqtt:
    tls = {"tls": {"ca": str(ca.absolute())}} if ca is not None else {}
    password = {"password_file": str(password_file.absolute())} if password_file is not None else {}
    try:
        return msgspec.convert({"url": url, **({"user": user} if user else {}), **password, **tls}, Mqtt)
    except msgspec.ValidationError as error:
        raise ConfigError("--url", "", str(error)) from error
