"""Lifts the readers' limits in worker processes, so that their memory and time limits alone must hold.

Python imports this module at its start where its folder is on PYTHONPATH. It does nothing except in a worker.
"""

import sys

if "edgeagent.service.workers.worker" in sys.orig_argv:
    import edgeagent.codec.limits as limits

    for name in vars(limits):
        if name.endswith("_MAX") and name not in ("YEAR_MAX", "DIGITS_MAX"):
            setattr(limits, name, 10**12)
