"""How far archived numbers depend on the processor: 38 traces, evaluated with fewer and fewer instructions.

    python tests/bench/processors.py

Each level is a process of its own: all instructions, once as the program computes and once as numpy and
OpenBLAS would choose; without 512 bits; the oldest instructions alone, in the C library too. Prints for each
level how many numbers differ from the first, by how much at the most, in which class the replay puts the files,
and what is beyond rounding.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from time import process_time
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from field import ROOT, spiral_text
from figures import print_table

from edgeagent.codec.records.result import encode
from edgeagent.demo.gauge import trace_text
from edgeagent.demo.scenario import Act, GrooveShape
from edgeagent.judging.agreement import compare_results
from edgeagent.judging.evaluation.evaluate import Rulebook, evaluate
from edgeagent.store.configuration import load_configuration
from edgeagent.store.running.arithmetic import arithmetic_environment

FOUND = np.show_config(mode="dicts")["SIMD Extensions"].get("found", [])
LEVELS: dict[str, list[str]] = {
    "all": [],
    "all, choice left to numpy": [],
    "without 512 bits": [f for f in FOUND if f == "X86_V4" or f.startswith("AVX512")],
    "oldest": FOUND,
}


def texts() -> Iterator[tuple[str, bytes]]:
    """Spirals, roundness planes, grooves and travel, ideal and disturbed, of many lengths."""
    number = 0
    waves = ({2: 150.0, 20: 20.0, 37: 10.0}, {3: 560.0, 96: 38.0}, {2: 80.0, 37: 25.0, 180: 6.0}, {5: 1.0})
    for turns, per_turn in ((1, 3600), (2, 3600), (3, 3600), (3, 5400), (3, 4001), (5, 3600), (3, 17_989)):
        for seed, comb in enumerate(waves if per_turn < 6000 else waves[:2]):
            number += 1
            made = spiral_text(turns=turns, points_per_turn=per_turn, waves_nm=comb, seed=seed)
            yield f"spiral-{number}.txt", made.encode()
    for seed, comb in enumerate(waves):
        made = spiral_text(
            kind="circle", part="HN-1610-R", feature="outside", turns=2, waves_nm=comb, seed=seed
        )
        yield f"circle-{seed}.txt", made.encode()
    for seed, groove in enumerate(
        (GrooveShape(), GrooveShape(50.0), GrooveShape(lead_mm=5.012), GrooveShape(44.0))
    ):
        act = Act("a.txt", "profile", (), part="KX-2005-G", serial=f"{seed}", seed=seed, groove=groove)
        yield f"axial-{seed}.txt", trace_text(act)
    for seed in range(4):
        yield f"travel-{seed}.txt", _travel(seed)


def _travel(seed: int) -> bytes:
    at = np.arange(0.0, 400.0, (0.5, 0.25, 0.31, 1.0)[seed])
    noise = np.random.default_rng(seed).normal(0.0, 0.02, len(at))
    error = 0.01 * at + 2 * np.sin(2 * np.pi * at / 300) + 0.5 * np.sin(2 * np.pi * at / 5) + noise
    head = ["trace = 1", 'kind = "travel"', 'part = "KX-2005-T"', f'serial = "{seed}"', 'feature = "travel"',
            "measured_at = 2026-03-02T09:41:07Z", "lead_mm = 5.0"]  # fmt: skip
    rows = [f"{x:.5f},{y:.6f}" for x, y in zip(at.tolist(), error.tolist(), strict=True)]
    return "\n".join((*(f"# {line}" for line in head), "travel_mm,deviation_um", *rows)).encode() + b"\n"


def _numbers(found: Any, where: str = "") -> Iterator[tuple[str, float]]:
    """Every number of a result with its place."""
    if isinstance(found, dict):
        for name, value in found.items():
            yield from _numbers(value, f"{where}.{name}")
    elif isinstance(found, list):
        for at, value in enumerate(found):
            yield from _numbers(value, f"{where}[{at}]")
    elif isinstance(found, float | int) and not isinstance(found, bool):
        yield where, float(found)


def evaluated(folder: Path) -> None:
    """The results of all traces of a folder and the time for them; what each level's process runs."""
    rules = Rulebook.of(load_configuration(ROOT / "config" / "agent.toml"))
    for path in sorted(folder.iterdir()):
        result = evaluate(path.name, path.read_bytes(), None, rules).result
        print(json.dumps([path.name, json.loads(encode(result))]))
    print(f"{process_time():.2f} s of the processor", file=sys.stderr)


def main() -> None:
    with tempfile.TemporaryDirectory() as base:
        folder = Path(base)
        for name, data in texts():
            (folder / name).write_bytes(data)
        found = {}
        for level, disabled in LEVELS.items():
            env = {**os.environ, "NPY_DISABLE_CPU_FEATURES": " ".join(disabled)}
            env |= {"GLIBC_TUNABLES": "glibc.cpu.hwcaps=-AVX2,-FMA"} if level == "oldest" else {}
            env |= {} if level.endswith("left to numpy") else arithmetic_environment(env)
            told = subprocess.run(
                [sys.executable, __file__, str(folder)], env=env, stdout=subprocess.PIPE, text=True, check=True
            )
            found[level] = dict(map(json.loads, told.stdout.splitlines()))
    rows, where, beyond = [], Counter[str](), list[str]()
    for level, results in found.items():
        classes, numbers, unlike, worst = Counter[str](), 0, 0, 0.0
        for name, result in results.items():
            compared = compare_results(found["all"][name], result)
            classes[compared.agreement.name.lower()] += 1
            beyond += [f"{level}: {name}: {m.where}: {m.recorded}, {m.now}" for m in compared.mismatches]
            before, now = (dict(_numbers(one)) for one in (found["all"][name], result))
            assert before.keys() == now.keys(), name
            numbers += len(now)
            for place, value in now.items():
                if value != before[place]:
                    unlike += 1
                    where[f"{name.split('-')[0]} {level}: {place.split('[')[0]}"] += 1
                    worst = max(worst, abs(value - before[place]) / max(abs(value), abs(before[place])))
        counted = ", ".join(f"{count} {name}" for name, count in sorted(classes.items()))
        rows.append((level, f"{unlike} of {numbers}", f"{worst:.1e}", counted))
    print_table(
        "Traces of four kinds, against the level with all instructions",
        ("level", "numbers that differ", "largest share", "files by class"),
        rows,
    )
    print("\n".join(beyond))
    for name, count in sorted(where.items()):
        print(f"{count:8} {name}")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        evaluated(Path(sys.argv[1]))
    else:
        main()
