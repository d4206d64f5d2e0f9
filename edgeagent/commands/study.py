"""``edgeagent study``: how well measurements of the same parts repeat, and the recipe's entry that follows."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from edgeagent.codec.plain_text import aligned, clean, number
from edgeagent.errors import AnalysisError, UsageError

if TYPE_CHECKING:
    from edgeagent.judging.drift import Observation
    from edgeagent.rules.gauge_study import GaugeStudy
    from edgeagent.store.configuration import StationConfiguration

SCHEMA = "edgeagent.study/1"
_HARMONICS = "harmonic_amplitude"
_HINT = "; --by none tells the repeatability alone"


@dataclass(frozen=True, slots=True)
class Study:
    """One characteristic of one feature over re-measured parts.

    ``by`` is ``operator``, ``instrument`` or ``none``. ``ranges`` is the same by average and range where that
    is possible. ``notes`` say what was left out, ``reason`` why there is no study.
    """

    part: str
    feature: str
    label: str
    unit: str
    by: str
    study: GaugeStudy | None
    ranges: GaugeStudy | None
    lower: float | None
    upper: float | None
    last_at: str
    notes: tuple[str, ...] = ()
    reason: str = ""

    @property
    def name(self) -> str:
        """What repeats in one way: grooves are alike, their instance is left out; bands, as 2-15, are not."""
        band = re.fullmatch(r".+\[[\d.]+-[\d.]+\]", self.label)
        return self.label if band else self.label.partition("[")[0]


@click.command()
@click.argument("files", nargs=-1, type=click.Path(path_type=Path))
@click.option("--config", type=click.Path(path_type=Path), help="The station's agent.toml.")
@click.option("--store", type=click.Path(path_type=Path), help="Take measurements from this store instead.")
@click.option("--since", type=click.DateTime(), help="Only traces measured from this time on (UTC).")
@click.option("--part", help="Only this part number.")
@click.option(
    "--characteristic",
    help="Only this one, with all its tables: a name, or NAME[INSTANCE]; harmonic_amplitude by bands of UPR.",
)
@click.option(
    "--by",
    type=click.Choice(("auto", "operator", "instrument", "none")),
    default="auto",
    show_default=True,
    help="Who or what the parts were re-measured by; auto takes what there are several of.",
)
@click.option("--write", is_flag=True, help="Write the standard deviations into the recipe; needs --config.")
@click.option(
    "--component",
    type=click.Choice(("gauge", "repeatability")),
    default="gauge",
    show_default=True,
    help="What is written: repeatability alone, or with operators (instruments) and interaction.",
)
@click.option(
    "--json", "as_json", is_flag=True, help="One object a study and line on stdout, nothing else there."
)
def study(
    files: tuple[Path, ...], config: Path | None, store: Path | None, since: datetime | None,
    part: str | None, characteristic: str | None, by: str, write: bool, component: str, as_json: bool,
) -> None:  # fmt: skip
    """Analyse the variance of re-measured parts: gauge repeatability and reproducibility.

    Takes FILES, or the measurements of a store. Parts are told apart by serial, and measured several times
    each, by several operators or instruments where the trace headers say so. Traces that fail a quality check
    are left out. Harmonics that have a limit are pooled by octaves of UPR; from a store only with --part or
    --since. Without --write the recipe's entry is shown and nothing is changed. Exit code 1 when something
    could not be written that was to be.

    \b
    Example:
      edgeagent study --config config/agent.toml export/study-*.txt --characteristic roundness_total
    """
    from edgeagent.codec.records.result import encode

    configuration = _configuration(files, config, store, write)
    moment = since.replace(tzinfo=since.tzinfo or UTC) if since is not None else None
    if files:
        assert configuration is not None
        found = list(_from_files(files, configuration, characteristic))
    else:
        folder = store if configuration is None or store is not None else configuration.store
        assert folder is not None
        found = _from_store(folder, part, moment, characteristic)
    studies = studied((o for o in found if _fits(o, part, moment)), by)
    if _harmonics(characteristic) is None:
        studies = banded(studies)
    if not studies:
        raise UsageError("no measurement of a part fits what was asked for")
    if as_json:
        for one in studies:
            click.echo(encode(as_object(one)).decode())
    elif characteristic is None:
        click.echo("\n".join(_overview(studies)))
    else:
        click.echo("\n\n".join("\n".join(printed(one)) for one in studies))
    if configuration is not None:
        from edgeagent.commands.study_entries import show_all, write_all

        if write:
            write_all(studies, component, configuration)
        elif not as_json:
            show_all(studies, component)


def _configuration(
    files: tuple[Path, ...], config: Path | None, store: Path | None, write: bool
) -> StationConfiguration | None:
    """The configuration, None where only a store was named. Raises UsageError for what does not go together."""
    if files and store is not None:
        raise UsageError("say FILES or --store, not both")
    if config is None and (files or write):
        raise UsageError("FILES and --write need --config")
    if config is None and store is None:
        raise UsageError("say FILES and --config, or --store")
    if config is None:
        return None
    from edgeagent.store.configuration import load_configuration

    return load_configuration(config)


def _fits(found: Observation, part: str | None, since: datetime | None) -> bool:
    if found.key.artefact or part not in (None, found.key.subject):
        return False
    return since is None or datetime.fromisoformat(found.measured_at) >= since


def _from_files(
    files: Sequence[Path], configuration: StationConfiguration, characteristic: str | None
) -> Iterator[Observation]:
    """The values of files; those that cannot be used are named on stderr."""
    from edgeagent.codec.records.result import encode
    from edgeagent.commands.inspect import inspect_file
    from edgeagent.judging.drift import from_result, observations
    from edgeagent.judging.evaluate import Rulebook

    rules = Rulebook.of(configuration)
    seen: set[str] = set()
    for at, path in enumerate(files, 1):
        result = inspect_file(path, rules)
        why = result if isinstance(result, str) else _unfit(result, seen)
        if isinstance(result, str) or why:
            click.echo(f"edgeagent: {path}: left out: {why}", err=True)
            continue
        trace = result["trace"]
        instrument = str(trace.get("instrument") or configuration.settings.station.name)
        listed = from_result(encode(result), _harmonics(characteristic))
        yield from observations(at, trace, instrument, _wanted(listed or [], characteristic))


def _unfit(result: Mapping[str, Any], seen: set[str]) -> str:
    """Why a result does not belong into a study, empty when it does. A copy is no second measurement."""
    failed = [q["check"] for q in result["quality"] if not q["ok"]]
    if failed:
        return f"failed {', '.join(failed)}"
    digest = str(result["source"]["sha256"])
    if digest in seen:
        return "the same bytes as a file before it"
    seen.add(digest)
    return ""


def _from_store(
    folder: Path, part: str | None, since: datetime | None, characteristic: str | None
) -> list[Observation]:
    from edgeagent.commands.trend import collect

    # A long journal has millions of harmonics: only what was narrowed down is read for them
    judged = _harmonics(characteristic) is None and (part is not None or since is not None)
    if characteristic == _HARMONICS and not judged:
        raise UsageError(f"--characteristic {_HARMONICS} of a store needs --part or --since")
    lost: list[int] = []
    series = collect(folder, characteristic, None, part, since, lost, judged_harmonics=judged)
    if lost:
        click.echo(f"edgeagent: {len(lost)} results could not be read from the archive; left out", err=True)
    return sorted((o for s in series for o in s.found), key=lambda o: o.seq)


def _harmonics(characteristic: str | None) -> frozenset[int] | None:
    """The one that is asked for, None for all that have a limit."""
    from edgeagent.judging.drift import harmonic_of

    if characteristic in (None, _HARMONICS):
        return None
    upr = harmonic_of(str(characteristic))
    return frozenset() if upr is None else frozenset({upr})


def _wanted(listed: Iterable[dict[str, Any]], characteristic: str | None) -> list[dict[str, Any]]:
    if characteristic is None:
        return list(listed)
    from edgeagent.judging.drift import belongs, split_label

    name, instance = split_label(characteristic)
    return [c for c in listed if belongs(c, name, instance)]


def studied(found: Iterable[Observation], by: str) -> list[Study]:
    """One study for each part number, feature and characteristic, in the order of their first values."""
    groups: dict[tuple[str, str, str], list[Observation]] = {}
    for one in found:
        groups.setdefault((one.key.subject, one.key.feature, one.key.label), []).append(one)
    return [_study(values, by) for values in groups.values()]


def banded(studies: Sequence[Study]) -> list[Study]:
    """The same with the harmonics of one part and feature pooled by octaves: 2-3, 4-7, 8-15 UPR and so on."""
    from edgeagent.judging.drift import harmonic_of
    from edgeagent.rules.gauge_study import pooled_study

    found: list[Study] = []
    bands: dict[tuple[str, str, int], list[Study]] = {}
    for one in studies:
        upr = harmonic_of(one.label)
        if upr is None:
            found.append(one)
        else:
            bands.setdefault((one.part, one.feature, upr.bit_length() - 1), []).append(one)
    for (_, _, octave), members in sorted(bands.items()):
        usable = [m for m in members if m.study is not None]
        label = f"{_HARMONICS}[{2**octave}-{2 ** (octave + 1) - 1}]"
        if not usable:
            found.append(replace(members[0], label=label))
            continue
        study = pooled_study([m.study for m in usable if m.study is not None])
        notes = (f"{len(usable)} harmonics pooled", *usable[0].notes)
        found.append(
            replace(usable[0], label=label, study=study, ranges=None, lower=None, upper=None, notes=notes)
        )
    return found


def _study(values: Sequence[Observation], by: str) -> Study:
    from edgeagent.rules.gauge_study import anova_study, range_study, repeat_study

    key, last = values[0].key, values[-1]
    asked, by = by, _factor(values, by)
    notes: list[str] = []
    study = ranges = None
    reason = ""
    try:
        if by == "none":
            repeated = _repeated(values, notes)
            study = repeat_study(repeated)
        else:
            square = _square(values, by, notes)
            study = anova_study(square)
            ranges = range_study(square) if max(len(square), len(square[0]), len(square[0][0])) <= 10 else None
    except AnalysisError as error:
        reason = str(error) + (_HINT if asked == "auto" and by != "none" else "")
    return Study(
        key.subject, key.feature, key.label, last.unit, by, study, ranges, last.lower, last.upper,
        max(o.measured_at for o in values), tuple(notes), reason,
    )  # fmt: skip


def _appraiser(found: Observation, by: str) -> str:
    return {"operator": found.operator, "instrument": found.key.instrument}.get(by, "")


def _factor(values: Sequence[Observation], by: str) -> str:
    if by != "auto":
        return by
    return next((f for f in ("operator", "instrument") if len({_appraiser(o, f) for o in values}) > 1), "none")


def _cells(values: Sequence[Observation], by: str) -> dict[str, dict[str, list[float]]]:
    """Values by serial and then by operator or instrument, in the order in which they were measured."""
    cells: dict[str, dict[str, list[float]]] = {}
    for one in values:
        cells.setdefault(one.serial, {}).setdefault(_appraiser(one, by), []).append(one.value)
    return cells


def _repeated(values: Sequence[Observation], notes: list[str]) -> list[list[float]]:
    """Trials of each part that was measured more than once. Raises AnalysisError for fewer than two of them."""
    groups = [row[""] for row in _cells(values, "none").values()]
    repeated = [g for g in groups if len(g) > 1]
    if len(repeated) < 2:
        raise AnalysisError(
            f"{len(repeated)} of {len(groups)} parts were measured more than once; two are needed"
        )
    if len(repeated) < len(groups):
        notes.append(f"{len(groups) - len(repeated)} parts measured only once are left out")
    return repeated


def _square(values: Sequence[Observation], by: str, notes: list[str]) -> list[list[list[float]]]:
    """As many first trials of each part by each operator as all of them have; what does not fit is noted."""
    cells = _cells(values, by)
    names = sorted({name for row in cells.values() for name in row})
    whole = {
        serial: [row[n] for n in names]
        for serial, row in cells.items()
        if all(len(row.get(n, ())) > 1 for n in names)
    }
    missing = sorted(set(cells) - set(whole))
    if missing:
        shown = ", ".join(missing[:5]) + (", …" if len(missing) > 5 else "")
        notes.append(f"{len(missing)} parts not measured twice by every {by} are left out: {shown}")
    if len(names) < 2 or len(whole) < 2:
        raise AnalysisError(f"two {by}s with two trials of the same two parts at least are needed")
    trials = min(len(cell) for row in whole.values() for cell in row)
    surplus = sum(len(cell) - trials for row in whole.values() for cell in row)
    if surplus:
        notes.append(f"{surplus} values beyond {trials} trials of a part are left out")
    return [[cell[:trials] for cell in row] for row in whole.values()]


def as_object(one: Study) -> dict[str, Any]:
    """A study as JSON values."""
    found = one.study
    return {
        "schema": SCHEMA,
        **{k: getattr(one, k) for k in ("part", "feature", "label", "unit", "by", "lower", "upper", "reason")},
        "notes": list(one.notes),
        "study": asdict(found) if found else None,
        "study_percent": found.study_percent if found else None,
        "tolerance_percent": found.tolerance_percent(one.lower, one.upper) if found else None,
        "ranges": asdict(one.ranges) if one.ranges else None,
    }


def _overview(studies: Sequence[Study]) -> list[str]:
    rows: list[tuple[str, ...]] = [
        (
            "characteristic",
            "parts",
            "by",
            "trials",
            "repeatability",
            "gauge",
            "ν",
            "part",
            "unit",
            "%study",
            "ndc",
            "",
        )
    ]
    for one in studies:
        found = one.study
        title = f"{one.label} of {one.part} {one.feature}"
        if found is None:
            rows.append((title, *["-"] * 7, one.unit, "-", "-", one.reason))
            continue
        by = f"{found.operators} {one.by}s" if one.by != "none" else "-"
        figures = (
            number(found.repeatability_sd), number(found.gauge_sd),
            f"{found.gauge_degrees_of_freedom:.1f}", number(found.part_sd),
        )  # fmt: skip
        rows.append(
            (
                title, str(found.parts), by, f"{found.trials:.3g}", *figures, one.unit,
                number(found.study_percent), str(found.categories or "-"), "; ".join(one.notes),
            )
        )  # fmt: skip
    return aligned(rows, "")


def printed(one: Study) -> list[str]:
    """A study for a terminal: table of the analysis of variance, components, and what they mean."""
    from edgeagent.rules.decision import GUARD_FACTOR

    found = one.study
    lines = [f"{clean(one.label)} of {clean(one.part)} {clean(one.feature)}"]
    lines += [f"  {clean(note)}" for note in one.notes]
    if found is None:
        return [*lines, f"  no study: {clean(one.reason)}"]
    by = f", {found.operators} {one.by}s" if one.by != "none" else ""
    lines.append(f"  {found.parts} parts{by}, {found.trials:.3g} trials")
    word = one.by if one.by != "none" else "operator"
    rows = [("  source", "sum of squares", "df", "mean square", "F", "p")]
    for s in found.table:
        name = word if s.name == "operator" else s.name
        rows.append((f"  {name}", number(s.ss), str(s.df), number(s.ms), number(s.f), number(s.p)))
    if found.table:
        lines += ["", *aligned(rows, "")]
    if found.pooled:
        lines.append("  the interaction is no more than chance: pooled with the repeatability")
    lines += ["", *aligned([("  origin", f"sd, {one.unit}", "% of total"), *_components(found, word)], "")]
    lines += [f"  {name} came out below zero and counts as zero" for name in found.floored]
    lines.append(
        f"  %study {number(found.study_percent)}, categories told apart (ndc) {found.categories or '-'}"
    )
    lines.append(
        f"  degrees of freedom: repeatability {found.degrees_of_freedom}, gauge "
        f"{found.gauge_degrees_of_freedom:.1f}"
    )
    percent = found.tolerance_percent(one.lower, one.upper)
    if percent is not None:
        lines.append(f"  six gauge standard deviations are {number(percent)} % of the tolerance")
    limit = one.upper if one.lower is None else one.lower if one.upper is None else None
    if limit:
        share = 100 * GUARD_FACTOR * found.gauge_sd / abs(limit)
        lines.append(
            f"  a guard band of {GUARD_FACTOR} gauge standard deviations takes {number(share)} % of the limit"
        )
    if one.ranges is not None:
        r = one.ranges
        lines.append(
            f"  by average and range: gauge {number(r.gauge_sd)}, part {number(r.part_sd)} {one.unit}, "
            f"%study {number(r.study_percent)}, ndc {r.categories or '-'}"
        )
    return lines


def _components(found: GaugeStudy, word: str) -> list[tuple[str, ...]]:
    total = found.total_sd
    named = {"repeatability": found.repeatability_sd}
    if found.operators > 1:
        named |= {word: found.operator_sd, "interaction": found.interaction_sd}
    named |= {"gauge": found.gauge_sd, "part": found.part_sd, "total": total}
    return [(f"  {n}", number(v), number(100 * v / total if total > 0 else None)) for n, v in named.items()]
