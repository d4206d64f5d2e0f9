"""A store replayed with fewer of the processor's instructions than it was written with looks unchanged."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from field import ROOT, Agent, spiral_text

FOUND = np.show_config(mode="dicts")["SIMD Extensions"]
FOUND = [*FOUND.get("found", []), *FOUND.get("not found", [])]
LEVELS = {
    "other kernels": {"OPENBLAS_CORETYPE": "Haswell", "OPENBLAS_NUM_THREADS": "2"},
    "without 512 bits": {"NPY_DISABLE_CPU_FEATURES": " ".join(f for f in FOUND if f != "X86_V3")},
    "oldest": {
        "NPY_DISABLE_CPU_FEATURES": " ".join(FOUND),
        "GLIBC_TUNABLES": "glibc.cpu.hwcaps=-AVX2,-FMA",
    },
}
"""What the environment says of the processor: other kernels of OpenBLAS, no loops of 512 bits, and a processor
without AVX2 and FMA, of which the C library's sines differ too."""


@pytest.fixture(scope="module")
def station(tmp_path_factory) -> Path:
    """Spirals and a roundness plane, with waves at and between whole orders."""
    folder = tmp_path_factory.mktemp("simd")
    with Agent(folder, 9, changes={"intake.settle_s": 0.05, "verification": None}, wait=False) as agent:
        agent.wait_event("started")
        for serial, waves in (("1", None), ("2", {2: 150.0, 37: 80.0})):
            for feature in ("left-flank", "right-flank"):
                text = spiral_text(serial=serial, feature=feature, waves_nm=waves, seed=int(serial))
                agent.drop(f"{serial}-{feature}.txt", text)
        text = spiral_text(kind="circle", part="HN-1610-R", serial="3", feature="outside", turns=2)
        agent.drop("3.txt", text)
        agent.wait_event("measured", 5)
        assert agent.terminate() == 0
    return folder


@pytest.mark.parametrize("level", LEVELS)
def test_store_replays_without_a_difference_on_every_level_of_instructions(station, level):
    env = {**os.environ, "PYTHONPATH": os.fspath(ROOT), **LEVELS[level]}
    command = [sys.executable, "-m", "edgeagent", "replay", "--json", "--config", str(station / "agent.toml")]
    told = subprocess.run(command, env=env, capture_output=True, text=True, check=False)
    assert told.returncode == 0, told.stdout + told.stderr
    report = json.loads(told.stdout)
    assert report["identical"] + report["within_rounding"] == report["files"] == 5
    if level != "oldest":
        assert report["identical"] == 5
