"""Which contents a record was made from, by digest."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import msgspec

from edgeagent.codec.configuration.recipe import referenced_files
from edgeagent.codec.configuration.settings import parse_certificate, parse_settings
from edgeagent.codec.configuration.spindle import parse_spindle
from edgeagent.codec.evidence.approvals import SUFFIX
from edgeagent.codec.evidence.notes import NoteError, VerifierKey, read_verifier_key
from edgeagent.codec.records.digest import digest_of
from edgeagent.codec.traces.layout import parse_layout
from edgeagent.errors import ConfigError
from edgeagent.judging.configuration import (
    Configuration,
    Document,
    LoadedRecipe,
    recipe_from_documents,
    with_approval,
)
from edgeagent.model.records import (
    AnyBody,
    ConfigurationRead,
    Measurement,
    NamedDigest,
    Quarantine,
    given,
)


def references(body: AnyBody) -> Iterator[tuple[str, str]]:
    """What a record names in the archive, and its digest. The files that a manifest names are not among them.

    A source that was quarantined unread, or was empty, is not archived.
    """
    match body:
        case Measurement():
            yield "source", str(body.source.sha256)
            side = given(body.source.side_sha256, None)
            if side is not None:
                yield "side file", side
            yield "result", body.result_sha256
            if body.recipe is not None:
                yield "recipe", body.recipe.sha256
                yield from (("limit file", digest) for digest in given(body.recipe.files, {}).values())
            if body.layout is not None:
                yield "layout", body.layout.sha256
            if body.certificate_sha256 is not None:
                yield "certificate", body.certificate_sha256
        case Quarantine() if body.source.sha256 is not None and body.source.bytes:
            yield "source", body.source.sha256
        case ConfigurationRead():
            yield "agent.toml", body.agent_sha256
            yield "manifest", body.manifest_sha256
        case _:
            pass


def manifest_files(manifest: bytes) -> tuple[NamedDigest, ...]:
    """The files of a configuration by their names. Raises ConfigError for what is no manifest."""
    try:
        return msgspec.json.decode(manifest, type=tuple[NamedDigest, ...])
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise ConfigError("manifest", "", f"not a manifest: {error}") from error


def configuration_from(files: Mapping[str, bytes], agent_sha256: str) -> Configuration:
    """The configuration that files make, by their names in a manifest, ``agent.toml`` by its digest.

    Raises ConfigError.
    """
    agents = [name for name, data in files.items() if digest_of(data) == agent_sha256]
    if not agents:
        raise ConfigError("manifest", "", "it does not name agent.toml")
    agent = Document(agents[0], files[agents[0]])
    settings = parse_settings(agent.data, agent.name)
    spindle_file = settings.uncertainty.spindle_file if settings.uncertainty is not None else None
    if spindle_file is not None and spindle_file not in files:
        raise ConfigError("manifest", "", f"it does not name {spindle_file}")
    found: dict[str, Any] = {"recipes": {}, "layouts": {}, "certificates": {}}
    for name, data in files.items():
        folder, _, rest = name.partition("/")
        document = Document(name, data)
        if name.endswith(SUFFIX):
            continue
        if folder == "layouts" and rest:
            found["layouts"][rest] = parse_layout(data, name), document
        elif folder == "artefacts" and rest:
            certificate = parse_certificate(data, name)
            found["certificates"][certificate.artefact] = certificate, document
        elif rest and name.endswith(".toml") and name != spindle_file:
            wanted = {w: f"{folder}/{w}" for w in referenced_files(data, name)}
            limits = {w: Document(n, files[n]) for w, n in wanted.items() if n in files}
            loaded = recipe_from_documents(document, limits)
            found["recipes"][loaded.recipe.part] = loaded
    if spindle_file is not None:
        found["spindle_document"] = Document(spindle_file, files[spindle_file])
        found["spindle"] = parse_spindle(files[spindle_file], spindle_file)
    found["recipes"], found["approvals"] = _approved(settings.evidence.approvers, found["recipes"], files)
    return Configuration(settings=settings, document=agent, **found)


def _approved(
    approvers: Sequence[str], recipes: Mapping[str, LoadedRecipe], files: Mapping[str, bytes]
) -> tuple[dict[str, LoadedRecipe], tuple[Document, ...]]:
    """The recipes with who approved them, as far as a manifest holds keys and notes, and these."""
    named = [name for name in files if name in approvers or name.endswith(SUFFIX)] if approvers else []
    keys, signed = list[VerifierKey](), dict(recipes)
    for name in approvers:
        with contextlib.suppress(NoteError):
            keys.append(read_verifier_key(files.get(name, b"").decode("utf-8", "replace")))
    for part, loaded in recipes.items():
        with contextlib.suppress(NoteError):  # nobody approved it: the record says otherwise, or nothing
            signed[part] = with_approval(loaded, files.get(loaded.document.name + SUFFIX, b""), keys)
    return signed, tuple(Document(name, files[name]) for name in named)
