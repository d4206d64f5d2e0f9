"""How every process of the program computes: set before numpy is loaded, whatever the environment says.

OpenBLAS chooses its kernels by the processor, and each takes sums in another order: of the numbers that
differed between processors, 98 in 100 differed by that. The kernels of the oldest processor that numpy runs on
are on all of them, and what they solve here is small. numpy's own loops of 512 bits have other last digits than
those of 256 bits and save nothing here. Threads of BLAS change sums by their number, and cost memory.
So results are the same to the last digit on all x86-64 processors with AVX2 and FMA
(``tests/bench/processors.py``).
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from importlib.util import find_spec
from pathlib import Path

_KERNELS = {"x86_64": "Nehalem"}
"""By machine; on others OpenBLAS chooses."""
_WIDE = ("X86_V4", "AVX512_ICL", "AVX512_SPR")
_WIDE_BEFORE_2_4 = ("AVX512F", "AVX512CD", "AVX512_SKX", "AVX512_CLX", "AVX512_CNL", "AVX512_ICL", "AVX512_SPR")
"""Names of the loops of 512 bits, to numpy from 2.4 on and before; it warns of names that it does not know."""
_DISABLE = "NPY_DISABLE_CPU_FEATURES"


def arithmetic_environment(environment: Mapping[str, str]) -> dict[str, str]:
    """Variables that fix how sums are taken, in place of those in ``environment``.

    Instructions that the environment takes from numpy stay taken from it.
    """
    found = {"OPENBLAS_NUM_THREADS": "1"}
    kernels = _KERNELS.get(os.uname().machine)
    if kernels is not None:
        disabled = dict.fromkeys((*environment.get(_DISABLE, "").split(), *_wide_loops()))
        found |= {"OPENBLAS_CORETYPE": kernels, _DISABLE: " ".join(disabled)}
    return found


def _wide_loops() -> tuple[str, ...]:
    """Names of the loops of 512 bits to the numpy that is installed; found without importing it."""
    spec = find_spec("numpy")
    if spec is None or spec.origin is None:
        return ()
    try:
        text = Path(spec.origin).with_name("version.py").read_text(encoding="utf-8")
    except OSError:
        return ()
    version = re.search(r'version = "(\d+)\.(\d+)', text)
    return _WIDE if version is None or tuple(map(int, version.groups())) >= (2, 4) else _WIDE_BEFORE_2_4
