"""Do the tests bite? A seeded sample of one-line mutations of the decisions, each against its module's tests.

Run: python tests/mutation/run.py   (extra 'dev'; some ten minutes on two idle cores; --help for the rest)

cosmic-ray makes the mutants; the sample, which tests belong to which module, and the runs are ours: cosmic-ray
starts an interpreter for each mutant, ten times as slow as a child of one that has numpy and pytest loaded.
Only a copy of the project is mutated. What was found stands in `results.json` and is found again only where a
module or its tests changed. Ends with 0 when at least 90 % are killed and every survivor has its reason in
`equivalent.toml`; --write puts the table into README.md beside this file.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import hashlib
import importlib
import importlib.util
import json
import multiprocessing
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
import tomllib
import traceback
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, NoReturn

os.environ["OPENBLAS_NUM_THREADS"] = "1"

import pytest
from cosmic_ray.commands.init import init
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator
from cosmic_ray.work_db import use_db

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
RESULTS = HERE / "results.json"
NEEDED = ("config", "deploy", "edgeagent", "fixtures", "tests", "pyproject.toml", "README.md", "DEVELOPERS.md")
TIMEOUT_S = 180.0
"""A mutant that waits for ever is killed by it; many times what the slowest selection takes."""
TIMES_AS_LONG, LEAST_S = 5, 10
"""A mutant that makes a loop endless is killed by the system when its tests have used so many times the
processor time of the unmutated ones, and some more: however busy the machine is."""
FEWEST = 5
"""Mutants of a module however small it is, unless it has fewer places."""
TARGET = 0.9
OPTIONS = ("-q", "-x", "-n0", "-p", "no:cacheprovider", "-W", "ignore:Module already imported")
"""Up to the first test that fails. Plugins that were imported before the fork cannot be rewritten."""
SAID = "said.txt"
"""What the last run of tests printed, in the copy."""
KILLERS = "killers.txt"
"""The tests that killed a mutant of the module, in the copy: they are tried first on the next one."""


@dataclass(frozen=True)
class Mutant:
    """One mutation: where, and by which operator of cosmic-ray."""

    module: str
    operator: str
    occurrence: int
    line: int
    column: int


@dataclass(frozen=True)
class Subject:
    """A module, its tests, and what the result of its mutants depends on."""

    module: str
    tests: tuple[str, ...]
    digest: str


def subjects(asked: Iterable[str], seed: int, share: float) -> list[Subject]:
    """Modules with their tests: the mirror image, and what `modules.toml` adds to it."""
    more = tomllib.loads((HERE / "modules.toml").read_text(encoding="utf-8"))
    found = []
    for path in sorted(p for room in more["rooms"] for p in (ROOT / room).rglob("[!_]*.py")):
        name = path.relative_to(ROOT).as_posix()
        room = name.split("/")[1]
        mirrors = [p.relative_to(ROOT).as_posix() for p in (ROOT / "tests" / room).glob(f"test_{path.name}")]
        tests = sorted({*mirrors, *more["also"].get(name, ())})
        if name in more["left_out"] or not any(word in name for word in asked):
            continue
        known = hashlib.sha256(f"{seed} {share} {OPTIONS}".encode())
        for file in (name, *tests):
            known.update(code_of((ROOT / file).read_text(encoding="utf-8")).encode())
        everywhere = [test.format(module=name) for test in more["everywhere"]]
        found.append(Subject(name, (*tests, *everywhere), known.hexdigest()))
    return found


def code_of(text: str) -> str:
    """What a module does, whatever its comments, docstrings and line breaks: of these no mutant depends."""
    tree = ast.parse(text)
    for node in ast.walk(tree):
        body = getattr(node, "body", None)
        if isinstance(body, list):
            rest = [x for x in body if not (isinstance(x, ast.Expr) and isinstance(x.value, ast.Constant))]
            node.body = rest or [ast.Pass()]  # type: ignore[attr-defined]
    return ast.unparse(tree)


def unexecuted(path: Path) -> Iterator[tuple[tuple[int, int], tuple[int, int]]]:
    """Spans of annotations, which are text to a running program: a mutant there changes nothing."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        found = (getattr(node, "annotation", None), getattr(node, "returns", None))
        for part in (p for p in found if isinstance(p, ast.expr)):
            yield (part.lineno, part.col_offset), (part.end_lineno or 0, part.end_col_offset or 0)


def can_be_made(module: str, spec: Any) -> bool:
    """Whether cosmic-ray can make this mutant: it knows no dotted names in a tuple of exceptions."""
    if "Exception" not in spec.operator_name:
        return True
    try:
        code = (ROOT / module).read_text(encoding="utf-8")
        mutate_code(code, get_operator(spec.operator_name)(), spec.occurrence)
    except AttributeError:
        return False
    return True


def population(module: str) -> dict[tuple[int, int], list[Mutant]]:
    """All mutants of a module by their places, in an order that does not depend on the run."""
    with tempfile.TemporaryDirectory() as folder, use_db(f"{folder}/session.sqlite") as session:
        init([ROOT / module], session, {})
        specs = [item.mutations[0] for item in session.work_items]
    spans = list(unexecuted(ROOT / module))
    places: dict[tuple[int, int], list[Mutant]] = {}
    for spec in sorted(specs, key=lambda s: (*s.start_pos, s.operator_name, s.occurrence)):
        line, column = spec.start_pos
        if not any(begin <= (line, column) < end for begin, end in spans) and can_be_made(module, spec):
            mutant = Mutant(module, spec.operator_name, spec.occurrence, line, column)
            places.setdefault((line, column), []).append(mutant)
    return places


def sample(module: str, share: float, seed: int) -> list[Mutant]:
    """One mutant at each of a ``share`` of the places of a module.

    An operator between numbers has a dozen mutants and a constant two: by places, formulas do not crowd
    out decisions.
    """
    places, pick = population(module), random.Random(f"{seed}:{module}")
    count = min(len(places), max(FEWEST, round(share * len(places))))
    return [pick.choice(places[place]) for place in sorted(pick.sample(sorted(places), count))]


def enter_copy(copies: str) -> None:
    """Go to a copy of the project of one's own, and load once what all tests need and nobody mutates."""
    folder = Path(tempfile.mkdtemp(dir=copies))
    for name in NEEDED:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, folder / name, ignore=shutil.ignore_patterns("__pycache__", "*.egg-info"))
        elif source.exists():
            shutil.copy2(source, folder / name)
    os.chdir(folder)
    os.environ["PYTHONPATH"] = os.fspath(folder)
    sys.path[:0] = [os.fspath(folder), os.fspath(folder / "tests")]
    for name in ("hypothesis", "msgspec", "numpy", "paho.mqtt.client", "scipy.special"):
        importlib.import_module(name)


class WithoutWaiting:
    """Plugin that leaves out simulations and services: what counts is what quick tests kill."""

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        waits = importlib.import_module("quick").waits
        killers = Path(KILLERS).read_text(encoding="utf-8").splitlines() if Path(KILLERS).exists() else []
        items[:] = sorted((i for i in items if not waits(i)), key=lambda i: i.nodeid not in killers)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            with open(KILLERS, "a", encoding="utf-8") as killers:
                killers.write(f"{report.nodeid}\n")


def run_and_exit(tests: Iterable[str], processor_s: int) -> NoReturn:
    """Run tests and end this process, whatever happens, without cleaning up what the parent needs."""
    code = 1
    try:
        os.setsid()
        resource.setrlimit(resource.RLIMIT_CPU, (processor_s, processor_s))
        with open(SAID, "w", encoding="utf-8") as said:
            os.dup2(said.fileno(), 1)
            os.dup2(said.fileno(), 2)
        code = int(pytest.main([*OPTIONS, *tests], plugins=[WithoutWaiting()]))
        sys.stdout.flush()
    except BaseException:  # noqa: BLE001 - the parent's clean-up must not run here, so nothing may leave
        traceback.print_exc()
    finally:
        os._exit(code)


def passes(tests: Iterable[str], processor_s: int = int(TIMEOUT_S)) -> tuple[bool, float]:
    """Whether the tests pass in a child of this process, which has imported nothing of the project yet.

    And the processor time that they took.
    """
    child = os.fork()
    if child == 0:
        run_and_exit(tests, processor_s)
    until = time.monotonic() + TIMEOUT_S
    while True:
        ended, status, used = os.wait4(child, os.WNOHANG)
        if ended:
            return status == 0, used.ru_utime + used.ru_stime
        if time.monotonic() > until:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return False, TIMEOUT_S
        time.sleep(0.01)


def survives(mutant: Mutant, tests: Iterable[str], processor_s: int) -> tuple[str, str] | None:
    """The line before and after where the tests pass in spite of it, None for a mutant that they kill."""
    path = Path(mutant.module)
    original = path.read_text(encoding="utf-8")
    mutated = mutate_code(original, get_operator(mutant.operator)(), mutant.occurrence)
    if mutated is None:
        raise RuntimeError(f"{mutant} mutates nothing")
    compiled = Path(importlib.util.cache_from_source(os.fspath(path)))
    try:
        path.write_text(mutated, encoding="utf-8")
        compiled.unlink(missing_ok=True)  # its time stamp counts whole seconds only
        if not passes(tests, processor_s)[0]:
            return None
    finally:
        path.write_text(original, encoding="utf-8")
        compiled.unlink(missing_ok=True)
    old, new = ([line.strip() for line in text.splitlines()] for text in (original, mutated))
    changed = next(i for i, (a, b) in enumerate(zip(old, new, strict=False)) if a != b)
    return old[changed], new[changed]


def try_mutants(subject: Subject, share: float, seed: int) -> tuple[str, dict[str, Any] | None]:
    """The module, and what became of its mutants; None where its tests fail before anything is mutated."""
    Path(KILLERS).unlink(missing_ok=True)
    whole, used_s = passes(subject.tests)
    if not whole:
        said = Path(SAID).read_text(encoding="utf-8")[-2000:]
        print(f"{subject.module}: tests fail unmutated\n{said}", flush=True)
        return subject.module, None
    mutants, survivors = sample(subject.module, share, seed), []
    for mutant in mutants:
        if (lines := survives(mutant, subject.tests, LEAST_S + round(TIMES_AS_LONG * used_s))) is not None:
            survivors.append({"line": mutant.line, "before": lines[0], "after": lines[1]})
            print(f"{subject.module}:{mutant.line}: {lines[0]}  ->  {lines[1]}", flush=True)
    print(f"{subject.module}: {len(mutants) - len(survivors)} of {len(mutants)} killed", flush=True)
    return subject.module, {"digest": subject.digest, "mutants": len(mutants), "survivors": survivors}


def explained() -> dict[tuple[str, str, str], str]:
    entries = tomllib.loads((HERE / "equivalent.toml").read_text(encoding="utf-8"))["mutant"]
    return {(e["module"], e["before"], e["after"]): e["why"] for e in entries}


def table(
    results: dict[str, Any], reasons: dict[tuple[str, str, str], str], changed: set[str]
) -> tuple[list[str], bool]:
    """The result as Markdown, one row a module and every survivor with its reason; and whether it is good.

    Modules that ``changed``, themselves or their tests, since they were tried are marked.
    """
    rows = ["| module | mutants | killed | survivors |", "|---|---|---|---|"]
    total = left = 0
    sentences, whole = [], True
    for module, found in sorted(results.items()):
        survivors, count = found["survivors"], found["mutants"]
        total, left = total + count, left + len(survivors)
        mark = ", changed since" if module in changed else ""
        rows.append(f"| `{module}`{mark} | {count} | {count - len(survivors)} | {len(survivors)} |")
        for s in survivors:
            why = reasons.get((module, s["before"], s["after"]))
            whole &= why is not None
            sentences.append(f"- `{module}`: `{s['before']}` → `{s['after']}`: {why or '**not explained**'}")
    killed = total - left
    rows.append(f"| **all** | **{total}** | **{killed}**, {100 * killed / max(total, 1):.1f} % | **{left}** |")
    return [*rows, "", *sentences], whole and killed >= TARGET * total


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("modules", nargs="*", default=[""], help="parts of module names; all without")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--share", type=float, default=0.15, help="share of the places that are mutated")
    parser.add_argument("--again", action="store_true", help="try again what did not change, too")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="modules at a time")
    parser.add_argument("--write", action="store_true", help="put the table into README.md")
    asked = parser.parse_args()
    chosen = subjects(asked.modules, asked.seed, asked.share)
    results = json.loads(RESULTS.read_text(encoding="utf-8")) if RESULTS.exists() else {}
    everything = {s.module for s in subjects([""], asked.seed, asked.share)}
    results = {module: found for module, found in results.items() if module in everything}
    todo = [s for s in chosen if asked.again or results.get(s.module, {}).get("digest") != s.digest]
    todo.sort(key=lambda s: -(ROOT / s.module).stat().st_size)  # none of the long ones is left for the end
    one = partial(try_mutants, share=asked.share, seed=asked.seed)
    with tempfile.TemporaryDirectory(prefix="mutants-") as copies, contextlib.ExitStack() as stack:
        pool = multiprocessing.get_context("fork").Pool(asked.jobs, enter_copy, (copies,))
        for module, found in stack.enter_context(pool).imap_unordered(one, todo):
            results.pop(module, None)
            if found is not None:
                results[module] = found
            text = json.dumps(results, indent=1, sort_keys=True, ensure_ascii=False)
            RESULTS.write_text(text + "\n", encoding="utf-8")
    all_of_them = subjects([""], asked.seed, asked.share)
    changed = {s.module for s in all_of_them if results.get(s.module, {}).get("digest") != s.digest}
    rows, good = table(results, explained(), changed)
    print("\n".join(rows))
    if asked.write:
        readme = HERE / "README.md"
        head = readme.read_text(encoding="utf-8").split("<!-- table -->")[0]
        readme.write_text(head + "<!-- table -->\n\n" + "\n".join(rows) + "\n", encoding="utf-8")
    untried = sorted(everything - set(results))
    print("".join(f"\n{module}: not tried, or its tests fail unmutated" for module in untried))
    return 0 if good and not untried and not changed else 1


if __name__ == "__main__":
    sys.exit(main())
