"""Command ``inspect``: files analysed for a person or a script, without journal or MQTT."""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path
from typing import Any

import click

from edgeagent.analysis.around.peaks import described_peaks
from edgeagent.codec.plain_text import align_rows, clean, number
from edgeagent.codec.traces.delimited import file_of_trace
from edgeagent.commands.inspect_budget import budget_objects, budget_table
from edgeagent.commands.layout_rows import first_rows
from edgeagent.commands.shared_files import FILE_BYTES_MAX, evaluate_traces
from edgeagent.commands.shared_options import CONFIG
from edgeagent.commands.shared_output import json_line
from edgeagent.commands.shared_progress import show_progress
from edgeagent.errors import InputError
from edgeagent.judging.evaluation.evaluate import Evaluation, Rulebook
from edgeagent.judging.memory import Memory
from edgeagent.judging.rules_now import rules_now
from edgeagent.model import NOISE_ONLY
from edgeagent.report.words import uncertainty_text, value_text
from edgeagent.store.configuration import StationConfiguration, load_configuration
from edgeagent.store.files import read_at_most
from edgeagent.store.journal import JournalReader

_HARMONICS_SHOWN = 12
"""Of the harmonics, which stand in order of their closeness to the limit; the others are in --json."""


@click.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@CONFIG
@click.option("--json", "as_json", is_flag=True, help="One result object a line on stdout, nothing else there.")
@click.option(
    "--budget", is_flag=True, help="Where each value's uncertainty comes from; with --json in details.budgets."
)
def inspect(files: tuple[Path, ...], config: Path, as_json: bool, budget: bool) -> None:
    """Analyse FILES without journal or MQTT.

    Exit code 0 when every file was analysed, whatever its disposition; 1 when one could not be.

    \b
    Example:
      edgeagent inspect export/000412-left.txt --config config/agent.toml
    """
    # With the journal, so that a person sees the uncertainty by which the service would judge.
    rules = rules_from_journal(load_configuration(config))
    failed = False
    # On a terminal the results themselves show how far it is
    for path in files if sys.stdout.isatty() else show_progress(files, "files"):
        for name, found in inspect_file(path, rules):
            if isinstance(found, str):
                failed = True
                click.echo(f"edgeagent: {clean(name)}: {clean(found)}", err=True)
                continue
            result = shown_result(found, budget=budget)
            click.echo(json_line(result) if as_json else _table(result))
            if not as_json:
                _show_rows(path, found, rules)
            if budget and not as_json:
                click.echo(budget_table(result))
    sys.exit(1 if failed else 0)


def inspect_file(path: Path, rules: Rulebook) -> list[tuple[str, Evaluation | str]]:
    """Every trace of one file by its name, or in words why it cannot be analysed."""
    try:
        found = evaluate_traces(path, rules)
    except OSError as error:
        return [(str(path), str(error.strerror))]
    return [
        (str(path.with_name(name)), str(one) if isinstance(one, InputError) else one) for name, one in found
    ]


def shown_result(found: Evaluation, *, budget: bool) -> dict[str, Any]:
    """The result object; ``details`` has what the peaks may mean, and where each uncertainty comes from."""
    more = _peaks(found)
    if budget:
        more["budgets"] = budget_objects(found, harmonics_max=_HARMONICS_SHOWN)
    return {**found.result, "details": {**found.result["details"], **more}} if more else found.result


def _show_rows(path: Path, found: Evaluation, rules: Rulebook) -> None:
    """The first rows as written beside the first rows as read, for a person to nod at."""
    if found.layout is None:
        return
    layout = rules.layouts[found.layout][0]
    file = path if path.exists() else path.with_name(file_of_trace(path.name))
    with contextlib.suppress(OSError):
        click.echo("\n".join(first_rows(layout, read_at_most(file, FILE_BYTES_MAX), found.trace)))


def rules_from_journal(configuration: StationConfiguration) -> Rulebook:
    """The rules, with the artefact's last deviations from the journal where ``[uncertainty]`` counts them.

    Raises JournalCorruptError for a journal that is not whole.
    """
    rules = Rulebook.of(configuration)
    stated, folder = configuration.settings.uncertainty, configuration.store / "journal"
    if stated is None or stated.artefact is None or not folder.is_dir():
        return rules
    memory = Memory({}, None, live_s=0, latches=False)
    for record, place in JournalReader(folder).walk():
        memory.visit(record, place)
    return rules_now(rules, memory, configuration)


def _peaks(found: Evaluation) -> dict[str, Any]:
    """What the peaks of a part's spectrum may mean; the service does without that."""
    spectrum = found.analysis.spectrum
    if spectrum is None or found.trace.header.artefact is not None:
        return {}
    recipe = found.recipe.recipe if found.recipe else None
    running, thread = (recipe.running, recipe.thread) if recipe else (None, None)
    rolled_on = thread if found.trace.header.kind == "spiral" else None  # a circle is no ball track
    return {"peaks": described_peaks(spectrum, running, rolled_on)}


def _table(result: dict[str, Any]) -> str:
    trace = result["trace"]
    who = trace.get("artefact") or f"{trace.get('part')} {trace.get('serial')}"
    lines = [
        f"{clean(result['source']['name'])}: {result['disposition'].upper()}",
        f"  {clean(who)}, {clean(trace['feature'])} ({trace['kind']}), {trace['points']} points"
        + (f", {trace['turns']:.3f} turns" if trace["turns"] is not None else ""),
    ]
    lines += [f"  because {clean(reason)}" for reason in result["reasons"]]
    noise_only = any(c.get("noise_only") for c in result["characteristics"])
    if noise_only:
        lines.append(f"  ± is the {NOISE_ONLY}: [uncertainty] states nothing of the instrument")
    spread = "±noise (k=2)" if noise_only else "±U (k=2)"
    rows: list[tuple[str, ...]] = [("characteristic", "value", spread, "lower", "upper", "unit", "verdict")]
    harmonics = [c for c in result["characteristics"] if c["name"] == "harmonic_amplitude"]
    # By identity: two characteristics may be equal in all that they hold.
    hidden = {id(c) for c in harmonics[_HARMONICS_SHOWN:]}
    rows += [_row(c) for c in result["characteristics"] if id(c) not in hidden]
    if hidden:
        rows.append((f"({len(hidden)} more harmonics)", "", "", "", "", "", ""))
    lines += ["", *align_rows(rows), ""]
    checks: list[tuple[str, ...]] = [("check", "ok", "value", "allowed", "unit", "note")]
    checks += [
        (
            c["check"],
            "yes" if c["ok"] else "NO",
            number(c["value"]),
            number(c["allowed"]),
            c["unit"],
            clean(c["note"]),
        )
        for c in result["quality"]
    ]
    lines += [*align_rows(checks), ""]
    peaks = result["details"].get("peaks")
    if peaks:
        lines += ["  what stands out of the spectrum", *(f"  - {p['sentence']}" for p in peaks), ""]
    return "\n".join(lines)


def _row(c: dict[str, Any]) -> tuple[str, ...]:
    name = f"{c['name']}[{c['instance']}]" if c["instance"] else c["name"]
    numbers = [number(c[k]) for k in ("value", "expanded_uncertainty", "lower", "upper")]
    # Only with an uncertainty is it known which digits mean something.
    if c["value"] is not None and c["expanded_uncertainty"] is not None:
        limits = (c["lower"], c["upper"])
        noise_only = bool(c.get("noise_only"))
        numbers[0] = value_text(c["value"], c["expanded_uncertainty"], limits, noise_only=noise_only)
        numbers[1] = uncertainty_text(c["expanded_uncertainty"])
    return (name, *numbers, c["unit"], c["verdict"])
