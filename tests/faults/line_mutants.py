"""Which share of random sequences notices that the PLC lacks one of its rules; without a lack none may.

Run: python tests/faults/line_mutants.py [sequences]   (600 by default; a fake clock, no broker)
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent.parent / "deploy"), str(Path(__file__).parent.parent)]
sys.path.append(str(Path(__file__).parent.parent.parent))
from line_events import play
from plc_model import PlcModel
from plc_mutants import MUTANTS, mutant


def caught(model: type[PlcModel], sequences: int) -> tuple[int, str]:
    """How many of the sequences fail, and what most of them complain of."""
    said: Counter[str] = Counter()
    for number in range(sequences):
        try:
            play(number, model)
        except AssertionError as error:
            said[str(error).split(": ", 1)[1].split(";")[0]] += 1
    return said.total(), said.most_common(1)[0][0] if said else "nothing"


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 600
    print(f"  {'the PLC lacks':<28} caught by, of {count}   most say")
    for rule, model in (("nothing", PlcModel), *((name, mutant(name)) for name in MUTANTS)):
        found, why = caught(model, count)
        print(f"  {rule:<28} {found:>6}   {why}", flush=True)
