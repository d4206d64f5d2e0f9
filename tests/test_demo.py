"""The demo proves itself: every part gets what its built-in defect calls for, or it exits non-zero."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.mark.timeout(600)
def test_demo_ends_by_itself_with_everything_as_it_must_be(tmp_path):
    command = [sys.executable, "-m", "edgeagent", "demo", "--folder", str(tmp_path / "demo")]
    told = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False, timeout=500)
    assert told.returncode == 0, told.stdout + told.stderr
    assert "Everything came out as it must." in told.stdout
    assert "WRONG" not in told.stdout
    assert "journal whole" in told.stdout
    report = tmp_path / "demo" / "report.html"
    assert str(report) in told.stdout
    assert report.stat().st_size > 10_000
