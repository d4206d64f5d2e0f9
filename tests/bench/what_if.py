"""What-ifs over archived results, against a full replay of the same files: results a second on one core.

Run: python tests/bench/what_if.py [files]
Rates are by processor time of one process, so that a busy machine tells the same. Some parts are really
measured; their records and archived objects stand for all others. Target: 5,000 results a second once there are
side files.
"""

import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))
from edgeagent.store.running.arithmetic import arithmetic_environment

os.environ.update(arithmetic_environment(os.environ))  # as every command does, before numpy is loaded

import msgspec
from figures import print_table

sys.path.insert(0, str(Path(__file__).parent.parent))
from field import spiral_text, with_changes
from played_store import PlayedStation

from edgeagent.model.records import AnyBody, Measurement, PartDisposition
from edgeagent.store.configuration import load_configuration, load_recipes
from edgeagent.store.journal import JournalReader
from edgeagent.store.replay import replay_store
from edgeagent.store.replaying.computing_process import collect_seldom
from edgeagent.store.replaying.judged import Question
from edgeagent.store.replaying.what_if import question_of, what_if

FILES = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
MEASURED = 20


def write_store(folder: Path) -> PlayedStation:
    """Parts with two traces each, the amplitude at 37 UPR rising through its limit."""
    with PlayedStation(folder / "station") as played:
        for n in range(MEASURED):
            for feature in ("left-flank", "right-flank"):
                waves = {2: 150.0, 20: 20.0, 37: 2.5 * n}
                text = spiral_text(serial=str(n), feature=feature, waves_nm=waves, seed=n)
                played.measure(f"{n}-{feature}.txt", text)
    return played


def copies(store: Path, files: int) -> Iterator[list[AnyBody]]:
    """The measured parts again and again, under other serials."""
    bodies = [r.body for r, _ in JournalReader(store / "journal").walk()]
    replace = msgspec.structs.replace
    for again in range(files // (2 * MEASURED) - 1):
        batch: list[AnyBody] = []
        for body in bodies:
            if isinstance(body, Measurement):
                trace = replace(body.trace, serial=f"{body.trace.of_part[1]}-{again}")
                batch.append(replace(body, trace=trace))
            elif isinstance(body, PartDisposition):
                batch.append(replace(body, serial=f"{body.serial}-{again}"))
        yield batch


def rate(work: Callable[[], int]) -> tuple[float, float]:
    """Files a second of processor time, and µs a file."""
    began = time.process_time()
    files = work()
    took = time.process_time() - began
    return files / took, 1e6 * took / files


def main() -> None:
    collect_seldom()  # as the command does
    folder = Path(tempfile.mkdtemp(prefix="what-if-"))
    try:
        played = write_store(folder)
        store = played.store
        full = rate(lambda: replay_store(store).files)
        played.extend(copies(store, FILES))
        stricter = folder / "recipes"
        shutil.copytree(played.folder / "recipes", stricter)
        recipe = stricter / "KX-2005-R.toml"
        recipe.write_text(recipe.read_text().replace("[20, 60.0]", "[20, 40.0]"))
        other = folder / "other"
        shutil.copytree(played.folder, other, ignore=shutil.ignore_patterns("store"))
        with_changes(
            other / "agent.toml", {"uncertainty.gauge_scale": 0.02, "uncertainty.tip_radius_mm": 0.0005}
        )
        whole, side = load_configuration(other / "agent.toml"), folder / "side"
        limits = Question(load_recipes(stricter))
        simple = Question(load_recipes(stricter), "simple")

        def ask(question: Question, stated: object = None) -> int:
            configuration = whole if stated else None
            found = what_if(store, question, whole=configuration, sample=0, side=side)
            assert found.from_results == found.files, found
            return found.files

        rows = [
            ("full replay", *full),
            ("other limits, no side files yet", *rate(lambda: ask(limits))),
            ("other limits", *rate(lambda: ask(limits))),
            ("other rule", *rate(lambda: ask(simple))),
            ("other uncertainties", *rate(lambda: ask(question_of(whole), whole))),
        ]
        sampled = what_if(store, limits, sample=40, side=side)
        size = sum(p.stat().st_size for p in side.iterdir()) / sampled.files / 1e3
    finally:
        shutil.rmtree(folder)
    table = [(what, found, each, found / full[0]) for what, found, each in rows]
    print_table("one core", ("", "files/s", "µs a file", "× full replay"), table)
    same = len(sampled.sample) - len(sampled.unlike)
    print(f"  {same} of {len(sampled.sample)} sampled files come out the same when computed in full")
    print(f"  side files: {size:.1f} kB a file")


if __name__ == "__main__":
    main()
