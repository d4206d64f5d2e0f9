"""Faults planted into a worker process, by the name of the file that it analyses.

Python imports this module at its start where its folder is on PYTHONPATH. It acts in workers alone,
unless a note below says otherwise.
``PLANTED`` names a folder: each fault notes its begin there as ``NAME.begun``, and happens once where the name
says so. ``start-fails`` in it ends every worker's start, ``reading-kills`` the agent when it reads ``deadly-``.
"""

import os
import signal
import sys
import time
from pathlib import Path

NOTES = Path(os.environ.get("PLANTED", "/nonexistent"))


def hang():
    while True:
        time.sleep(1.0)


def compute():
    while True:
        pass


def fill():
    kept = []
    while True:
        kept.append(bytearray(b"x" * (16 << 20)))


def rubbish():
    os.write(int(sys.argv[1]), b"\xc1 no answer at all")


def mistake():
    raise ZeroDivisionError("planted")


FAULTS = {
    "hang": hang,
    "compute": compute,
    "fill": fill,
    "rubbish": rubbish,
    "mistake": mistake,
    "die": lambda: os.kill(os.getpid(), signal.SIGKILL),
    "abort": os.abort,
    "slow": lambda: time.sleep(0.3),
    "leave": lambda: os._exit(0),
}


def plant():
    import edgeagent.judging.evaluation.evaluate as module

    real = module.evaluate

    def evaluate(name, *more, **named):
        fault, _, _ = name.partition("-")
        begun = NOTES / f"{name}.begun"
        if fault in FAULTS and not ("-once" in name and begun.exists()):
            begun.touch()
            FAULTS[fault]()
        return real(name, *more, **named)

    module.evaluate = evaluate
    if loaded := sys.modules.get("edgeagent.service.workers.worker"):  # a forked worker's
        loaded.evaluate = evaluate


def plant_in_agent():
    import edgeagent.service.folders.disk as module

    real = module.read_file

    def read_file(path, *more, **named):
        if path.name.startswith("deadly-"):
            os.kill(os.getpid(), signal.SIGKILL)
        return real(path, *more, **named)

    module.read_file = read_file


if (NOTES / "reading-kills").exists() and "run" in sys.orig_argv:
    plant_in_agent()
if "edgeagent.service.workers.worker" in sys.orig_argv:
    if (NOTES / "start-fails").exists():
        os._exit(7)
    plant()
