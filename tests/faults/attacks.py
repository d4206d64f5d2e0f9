"""Table of attacks by somebody with root on the station: what finds them on which level. Needs no broker.

python tests/faults/attacks.py
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from attacks import ATTACKS, LEVELS, found_on, play
from forgeries import FORGERIES


def main() -> None:
    """Play a store once, attack a copy of it in each way, and print what each level says."""
    with tempfile.TemporaryDirectory() as base:
        folder = Path(base)
        station = play(folder)
        for name, attack in (ATTACKS | FORGERIES).items():
            copy = folder / "copy"
            shutil.copytree(station, copy)
            found = found_on(copy, folder / "others", attack)
            shutil.rmtree(copy)
            print(name)
            for level in LEVELS:
                print(f"    {level:<8} {found[level] or '-'}")


if __name__ == "__main__":
    main()
