"""The configuration as one frozen value: settings, recipes, certificates and layouts, with their bytes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from edgeagent.analysis.kinds import find_kind, kind_names
from edgeagent.codec.configuration.recipe import parse_recipe
from edgeagent.codec.configuration.schema import place_of_key
from edgeagent.codec.configuration.settings import Certificate, Settings
from edgeagent.codec.evidence.approvals import approved_by
from edgeagent.codec.evidence.notes import VerifierKey
from edgeagent.codec.records.digest import digest_of
from edgeagent.codec.traces.layout import Layout, parse_layout
from edgeagent.errors import ConfigError, TraceShapeError
from edgeagent.model import Recipe


@dataclass(frozen=True, slots=True)
class Document:
    """One file of the configuration: its name, bytes and digest."""

    name: str
    data: bytes

    @property
    def sha256(self) -> str:
        """SHA-256 of the bytes, by which the archive finds them."""
        return digest_of(self.data)


@dataclass(frozen=True, slots=True)
class LoadedRecipe:
    """A recipe with the documents that it was made from: its own file and its limit files by name."""

    recipe: Recipe
    document: Document
    files: Mapping[str, Document] = field(default_factory=dict)
    identity: Mapping[str, Any] = field(default_factory=dict)
    """What results and records say of it: part, revision, digests."""
    signed_by: str = ""
    """The name of the key that approved it; empty where none is asked for."""
    signed_at: str = ""
    """When that was (RFC 3339)."""

    def digests(self) -> frozenset[str]:
        """Of its own file and of its limit files."""
        return frozenset(d.sha256 for d in (self.document, *self.files.values()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Configuration:
    """Everything that ``agent.toml`` and the folders beside it say."""

    settings: Settings
    document: Document
    recipes: Mapping[str, LoadedRecipe]
    layouts: Mapping[str, tuple[Layout, Document]]
    certificates: Mapping[str, tuple[Certificate, Document]]
    spindle: tuple[tuple[float, float, float], ...] = ()
    spindle_document: Document | None = None
    approvals: tuple[Document, ...] = ()
    """Notes by which recipes and certificates were approved, and the public keys that may; where any may."""

    def documents(self) -> tuple[Document, ...]:
        """Every file of the configuration, for the archive."""
        recipes = [d for r in self.recipes.values() for d in (r.document, *r.files.values())]
        others = [d for _, d in (*self.layouts.values(), *self.certificates.values())]
        station = [] if self.spindle_document is None else [self.spindle_document]
        return (self.document, *station, *recipes, *others, *self.approvals)


def with_approval(loaded: LoadedRecipe, note: bytes, keys: Sequence[VerifierKey]) -> LoadedRecipe:
    """The recipe with who approved it, by the note beside it. Raises NoteError where nobody did."""
    found = approved_by(note, digests_by_name(loaded), keys)
    return replace(loaded, signed_by=found.by, signed_at=found.at)


def digests_by_name(loaded: LoadedRecipe) -> dict[str, str]:
    """What an approval of a recipe names: its own file and those with its limits."""
    # Without its folder: an approval is made beside the file, wherever that lies.
    own = {loaded.document.name.rpartition("/")[2]: loaded.document.sha256}
    return own | {name: document.sha256 for name, document in loaded.files.items()}


def describe_kind(name: str) -> tuple[type[Any], Mapping[str, str]]:
    """Options and characteristics of a kind of trace. Raises TraceShapeError for no such kind."""
    kind = find_kind(name)
    return kind.Options, kind.CHARACTERISTICS


def layout_from_document(document: Document) -> Layout:
    """A layout from bytes, whose columns are those of its kind of trace, or of any where it names none.

    Raises ConfigError.
    """
    layout = parse_layout(document.data, document.name)
    text = document.data.decode("utf-8-sig")
    named = layout.constants.get("kind")
    try:
        # Where the kind comes from the file, a column of any kind may be meant; the reader checks again.
        kinds = [find_kind(name) for name in ([named] if isinstance(named, str) else kind_names())]
    except TraceShapeError as error:
        where = place_of_key(document.name, text, "constants.kind")
        allowed = ", ".join(kind_names())
        raise ConfigError(
            where, "constants.kind", "no such kind of trace", value=named, allowed=allowed
        ) from error
    known = {name: None for kind in kinds for name in (*kind.COLUMNS, *kind.OPTIONAL_COLUMNS)}
    for number, column in enumerate(layout.column):
        if column.name not in known:
            key = f"column[{number}].name"
            complaint = f"no column of {named or 'any kind of trace'}"
            where = place_of_key(document.name, text, key)
            raise ConfigError(where, key, complaint, value=column.name, allowed=", ".join(known))
    return layout


def recipe_from_documents(document: Document, files: Mapping[str, Document]) -> LoadedRecipe:
    """A recipe from bytes, wherever they come from: the folder or the archive. Raises ConfigError."""
    recipe = parse_recipe(
        document.data, document.name, {name: d.data for name, d in files.items()}, describe_kind
    )
    identity: dict[str, Any] = {"part": recipe.part, "revision": recipe.revision, "sha256": document.sha256}
    if files:
        identity["files"] = {name: d.sha256 for name, d in files.items()}
    return LoadedRecipe(recipe, document, files, identity)
