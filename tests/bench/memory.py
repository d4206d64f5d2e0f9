"""Resident memory of the service over 2,000 files. Targets: at most 150 MB, and flat.

Run: python tests/bench/memory.py [files]
"""

import sys
import tempfile
from pathlib import Path

from figures import print_table, resident_mb

sys.path.insert(0, str(Path(__file__).parent.parent))
from field import Agent, Broker, spiral_text

FILES = int(sys.argv[1]) if len(sys.argv) > 1 else 2000


def main() -> None:
    base = Path(tempfile.mkdtemp(prefix="memory-"))
    template = spiral_text(serial="SERIAL", points_per_turn=18000)
    rows = []
    with (
        Broker(base / "broker") as broker,
        Agent(base / "agent", broker.port, changes={"intake.settle_s": 0}) as agent,
    ):
        for number in range(1, FILES + 1):
            path = agent.inbox / f"{number:06d}.txt"
            path.write_text(template.replace("SERIAL", f"{number:06d}"))
            if number % (FILES // 10) == 0 or number == 20:
                agent.wait_event("measured", number, deadline_s=300)
                rows.append((number, resident_mb(agent.pid)))
                for done in agent.inbox.glob("*.txt"):
                    done.unlink()
    print_table(f"resident memory over {FILES} files of 54,000 points", ("files", "MB"), rows)
    growth = rows[-1][1] - rows[1][1]
    print(
        f"  {growth:+.1f} MB between {rows[1][0]} and {rows[-1][0]} files; most {max(r[1] for r in rows):.0f} MB"
    )


if __name__ == "__main__":
    main()
