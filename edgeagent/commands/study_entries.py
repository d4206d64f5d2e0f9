"""From gauge studies to the entries of recipes: pooled, shown, written."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

import click

from edgeagent.codec.plain_text import clean
from edgeagent.commands.recipe_entry import Entry, entry, write_repeatability
from edgeagent.errors import ConfigError
from edgeagent.model import harmonic_band

if TYPE_CHECKING:
    from edgeagent.commands.study import Study
    from edgeagent.judging.configuration import Document
    from edgeagent.store.configuration import StationConfiguration


def entries(studies: Iterable[Study], component: str) -> dict[str, Entry]:
    """What to write, by part number; ``component`` is ``gauge`` or ``repeatability``.

    Features and grooves of one characteristic are pooled by the degrees of freedom of their repeatability,
    bands of UPR or Hz over features. The degrees of freedom of a pooled variance are the effective ones
    (Satterthwaite), those of an entry the fewest of its characteristics, since a recipe has one number for all.
    Values that did not scatter at all are left out: no uncertainty is zero; so is a harmonic outside a band.
    """
    found: dict[str, dict[str, list[Study]]] = {}
    until: dict[str, str] = {}
    for one in studies:
        single = one.name.startswith("harmonic_amplitude") and harmonic_band(one.name) is None
        if one.study is not None and not single:
            found.setdefault(one.part, {}).setdefault(one.name, []).append(one)
            until[one.part] = max(one.last_at[:10], until.get(one.part, ""))
    made: dict[str, Entry] = {}
    for part, by_name in found.items():
        pooled = {name: _pooled(members, component) for name, members in by_name.items()}
        values = {name: float(f"{sd:.4g}") for name, (sd, _) in pooled.items() if sd > 0}
        dof = min((df for sd, df in pooled.values() if sd > 0), default=math.inf)
        made[part] = Entry(values, dof, component, until[part])
    return made


def _pooled(members: Sequence[Study], component: str) -> tuple[float, float]:
    """Standard deviation and effective degrees of freedom of one characteristic."""
    terms = []
    for one in members:
        study = one.study
        assert study is not None
        gauge = component == "gauge"
        sd = study.gauge_sd if gauge else study.repeatability_sd
        df = study.gauge_degrees_of_freedom if gauge else study.degrees_of_freedom
        terms.append((study.degrees_of_freedom, sd**2, df))
    weights = math.fsum(w for w, _, _ in terms)
    variance = math.fsum(w * v for w, v, _ in terms) / weights
    fourth = math.fsum((w * v) ** 2 / df for w, v, df in terms)
    return math.sqrt(variance), (weights * variance) ** 2 / fourth if fourth > 0 else math.inf


def show_all(studies: Sequence[Study], component: str) -> None:
    """Print what ``--write`` would put into each recipe."""
    for part, one in entries(studies, component).items():
        if one.values:
            click.echo(
                f"\nentry for the recipe of {clean(part)}, which --write makes:\n[uncertainty]\n{entry(one)}"
            )


def write_all(studies: Sequence[Study], component: str, configuration: StationConfiguration) -> None:
    """Write each part's recipe; what a recipe does not take is shown to be pasted, with exit code 1."""
    from edgeagent.judging.configuration import Document, recipe_from_documents

    failed = False
    for part, one in entries(studies, component).items():
        loaded = configuration.recipes.get(part)
        try:
            if not one.values:
                raise ConfigError(part, "", "nothing scattered that could be written")
            if loaded is None:
                raise ConfigError(part, "", "there is no recipe for this part")
            name, files = loaded.document.name, loaded.files

            def check(data: bytes, name: str = name, files: Mapping[str, Document] = files) -> None:
                recipe_from_documents(Document(name, data), files)

            path = configuration.folder / name
            write_repeatability(path, one, check)
        except ConfigError as error:
            failed = True
            click.echo(f"edgeagent: not written: {error}", err=True)
            if one.values:
                click.echo(f"edgeagent: to be pasted into the recipe of {clean(part)}:", err=True)
                click.echo(f"[uncertainty]\n{entry(one)}", err=True)
        else:
            told = f"written to {path}: {len(one.values)} characteristics; a running service reads it at SIGHUP"
            click.echo(f"edgeagent: {told}", err=True)
    if failed:
        raise click.exceptions.Exit(1)
