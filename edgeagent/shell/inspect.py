"""Files analysed for a person or a script, without journal or MQTT."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from edgeagent.codec.reader import SIDE_FILE_SUFFIX, needs_side_file
from edgeagent.codec.result import encode
from edgeagent.errors import InputError
from edgeagent.shell.configuration import Configuration
from edgeagent.shell.evaluate import Evaluation, Rulebook, evaluate

_HARMONICS_SHOWN = 12


def inspect_file(path: Path, rules: Rulebook) -> dict[str, Any] | str:
    """The result object of one file, or in words why it cannot be analysed."""
    try:
        return _with_peaks(evaluate_file(path, rules))
    except OSError as error:
        return str(error.strerror)
    except InputError as error:
        return str(error)


def rules_from_journal(configuration: Configuration) -> Rulebook:
    """The rules, with the artefact's last deviations from the journal where ``[uncertainty]`` counts them.

    Raises JournalCorruptError for a journal that is not whole.
    """
    rules = Rulebook.of(configuration)
    stated, folder = configuration.settings.uncertainty, configuration.store / "journal"
    if stated is None or stated.artefact is None or not folder.is_dir():
        return rules
    from edgeagent.shell.journal import JournalReader
    from edgeagent.shell.memory import Memory
    from edgeagent.shell.rules_now import rules_now

    memory = Memory({}, None, live_s=0, latches=False)
    for record, place in JournalReader(folder).walk():
        memory.visit(record, place)
    return rules_now(rules, memory, configuration)


def evaluate_file(path: Path, rules: Rulebook) -> Evaluation:
    """One file of the disk, with its side file where its format has one. Raises OSError, InputError."""
    data = path.read_bytes()
    side_path = path.with_name(path.name + SIDE_FILE_SUFFIX)
    side = side_path.read_bytes() if needs_side_file(path.name) and side_path.exists() else None
    return evaluate(path.name, data, side, rules)


def _with_peaks(found: Evaluation) -> dict[str, Any]:
    """The result with what its peaks may mean in ``details.peaks``; the service does without that."""
    spectrum = found.analysis.spectrum
    if spectrum is None or found.trace.header.artefact is not None:
        return found.result
    from edgeagent.analysis.peaks import described_peaks

    recipe = found.recipe.recipe if found.recipe else None
    running, thread = (recipe.running, recipe.thread) if recipe else (None, None)
    details = {**found.result["details"], "peaks": described_peaks(spectrum, running, thread)}
    return {**found.result, "details": details}


def budget_table(found: Evaluation) -> str:
    """Every value's uncertainty budget, largest contribution first; of the harmonics those that are shown."""
    if found.budgeted is None:
        return "  no budget: neither agent.toml nor the recipe has [uncertainty]\n"
    from edgeagent.rules.budget import coverage_factor

    budgets = dict(found.budgeted.budgets)
    harmonics = [c for c in found.judgement.characteristics if c.name == "harmonic_amplitude" and c.instance]
    for c in harmonics[:_HARMONICS_SHOWN]:
        budget = found.budgeted.of_harmonic(int(c.instance))
        if budget is not None:
            budgets[c.name, c.instance] = budget
    values = {(c.name, c.instance): c for c in found.judgement.characteristics}
    lines = []
    for (name, instance), budget in budgets.items():
        q = values[name, instance]
        k = coverage_factor(budget.degrees_of_freedom)
        u = budget.standard_uncertainty
        stated = (
            f"u {u:.3g}, ν {_freedom(budget.degrees_of_freedom)}, U (k=2) {2 * u:.3g}, "
            f"U (95 %, k={k:.2f}) {k * u:.3g}"
        )
        if not budget.complete:
            stated = f"u not known: enter its repeatability from a study; without that the rest is {u:.3g}"
        lines.append(f"  {name}{f'[{instance}]' if instance else ''} {number(q.value)} {q.unit}: {stated}")
        rows: list[tuple[str, ...]] = [("contribution", "u(x)", "unit", "sensitivity", "in " + q.unit, "ν")]
        rows += [
            (
                c.source,
                f"{c.standard_uncertainty:.3g}",
                c.unit,
                f"{c.sensitivity:.4g}",
                f"{c.effect:.3g}",
                _freedom(c.degrees_of_freedom),
            )
            for c in sorted(budget.contributions, key=lambda c: -c.effect)
        ]
        lines += [f"  {line}" for line in aligned(rows)]
    return "\n".join([*lines, ""])


def _freedom(dof: float) -> str:
    return "∞" if math.isinf(dof) else f"{dof:.1f}"


def printed(result: dict[str, Any], *, as_json: bool) -> str:
    """A result as one line of JSON, or as a table that can be pasted into a mail."""
    return encode(result).decode() if as_json else _table(result)


def _table(result: dict[str, Any]) -> str:
    trace = result["trace"]
    who = trace.get("artefact") or f"{trace.get('part')} {trace.get('serial')}"
    lines = [
        f"{result['source']['name']}: {result['disposition'].upper()}",
        f"  {clean(who)}, {clean(trace['feature'])} ({trace['kind']}), {trace['points']} points"
        + (f", {trace['turns']:.3f} turns" if trace["turns"] is not None else ""),
    ]
    lines += [f"  because {clean(reason)}" for reason in result["reasons"]]
    rows: list[tuple[str, ...]] = [("characteristic", "value", "±U (k=2)", "lower", "upper", "unit", "verdict")]
    harmonics = [c for c in result["characteristics"] if c["name"] == "harmonic_amplitude"]
    hidden = {id(c) for c in harmonics[_HARMONICS_SHOWN:]}
    rows += [_row(c) for c in result["characteristics"] if id(c) not in hidden]
    if hidden:
        rows.append((f"({len(hidden)} more harmonics)", "", "", "", "", "", ""))
    lines += ["", *aligned(rows), ""]
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
    lines += [*aligned(checks), ""]
    peaks = result["details"].get("peaks")
    if peaks:
        lines += ["  what stands out of the spectrum", *(f"  - {p['sentence']}" for p in peaks), ""]
    return "\n".join(lines)


def _row(c: dict[str, Any]) -> tuple[str, ...]:
    name = f"{c['name']}[{c['instance']}]" if c["instance"] else c["name"]
    numbers = (number(c[k]) for k in ("value", "expanded_uncertainty", "lower", "upper"))
    return (name, *numbers, c["unit"], c["verdict"])


def number(value: float | None) -> str:
    """Five significant digits, a dash for nothing."""
    return "-" if value is None else f"{value:.5g}"


def clean(text: object) -> str:
    """Text of a file without anything that a terminal would obey."""
    return "".join(c if c.isprintable() else "?" for c in str(text))


def aligned(rows: Sequence[tuple[str, ...]]) -> list[str]:
    """Rows of texts as lines with columns of one width, the last column as it is."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]) - 1)]
    return [
        "  " + "  ".join([*(c.ljust(w) for c, w in zip(row, widths, strict=False)), row[-1]]) for row in rows
    ]
