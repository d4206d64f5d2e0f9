"""The README tells the truth: its snippets run, its example reads, its commands are there."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from field import Agent, Broker, spiral_text

from edgeagent.cli import main
from edgeagent.codec.traces.trace_text import parse_trace_text

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
CONFIGURATION = (ROOT / "config" / "README.md").read_text(encoding="utf-8")
FORMAT = (ROOT / "edgeagent" / "store" / "FORMAT.md").read_text(encoding="utf-8")


def block(text: str, language: str, containing: str) -> str:
    """The fenced block of a language that contains a text."""
    parts = text.split("```")[1::2]  # every second piece lies between two fences
    found = [p.partition("\n")[2] for p in parts if p.partition("\n")[0] == language and containing in p]
    assert len(found) == 1
    return found[0]


def test_readme_is_short_and_opens_with_the_job():
    lines = README.splitlines()
    assert len(lines) <= 150
    assert lines[0] == "# edgeagent"
    assert "metrology engineer" in lines[2]
    assert README.index("edgeagent demo") < README.index("fixtures/report.png")


def test_developers_guide_is_short_and_every_document_that_is_named_is_there():
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert len(guide.splitlines()) <= 200
    for text in (README, guide):
        for name in re.findall(r"`([\w/]+\.md)`", text):
            assert (ROOT / name).is_file(), name


def test_example_of_trace_text_reads_as_written():
    trace = parse_trace_text(block(CONFIGURATION, "", "# trace = 1").encode())
    assert trace.header.part == "KX-2005-R"
    assert trace.columns["deviation_um"].tolist() == [12.4132, 12.413911]


@pytest.mark.needs_mosquitto
def test_audit_snippet_checks_a_real_journal_and_notices_a_change(tmp_path):
    with Broker(tmp_path / "broker") as broker, Agent(tmp_path / "agent", broker.port) as agent:
        agent.drop("000412.txt", spiral_text())
        agent.wait_event("measured")
    snippet = block(FORMAT, "python", "segment in sorted")
    command = [sys.executable, "-c", snippet]
    told = subprocess.run(command, cwd=agent.folder, capture_output=True, text=True, check=True).stdout
    segment = next((agent.store / "journal").glob("*.jsonl"))
    assert told == f"whole: {len(segment.read_bytes().splitlines())} records\n"
    segment.write_bytes(segment.read_bytes().replace(b"000412", b"000413", 1))
    assert subprocess.run(command, cwd=agent.folder, capture_output=True, check=False).returncode != 0


def test_every_command_is_in_the_readme_and_has_help_with_an_example():
    runner = CliRunner()
    names = [line.split()[0] for line in _listed(runner.invoke(main, ["--help"]).output)]
    assert "run" in names
    for name in names:
        command = ["journal", "verify"] if name == "journal" else [name]
        told = runner.invoke(main, [*command, "--help"])
        assert told.exit_code == 0
        assert "Example:" in told.output, name
        assert f"edgeagent {name}" in README, name


def _listed(text: str) -> list[str]:
    return [line for line in text.split("Commands:\n", 1)[1].splitlines() if line.strip()]


def test_completion_that_the_readme_names_is_there():
    variable = re.search(r"(_\w+_COMPLETE)=bash_source", README)
    assert variable is not None
    program = "from edgeagent.cli import main; main(prog_name='edgeagent')"
    told = subprocess.run(
        [sys.executable, "-c", program],
        env={**os.environ, "PYTHONPATH": str(ROOT), variable.group(1): "bash_source"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert "complete" in told.stdout
