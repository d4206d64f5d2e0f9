"""The configuration folder as one frozen value: ``agent.toml``, recipes, certificates and layouts.

All of it is read and checked before any of it is used, so that a reload swaps everything or nothing.
"""

from __future__ import annotations

import contextlib
import stat
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from edgeagent.codec.configuration.recipe import referenced_files
from edgeagent.codec.configuration.schema import place_of_key
from edgeagent.codec.configuration.settings import Certificate, parse_certificate, parse_settings
from edgeagent.codec.configuration.spindle import parse_spindle
from edgeagent.codec.evidence.approvals import SUFFIX as APPROVAL_SUFFIX
from edgeagent.codec.evidence.approvals import approval_times, approved_by, newest_approvals, older_approvals
from edgeagent.codec.evidence.notes import LOG, NoteError, VerifierKey
from edgeagent.codec.limits import CONFIGURATION_BYTES_MAX
from edgeagent.codec.traces.layout import Layout
from edgeagent.errors import ConfigError, EvidenceError, JournalError, UnfilledError
from edgeagent.judging.configuration import (
    Configuration,
    Document,
    LoadedRecipe,
    layout_from_document,
    recipe_from_documents,
    with_approval,
)
from edgeagent.judging.memory import Memory
from edgeagent.judging.replaying.references import manifest_files
from edgeagent.store.archive import Archive
from edgeagent.store.evidence.keys import load_verifier_key
from edgeagent.store.files import read_at_most


@dataclass(frozen=True, slots=True, kw_only=True)
class StationConfiguration(Configuration):
    """The configuration of a station with the place it was read from."""

    path: Path

    @property
    def folder(self) -> Path:
        """The folder of ``agent.toml``, from which its relative paths count."""
        return self.path.parent

    @property
    def store(self) -> Path:
        """The store's folder."""
        return self.folder / self.settings.store.folder

    @property
    def evidence_key(self) -> Path:
        """The private key that signs checkpoints."""
        named = self.settings.evidence.key
        return self.folder / named if named is not None else self.store / "keys" / "log.key"

    @property
    def witnesses(self) -> tuple[Path, ...]:
        """The folders of witnesses."""
        return tuple(self.folder / name for name in self.settings.evidence.witness)


def load_configuration(path: Path, *, recipes_folder: Path | None = None) -> StationConfiguration:
    """Read and check ``agent.toml`` and the folders beside it.

    ``recipes_folder`` replaces the recipes, to ask what other limits would have decided. Raises ConfigError
    naming file, line, key, value and what is allowed.
    """
    path = path.absolute()
    document = _document(path, path.name)
    settings = parse_settings(document.data, path.name)
    certificates = _certificates(path.parent / "artefacts")
    # Here, not where it is used: a name without a certificate would hold every part, one trace after the other.
    wanted = settings.uncertainty.artefact if settings.uncertainty is not None else None
    if wanted is not None and wanted not in certificates:
        raise ConfigError(
            # Decoded once more only to name the line: the parsed values know none.
            place_of_key(path.name, document.data.decode("utf-8-sig", "replace"), "uncertainty.artefact"),
            "uncertainty.artefact",
            "no certificate for it",
            value=wanted,
            allowed=", ".join(certificates),
        )
    spindle_file = settings.uncertainty.spindle_file if settings.uncertainty is not None else None
    spindle = None
    if spindle_file is not None:
        try:
            spindle = _document(path.parent / spindle_file, spindle_file)
        except ConfigError as error:
            text, key = document.data.decode("utf-8-sig", "replace"), "uncertainty.spindle_file"
            raise ConfigError(
                place_of_key(path.name, text, key), key, "cannot be read", value=spindle_file
            ) from error
    folder, approvers = recipes_folder or path.parent / "recipes", settings.evidence.approvers
    recipes = load_recipes(folder)
    approvals: list[Document] = []
    if approvers:
        keys, approvals = _approvers(path, approvers)
        for part, one in recipes.items():
            # Names begin with the recipes' folder, which a what-if may take from elsewhere.
            note = _approval(one.document, folder.parent)
            with _refused(one.document):
                recipes[part] = with_approval(one, note.data, keys)
            approvals.append(note)
        for _, certificate in certificates.values():
            note = _approval(certificate, path.parent)
            with _refused(certificate):
                approved_by(note.data, {Path(certificate.name).name: certificate.sha256}, keys)
            # On record with what they approve: an auditor must see that an older one was not put back.
            approvals.append(note)
    return StationConfiguration(
        path=path,
        spindle=() if spindle is None else parse_spindle(spindle.data, spindle.name),
        spindle_document=spindle,
        settings=settings,
        document=document,
        recipes=recipes,
        layouts=_layouts(path.parent / "layouts"),
        certificates=certificates,
        approvals=tuple(approvals),
    )


def _approvers(path: Path, names: Sequence[str]) -> tuple[list[VerifierKey], list[Document]]:
    """The public keys of those who may approve, and their files; a key under two names is one person twice."""
    keys, documents = list[VerifierKey](), list[Document]()
    for name in names:
        try:
            key = load_verifier_key(path.parent / name, LOG)
            documents.append(_document(path.parent / name, name))
        except EvidenceError as error:
            raise ConfigError(path.name, "evidence.approvers", str(error), value=name) from error
        # Two names for one key would let one person approve as two.
        if any(key.public == other.public for other in keys):
            raise ConfigError(path.name, "evidence.approvers", "the key of another of them too", value=name)
        keys.append(key)
    return keys, documents


_ASKED = "a signature of one of evidence.approvers, by `edgeagent approve`"


def _approval(document: Document, base: Path) -> Document:
    """The note beside a file. Raises ConfigError where there is none."""
    name = f"{document.name}{APPROVAL_SUFFIX}"
    try:
        return Document(name, read_at_most(base / name, CONFIGURATION_BYTES_MAX))
    except OSError as error:
        raise ConfigError(document.name, "", "there is no approval beside it", allowed=_ASKED) from error


@contextlib.contextmanager
def _refused(document: Document) -> Iterator[None]:
    """What is wrong with an approval, as an error of the file that it is of."""
    try:
        yield
    except NoteError as error:
        raise ConfigError(document.name, "", f"its approval: {error}", allowed=_ASKED) from error


def refuse_superseded_approvals(newest: Mapping[str, str], fresh: Configuration) -> None:
    """Raise ConfigError where an approval is older than the newest that was in force under its file's name."""
    for name in older_approvals({d.name: d.data for d in fresh.approvals}, newest):
        last = newest.get(name, newest.get("", ""))
        words = f"its approval is older than that of {last}: an earlier version was put back"
        raise ConfigError(name.removesuffix(APPROVAL_SUFFIX), "", words, allowed="a new approval of it")


def load_recipes(folder: Path) -> dict[str, LoadedRecipe]:
    """All recipes of a folder by part number. Raises ConfigError; a part number may have one recipe only."""
    found: dict[str, LoadedRecipe] = {}
    for path in _toml_files(folder):
        name = f"{folder.name}/{path.name}"
        document = _document(path, name)
        files = {
            wanted: _document(path.parent / wanted, f"{folder.name}/{wanted}")
            for wanted in referenced_files(document.data, name)
        }
        loaded = recipe_from_documents(document, files)
        part = loaded.recipe.part
        # Which of the two judges a part would depend on the names of the files.
        if part in found:
            raise ConfigError(
                name, "part", f"{found[part].document.name} is a recipe for it already", value=part
            )
        found[part] = loaded
    return found


def _layouts(folder: Path) -> dict[str, tuple[Layout, Document]]:
    """All layouts of a folder by file name. Raises ConfigError; names all that is still to be filled in."""
    found, unfilled = {}, list[tuple[str, UnfilledError]]()
    for path in _toml_files(folder):
        document = _document(path, f"layouts/{path.name}")
        try:
            found[path.name] = layout_from_document(document), document
        except UnfilledError as error:
            unfilled.append((document.name, error))
    if unfilled:
        # A person who fills in one file after the other would run the check once for each
        _, first = unfilled[0]
        others = [f"{place} in {name}" for name, error in unfilled[1:] for place in error.places]
        raise UnfilledError(first.file, first.key, [*first.places, *others])
    return found


def _certificates(folder: Path) -> dict[str, tuple[Certificate, Document]]:
    found: dict[str, tuple[Certificate, Document]] = {}
    for path in _toml_files(folder):
        document = _document(path, f"artefacts/{path.name}")
        certificate = parse_certificate(document.data, document.name)
        if certificate.artefact in found:
            first = found[certificate.artefact][1].name
            where = place_of_key(document.name, document.data.decode("utf-8-sig", "replace"), "artefact")
            raise ConfigError(where, "artefact", f"{first} certifies it already", value=certificate.artefact)
        found[certificate.artefact] = certificate, document
    return found


def _toml_files(folder: Path) -> list[Path]:
    # Sorted, so that the same folder gives the same manifest, and errors come in the same order.
    return sorted(p for p in folder.glob("*.toml") if p.is_file()) if folder.is_dir() else []


def _document(path: Path, name: str) -> Document:
    try:
        # Read once: what is checked, judged by and archived are the same bytes, whoever edits the file
        # meanwhile.
        return Document(name, read_at_most(path, CONFIGURATION_BYTES_MAX))
    except OSError as error:
        raise ConfigError(name, "", f"cannot be read: {error.strerror}") from error


def files_in_force(archive: Archive, manifest: str) -> tuple[frozenset[str], dict[str, bytes]]:
    """Digests of the files of the last configuration on record, and these by name; empty without one."""
    files: dict[str, bytes] = {}
    try:
        named = manifest_files(archive.get(manifest))
    except (JournalError, ConfigError):
        # A lost manifest makes every file a changed one, which the record then says; it does not keep the agent
        # from starting.
        return frozenset(), files
    for one in named:
        with contextlib.suppress(JournalError):
            files[one.name] = archive.get(one.sha256)
    return frozenset(one.sha256 for one in named), files


def files_before(
    archive: Archive, memory: Memory, fresh: Configuration
) -> tuple[frozenset[str], dict[str, bytes]]:
    """The files in force, which ``fresh`` replaces. Raises ConfigError where an older approval is put back.

    Older than the one in force, or than one that was in force at any time before.
    """
    in_force = files_in_force(archive, memory.manifest)
    refuse_superseded_approvals(newest_approvals(memory.withdrawn, approval_times(in_force[1])), fresh)
    return in_force


def exposed_secrets(configuration: StationConfiguration) -> tuple[str, ...]:
    """What lets others read the broker's password or take the agent's place, in a sentence each."""
    mqtt = configuration.settings.mqtt
    if mqtt is None:
        return ()
    found = []
    if mqtt.clear_text_host is not None:
        what = "the password and every disposition" if mqtt.password_file else "every disposition"
        found.append(
            f"mqtt.url sends {what} in clear to {mqtt.clear_text_host}: use mqtts:// beyond this machine"
        )
    files = {"mqtt.password_file": mqtt.password_file, "mqtt.tls.key": mqtt.tls.key if mqtt.tls else None}
    for key, name in files.items():
        mode = _mode(configuration.folder / name) if name is not None else None
        # A word, not an error: stations that ran must not stop at an update over a file's mode.
        if mode is not None and mode & 0o077:
            found.append(f"{key} {name} has mode {mode:04o}, so others can read it: chmod 600")
    return tuple(found)


def _mode(path: Path) -> int | None:
    """Permission bits of a file; None where there is none to look at."""
    try:
        return stat.S_IMODE(path.stat().st_mode)
    except OSError:
        return None
