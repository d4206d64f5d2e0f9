"""Resident memory of the service over 2,000 files. Targets: at most 150 MB, and flat.

Run: python tests/bench/memory.py [files]
"""

import sys
import tempfile
from pathlib import Path

from figures import print_table, resident_mb

sys.path.insert(0, str(Path(__file__).parent.parent))
from field import Agent, Broker, spiral_text
from latency import RECIPE

FILES = int(sys.argv[1]) if len(sys.argv) > 1 else 2000


def measured(agent: Agent, template: str) -> list[tuple[int, float]]:
    """Feed the files one after another; resident memory now and then."""
    rows = []
    for number in range(1, FILES + 1):
        path = agent.inbox / f"{number:06d}.txt"
        path.write_text(template.replace("SERIAL", f"{number:06d}"))
        if number % (FILES // 10) == 0:
            agent.wait_event("measured", number, deadline_s=300)
            rows.append((number, resident_mb(agent.pid)))
            for done in agent.inbox.glob("*.txt"):
                done.unlink()
    return rows


def main() -> None:
    base = Path(tempfile.mkdtemp(prefix="memory-"))
    template = spiral_text(serial="SERIAL", points_per_turn=18000)
    with Broker(base / "broker") as broker:
        agent = Agent(base / "agent", broker.port, changes={"intake.settle_s": 0})
        (agent.folder / "recipes" / "KX-2005-R.toml").write_text(RECIPE)
        with agent:
            rows = measured(agent, template)
    print_table(f"resident memory over {FILES} files of 54,000 points", ("files", "MB"), rows)
    first, last = rows[0], rows[-1]
    most = max(memory for _, memory in rows)
    print(f"  {last[1] - first[1]:+.1f} MB between {first[0]} and {last[0]} files; most {most:.0f} MB")


if __name__ == "__main__":
    main()
