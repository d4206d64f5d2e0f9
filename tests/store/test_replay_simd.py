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

FOUND = np.show_config(mode="dicts")["SIMD Extensions"]["found"]
LEVELS = {
    "all": ([], ""),
    "without 512 bits": ([f for f in FOUND if f == "X86_V4" or f.startswith("AVX512")], "Haswell"),
    "baseline": (FOUND, "Nehalem"),
}
"""What numpy must not use, and the processor that OpenBLAS is to take this one for."""


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
    disabled, core = LEVELS[level]
    env = {**os.environ, "PYTHONPATH": os.fspath(ROOT), "NPY_DISABLE_CPU_FEATURES": " ".join(disabled)}
    env |= {"OPENBLAS_CORETYPE": core} if core else {}
    command = [sys.executable, "-m", "edgeagent", "replay", "--json", "--config", str(station / "agent.toml")]
    told = subprocess.run(command, env=env, capture_output=True, text=True, check=False)
    assert told.returncode == 0, told.stdout + told.stderr
    report = json.loads(told.stdout)
    print(level, {name: report[name] for name in ("files", "identical", "within_rounding")})
    assert report["identical"] + report["within_rounding"] == report["files"] == 5
    if level == "all":
        assert report["identical"] == 5
