"""Time until `edgeagent run` is ready, against the import of its main libraries alone, in the same run.

Run: python tests/bench/startup.py   Target: at most 1.5 times
python -c "import numpy, scipy.fft, paho.mqtt.client, watchdog.observers". Ready means that the agent's own lamp
message has come back from a local Mosquitto. Both run from compiled modules, as an installed package has them.
"""

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from figures import print_table

sys.path.insert(0, str(Path(__file__).parent.parent))
from field import Agent, Broker

ROUNDS = 11
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # the round that does not count compiles
IMPORTS = "import numpy, scipy.fft, paho.mqtt.client, watchdog.observers"


def until_ready(config: Path) -> float:
    """Seconds from starting the process to its event `ready`; the process is ended afterwards."""
    began = time.perf_counter()
    command = [sys.executable, "-m", "edgeagent", "run", "--config", str(config)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=os.environ)
    for line in process.stdout:
        if json.loads(line)["event"] == "ready":
            break
    took = time.perf_counter() - began
    process.terminate()
    process.communicate()
    return took


def imported() -> float:
    """Seconds that a process needs for the imports alone."""
    began = time.perf_counter()
    subprocess.run([sys.executable, "-c", IMPORTS], check=True)
    return time.perf_counter() - began


def main() -> None:
    base = Path(tempfile.mkdtemp(prefix="startup-"))
    with Broker(base / "broker") as broker:
        agent = Agent(base / "agent", broker.port)
        until_ready(agent.config), imported()
        pairs = [(until_ready(agent.config), imported()) for _ in range(ROUNDS)]
    ready, bare = (statistics.median(column) for column in zip(*pairs, strict=True))
    rows = [("imports alone", 1000 * bare), ("edgeagent run, ready", 1000 * ready)]
    print_table(f"start, median of {ROUNDS}, ms", ("", "ms"), rows)
    print(f"  ratio {ready / bare:.2f} (target at most 1.5)")


if __name__ == "__main__":
    main()
