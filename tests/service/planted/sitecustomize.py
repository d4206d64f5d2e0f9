"""Faults planted into a worker process, by the name of the file that it analyses.

Python imports this module at its start where its folder is on PYTHONPATH. It does nothing except in a worker.
``PLANTED`` names a folder: each fault notes its begin there as ``NAME.begun``, and happens once where the name
says so; ``start-fails`` in it ends every start.
"""

import os
import signal
import sys
import time
from pathlib import Path

NOTES = Path(os.environ.get("PLANTED", "/nonexistent"))


def hang():
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
    "fill": fill,
    "rubbish": rubbish,
    "mistake": mistake,
    "die": lambda: os.kill(os.getpid(), signal.SIGKILL),
    "abort": os.abort,
    "slow": lambda: time.sleep(0.3),
    "leave": lambda: os._exit(0),
}


def plant():
    import edgeagent.judging.evaluate as module

    real = module.evaluate

    def evaluate(name, *more, **named):
        fault, _, _ = name.partition("-")
        begun = NOTES / f"{name}.begun"
        if fault in FAULTS and not ("-once" in name and begun.exists()):
            begun.touch()
            FAULTS[fault]()
        return real(name, *more, **named)

    module.evaluate = evaluate


if "edgeagent.service.worker" in sys.orig_argv:
    if (NOTES / "start-fails").exists():
        os._exit(7)
    plant()
