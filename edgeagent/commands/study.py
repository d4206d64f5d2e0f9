"""Command ``study``: how well measurements of the same parts repeat, and the recipe's entry that follows."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

import click
import msgspec

from edgeagent.codec.plain_text import align_rows, clean, number, probability
from edgeagent.codec.records.result import encode
from edgeagent.commands.shared_files import evaluate_traces
from edgeagent.commands.shared_options import with_offset
from edgeagent.commands.shared_output import json_line
from edgeagent.commands.shared_progress import show_progress
from edgeagent.commands.shared_series import SeriesFilter
from edgeagent.commands.shared_stores import PARQUET, SCHEDULER, STORE_LIST, STORES, named_stores, series_of
from edgeagent.commands.study_recipe import show_entries, write_entries
from edgeagent.errors import InputError, UsageError
from edgeagent.judging.drift import Observation, SeriesValue, belongs, from_result, observations
from edgeagent.judging.evaluation.evaluate import Rulebook
from edgeagent.judging.studies.gauge_study import CharacteristicStudy, pool_octaves, study_characteristics
from edgeagent.judging.studies.series_names import HARMONICS, harmonic_of, split_label
from edgeagent.model.records import TraceIdentity, given
from edgeagent.rules.gauge_study import GaugeStudy
from edgeagent.rules.limits import is_turn
from edgeagent.rules.verdicts import GUARD_FACTOR
from edgeagent.store.configuration import StationConfiguration, load_configuration

SCHEMA = "edgeagent.study/1"


@click.command()
@click.argument("files", nargs=-1, type=click.Path(path_type=Path))
@click.option("--config", type=click.Path(path_type=Path), help="The station's agent.toml.")
@STORES
@STORE_LIST
@SCHEDULER
@PARQUET
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
    files: tuple[Path, ...], config: Path | None, stores: tuple[str, ...], store_list: Path | None,
    scheduler: str | None, parquet: Path | None, since: datetime | None,
    part: str | None, characteristic: str | None, by: str, write: bool, component: str, as_json: bool,
) -> None:  # fmt: skip
    """Analyse the variance of re-measured parts: gauge repeatability and reproducibility.

    Takes FILES, or the measurements of a store. Parts are distinguished by serial, and measured several times
    each, by several operators or instruments where the trace headers say so. Traces that fail a quality check
    are left out. Harmonics that have a limit are pooled by octaves of UPR; from a store only with --part or
    --since. Without --write the recipe's entry is shown and nothing is changed. Exit code 1 when something
    could not be written that was to be.

    \b
    Example:
      edgeagent study --config config/agent.toml export/study-*.txt --characteristic roundness_total
    """
    roots = named_stores(stores, store_list)
    configuration = _configuration(files, config, roots, write)
    moment = with_offset(since)
    if files:
        assert configuration is not None
        found = list(_from_files(files, configuration, characteristic))
    else:
        if configuration is not None and not roots:
            roots = (os.fspath(configuration.store),)
        found = _from_stores(roots, _series_filter(part, moment, characteristic), scheduler, parquet)
    studies = study_characteristics((o for o in found if _fits(o, part, moment)), by)
    # One order asked for stays one; hundreds are pooled, as each alone has too few degrees of freedom.
    if _harmonics(characteristic) is None:
        studies = pool_octaves(studies)
    if not studies:
        raise UsageError("no measurement of a part fits what was asked for")
    if as_json:
        for one in studies:
            click.echo(json_line(_as_object(one)))
    elif characteristic is None:
        click.echo("\n".join(_overview(studies)))
    else:
        click.echo("\n\n".join("\n".join(study_lines(one)) for one in studies))
    if configuration is not None and write:
        write_entries(studies, component, configuration)
    elif configuration is not None and not as_json:
        show_entries(studies, component)


def _configuration(
    files: tuple[Path, ...], config: Path | None, stores: tuple[str, ...], write: bool
) -> StationConfiguration | None:
    """The configuration, None where only a store was named. Raises UsageError for what does not go together."""
    if files and stores:
        raise UsageError("say FILES or --store, not both")
    if config is None and (files or write):
        raise UsageError("FILES and --write need --config")
    if config is None and not stores:
        raise UsageError("say FILES and --config, or --store")
    return load_configuration(config) if config is not None else None


def _fits(found: Observation, part: str | None, since: datetime | None) -> bool:
    if found.key.artefact or part not in (None, found.key.subject):
        return False
    return since is None or datetime.fromisoformat(found.measured_at) >= since


def _from_files(
    files: Sequence[Path], configuration: StationConfiguration, characteristic: str | None
) -> Iterator[Observation]:
    """The values of files; those that cannot be used are named on stderr."""
    rules = Rulebook.of(configuration)
    # Numbered as if they were records of a journal, so that series keep the order of the command line
    seen: set[str] = set()
    left_out: list[str] = []
    at = 0
    for path in show_progress(files, "files"):
        try:
            traces = evaluate_traces(path, rules)
        except OSError as error:
            left_out.append(f"edgeagent: {clean(path)}: left out: {error.strerror}")
            continue
        for name, found in traces:
            at += 1
            why = str(found) if isinstance(found, InputError) else _unfit(found.result, seen)
            if why:
                left_out.append(f"edgeagent: {clean(path.with_name(name))}: left out: {clean(why)}")
            elif not isinstance(found, InputError):
                yield from _observations_of(at, found.result, configuration, characteristic)
    # Not within the loop, where the line of progress stands
    for line in left_out:
        click.echo(line, err=True)


def _observations_of(
    at: int, result: Mapping[str, Any], configuration: StationConfiguration, characteristic: str | None
) -> Iterator[Observation]:
    trace = msgspec.convert(result["trace"], TraceIdentity)
    instrument = given(trace.instrument, "") or configuration.settings.station.name
    listed = from_result(encode(result), _harmonics(characteristic))
    yield from observations(at, trace, instrument, _wanted(listed or [], characteristic))


def _unfit(result: Mapping[str, Any], seen: set[str]) -> str:
    """Why a result does not belong into a study, empty when it does. A copy is no second measurement."""
    failed = [q["check"] for q in result["quality"] if not q["ok"]]
    if failed:
        return f"failed {', '.join(failed)}"
    # With the feature, as one file may hold several traces.
    content = f"{result['source']['sha256']} {result['trace']['feature']}"
    if content in seen:
        return "the same bytes as a file before it"
    seen.add(content)
    return ""


def _series_filter(part: str | None, since: datetime | None, characteristic: str | None) -> SeriesFilter:
    # A long journal has millions of harmonics: only what was narrowed down is read for them
    judged = _harmonics(characteristic) is None and (part is not None or since is not None)
    if characteristic == HARMONICS and not judged:
        raise UsageError(f"--characteristic {HARMONICS} of a store needs --part or --since")
    return SeriesFilter(characteristic, part=part, since=since, judged_harmonics=judged)


def _from_stores(
    roots: tuple[str, ...], wanted: SeriesFilter, scheduler: str | None, parquet: Path | None
) -> list[Observation]:
    """The values in the order in which they were recorded, or, of several stores, measured."""
    found = [o for s in series_of(roots, wanted, scheduler, parquet) for o in s.found]
    if len(roots) == 1:
        return sorted(found, key=lambda o: o.seq)
    return sorted(found, key=lambda o: (datetime.fromisoformat(o.measured_at), o.key.instrument, o.seq))


def _harmonics(characteristic: str | None) -> frozenset[int] | None:
    """UPR of the harmonics that are asked for; None for all that have a limit."""
    if characteristic in (None, HARMONICS):
        return None
    upr = harmonic_of(str(characteristic))
    return frozenset() if upr is None else frozenset({upr})


def _wanted(listed: Iterable[SeriesValue], characteristic: str | None) -> list[SeriesValue]:
    if characteristic is None:
        # Turns are repetitions within one trace, not of the measurement.
        return [c for c in listed if not is_turn(c.instance)]
    name, instance = split_label(characteristic)
    return [c for c in listed if belongs(c, name, instance)]


def _as_object(one: CharacteristicStudy) -> dict[str, Any]:
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


def _overview(studies: Sequence[CharacteristicStudy]) -> list[str]:
    rows: list[tuple[str, ...]] = [
        ("characteristic", "parts", "by", "trials", "repeatability", "gauge", "ν", "part", "unit", "%study",
         "ndc", "")
    ]  # fmt: skip
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
    return align_rows(rows, "")


def study_lines(one: CharacteristicStudy) -> list[str]:
    """A study for a terminal: table of the analysis of variance, components, and what they mean."""
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
        rows.append((f"  {name}", number(s.ss), str(s.df), number(s.ms), number(s.f), probability(s.p)))
    if found.table:
        lines += ["", *align_rows(rows, "")]
    if found.pooled:
        lines.append("  the interaction is no more than chance: pooled with the repeatability")
    lines += ["", *align_rows([("  origin", f"sd, {one.unit}", "% of total"), *_components(found, word)], "")]
    lines += [f"  {name} came out below zero and counts as zero" for name in found.floored]
    lines.append(f"  %study {number(found.study_percent)}, distinct categories (ndc) {found.categories or '-'}")
    lines.append(
        f"  degrees of freedom: repeatability {found.degrees_of_freedom}, gauge "
        f"{found.gauge_degrees_of_freedom:.1f}"
    )
    percent = found.tolerance_percent(one.lower, one.upper)
    if percent is not None:
        lines.append(f"  six gauge standard deviations are {number(percent)} % of the tolerance")
    # With two limits the tolerance says it better, and a limit of zero has no share
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
