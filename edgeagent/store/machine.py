"""What this machine computes with: interpreter, libraries and instructions, for the configuration record."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import numpy as np

from edgeagent.model.records import Machine


def this_machine() -> Machine:
    """What the last digits of a result may depend on.

    Processors without AVX2 and FMA, or of another kind, take sums and sines otherwise, so that results of two
    machines may differ in the last digits. The record says which machine it was and which of its vector
    instructions were used.
    """
    # numpy's own word for what it was built with and what it found: the processor's flags alone do not say what
    # it uses.
    built: Any = np.show_config(mode="dicts")
    blas = built.get("Build Dependencies", {}).get("blas", {})
    simd = built.get("SIMD Extensions", {})
    return Machine(
        python=platform.python_version(),
        implementation=platform.python_implementation(),
        processor=platform.machine(),
        numpy=np.__version__,
        scipy=_version("scipy"),
        blas=f"{blas.get('name', 'unknown')} {blas.get('version', '')}".strip(),
        simd=(*simd.get("baseline", ()), *simd.get("found", ())),
    )


def _version(package: str) -> str:
    """Asked of its metadata: importing scipy takes longer than the rest of a start."""
    try:
        return version(package)
    except PackageNotFoundError:
        return "not installed"
