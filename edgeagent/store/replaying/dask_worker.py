"""A worker of a Dask cluster that computes as every process of this program does.

``python -m edgeagent.store.replaying.dask_worker tcp://HOST:8786 --nworkers auto --nthreads 1``: words and
options are those of ``dask worker``.
"""

from __future__ import annotations

import os
import sys

from edgeagent.store.running.arithmetic import arithmetic_environment


def main(arguments: list[str]) -> None:
    """Become ``dask worker``, with what must be set before numpy is loaded."""
    os.environ.update(arithmetic_environment(os.environ))
    # The nanny sets some of these for its workers unless it is told not to
    os.environ["DASK_DISTRIBUTED__NANNY__PRE_SPAWN_ENVIRON__OPENBLAS_NUM_THREADS"] = "1"
    os.execv(sys.executable, [sys.executable, "-m", "dask", "worker", *arguments])


if __name__ == "__main__":
    main(sys.argv[1:])
