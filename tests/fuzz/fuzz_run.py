"""Fuzz every way in by which bytes reach the agent.

    python tests/fuzz/fuzz_run.py                        60 s, shared by all targets: what CI does
    python tests/fuzz/fuzz_run.py --seconds 3600         longer by hand
    python tests/fuzz/fuzz_run.py --target x3p --seed 7  one target, other inputs
    python tests/fuzz/fuzz_run.py --again FILE --target x3p

Coverage decides which inputs are worth going on from where atheris is installed (it needs its own wheel for the
interpreter); elsewhere, and with --plain, seeded mutations of the corpus, which the seed makes come again.
A finding is an error that the target does not document, an input that takes more than 2 s of processor time, or
one for which the process grows by more than 300 MB. Findings are kept in the folder of --findings. Exit code 1
when there is one.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import resource
import subprocess
import sys
import time
import traceback
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
HANG_S = float(os.environ.get("FUZZ_HANG_S", "2"))
"""Processor time of one input. CI allows more, for machines that are slower or shared."""
GROWTH_MB = 300


class Watch:
    """Runs inputs one by one and keeps what must not be."""

    def __init__(self, name: str, folder: Path) -> None:
        from fuzz_targets import run_target

        self._run = run_target
        self.name = name
        self.folder = folder
        self.inputs = 0
        self.slowest_s = 0.0
        self.growth_mb = 0
        self.kinds: dict[str, int] = {}

    def look(self, data: bytes) -> None:
        """Run one input; a finding is written down once a kind, and the run goes on."""
        self.inputs += 1
        before_mb, began = _peak_mb(), time.process_time()
        try:
            self._run(self.name, data)
        except Exception as error:  # noqa: BLE001 - whatever comes out here is what is looked for
            place = traceback.extract_tb(error.__traceback__)[-1]
            self._keep(f"{type(error).__name__} in {Path(place.filename).name}:{place.lineno}", data)
        taken_s, grown_mb = time.process_time() - began, _peak_mb() - before_mb
        self.slowest_s, self.growth_mb = max(self.slowest_s, taken_s), max(self.growth_mb, grown_mb)
        if taken_s > HANG_S:
            self._keep(f"hang of more than {HANG_S:g} s", data)
        if grown_mb > GROWTH_MB:
            self._keep(f"growth by more than {GROWTH_MB} MB", data)

    def _keep(self, kind: str, data: bytes) -> None:
        self.kinds[kind] = self.kinds.get(kind, 0) + 1
        if self.kinds[kind] == 1:
            self.folder.mkdir(parents=True, exist_ok=True)
            path = self.folder / f"{self.name}-{hashlib.sha256(data).hexdigest()[:12]}"
            path.write_bytes(data)
            print(f"{self.name}: {kind}: {path}", flush=True)

    def report(self) -> dict[str, object]:
        """What the run found, as one line for the process that started it."""
        return {
            "target": self.name, "inputs": self.inputs, "slowest_s": round(self.slowest_s, 3),
            "growth_mb": self.growth_mb, "findings": self.kinds,
        }  # fmt: skip


def _peak_mb() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024


def run_plain(watch: Watch, seconds: float, seed: int) -> None:
    """Seeded mutations of the corpus, for a time."""
    from fuzz_mutate import mutate
    from fuzz_targets import seeds_of

    seeds, source = seeds_of(watch.name), random.Random(f"{watch.name} {seed}")
    for data in seeds:
        watch.look(data)
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        watch.look(mutate(source.choice(seeds), seeds, source))


def run_guided(watch: Watch, seconds: float, seed: int, corpus: Path) -> None:
    """Coverage-guided by atheris. Ends the process itself, once the report is written."""
    import atheris
    from fuzz_mutate import mutate
    from fuzz_targets import seeds_of

    seeds = seeds_of(watch.name)
    corpus.mkdir(parents=True, exist_ok=True)
    for data in seeds:
        (corpus / hashlib.sha256(data).hexdigest()[:16]).write_bytes(data)
    end = time.monotonic() + seconds

    def one(data: bytes) -> None:
        watch.look(data)
        if time.monotonic() > end:
            print(json.dumps(watch.report()), flush=True)
            os._exit(0)

    def change(data: bytes, size_max: int, number: int) -> bytes:
        source = random.Random(number)
        own = source.random() < 0.7
        return mutate(data, seeds, source)[:size_max] if own else atheris.Mutate(data, size_max)

    arguments = [
        sys.argv[0],
        f"-seed={seed + 1}",
        "-max_len=200000",
        "-rss_limit_mb=4000",
        "-verbosity=0",
        str(corpus),
    ]
    atheris.Setup(arguments, one, custom_mutator=change)
    atheris.Fuzz()


def _one_target(given: argparse.Namespace) -> None:
    if not given.plain:
        import atheris

        with atheris.instrument_imports(
            include=["edgeagent", "tomllib", "zipfile", "json"], enable_loader_override=False
        ):
            import fuzz_targets  # noqa: F401
    watch = Watch(given.one, given.findings)
    if given.plain:
        run_plain(watch, given.seconds, given.seed)
        print(json.dumps(watch.report()), flush=True)
    else:
        run_guided(watch, given.seconds, given.seed, given.findings / "corpus" / given.one)


def _can_guide() -> bool:
    try:
        import atheris  # noqa: F401
    except ImportError:
        return False
    return True


def main() -> int:
    """All targets one after the other, each in a process of its own, and a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--target")
    parser.add_argument("--plain", action="store_true", help="seeded mutations only")
    parser.add_argument("--again", type=Path, help="run one kept finding")
    parser.add_argument("--findings", type=Path, default=Path(".fuzz"))
    parser.add_argument("--one", help=argparse.SUPPRESS)
    given = parser.parse_args()
    given.plain = given.plain or not _can_guide()
    if given.one:
        _one_target(given)
        return 0
    from fuzz_targets import TARGETS, run_target

    if given.again:
        run_target(given.target, given.again.read_bytes())
        return 0
    names = [given.target] if given.target else list(TARGETS)
    reports = [_spawn(name, given, given.seconds / len(names)) for name in names]
    way = "seeded mutations" if given.plain else "coverage-guided"
    print(f"{way}: {sum(int(r['inputs']) for r in reports)} inputs")
    for r in reports:
        print(
            "{target:16} {inputs:>8} inputs, slowest {slowest_s} s, growth {growth_mb} MB, {findings}".format(
                **r
            )
        )
    return 1 if any(r["findings"] for r in reports) else 0


def _spawn(name: str, given: argparse.Namespace, seconds: float) -> dict[str, object]:
    command = [sys.executable, __file__, "--one", name, "--seconds", str(seconds), "--seed", str(given.seed)]
    command += ["--findings", str(given.findings), *(["--plain"] if given.plain else [])]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    lines = done.stdout.splitlines()
    for line in lines[:-1]:
        print(line)
    try:
        found: dict[str, object] = json.loads(lines[-1])
    except (IndexError, json.JSONDecodeError):
        print(done.stderr[-2000:])
        found = {
            "target": name,
            "inputs": 0,
            "slowest_s": 0,
            "growth_mb": 0,
            "findings": {f"died: {done.returncode}": 1},
        }
    return found


if __name__ == "__main__":
    sys.exit(main())
