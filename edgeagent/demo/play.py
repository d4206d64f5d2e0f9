"""Plays the demo: gauge and lamp around the real agent in a process of its own, then checks everything."""

from __future__ import annotations

import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import click

from edgeagent.codec.plain_text import count_text
from edgeagent.demo import scenario
from edgeagent.demo.broker import embedded_broker
from edgeagent.demo.gauge import export
from edgeagent.demo.lamp import DispositionMessage, LampClient, LineView
from edgeagent.demo.scenario import Act, Case
from edgeagent.errors import AgentError, UsageError
from edgeagent.model import Disposition, Verdict
from edgeagent.report.write import write_period_report
from edgeagent.store.replay import replay_store
from edgeagent.store.verify import verify_journal

PREFIX = "edgeagent/plant-a/cell-3/gauge-1"
_PATIENCE_S = 45.0
"""How long the line waits for what must come: long enough for a machine that does other work."""
_LAMP_WORDS = {"0": "clear", "1": "reject", "2": "hold", "3": "fault"}


def play(folder: Path | None) -> int:
    """Run the demo in ``folder`` (a new temporary one by default); returns the exit code.

    0 only if every part got the disposition that its built-in defect calls for, the lamp agreed, the
    journal is whole, the replay is clean and the report is written.
    """
    began = time.monotonic()
    base = Path(tempfile.mkdtemp(prefix="edgeagent-demo-")) if folder is None else folder
    # Its journal would be continued, and the checks would count the former run's parts too.
    if (base / "store").exists():
        raise UsageError(f"{base} holds a store already; the demo plays in an empty folder")
    try:
        _write_configuration(base)
    except OSError as error:
        raise AgentError(f"{base}: cannot play here: {error.strerror}") from error
    click.echo(f"All parts, numbers and defects are invented. Playing in {base}")
    with embedded_broker(base) as port:
        (base / "agent.toml").write_text(scenario.AGENT_TOML.format(port=port), encoding="utf-8")
        # Before the agent, so that the line sees its first digit.
        lamp = LampClient(port, PREFIX)
        with (base / "agent.log").open("wb") as log:
            agent = subprocess.Popen(
                [sys.executable, "-m", "edgeagent", "run", "--config", str(base / "agent.toml")], stdout=log
            )
            try:
                played = _acts(base / "inbox", lamp)
            finally:
                code = _stop_agent(agent)
                # Only then is the lamp left: that a stopped agent shows fault is one of the checks.
                lamp.wait(lambda seen: seen.lamp[-1:] == ["3"], _PATIENCE_S)
                lamp.close()
    problems = _check_dispositions(played, lamp.seen)
    problems += _lamp_problems(lamp.seen)
    if code != 0:
        problems.append(f"the agent ended with exit code {code}: see {base / 'agent.log'}")
    problems += _prove(base)
    for problem in problems:
        click.echo(f"WRONG: {problem}")
    wrong = f"{count_text(len(problems), 'thing')} went wrong."
    verdict = wrong if problems else "Everything came out as it must."
    click.echo(f"{verdict} {time.monotonic() - began:.0f} s.")
    return 0 if not problems else 1


def _stop_agent(agent: subprocess.Popen[bytes]) -> int:
    """End the agent in order, by force where it does not; its exit code."""
    agent.send_signal(signal.SIGTERM)
    try:
        return agent.wait(timeout=_PATIENCE_S)
    except subprocess.TimeoutExpired:
        # A demo that goes wrong must leave nothing running behind it.
        agent.kill()
        return agent.wait()


def _write_configuration(base: Path) -> None:
    for name in ("inbox", "recipes", "artefacts"):
        (base / name).mkdir(parents=True, exist_ok=True)
    features = "".join(scenario.SPIRAL_MEASUREMENT.format(feature=f) for f in ("left-flank", "right-flank"))
    (base / "recipes" / "KX-2005-R.toml").write_text(scenario.SPIRAL_RECIPE + features, encoding="utf-8")
    (base / "recipes" / "KX-2005-G.toml").write_text(scenario.AXIAL_RECIPE, encoding="utf-8")
    (base / "artefacts" / "MW-03.toml").write_text(scenario.CERTIFICATE, encoding="utf-8")


def _acts(inbox: Path, lamp: LampClient) -> tuple[Case, ...]:
    """Both acts: a verified gauge and its parts; then a gauge that drifts."""
    if not lamp.wait(lambda seen: "2" in seen.lamp, _PATIENCE_S):
        raise AgentError("the agent's lamp does not come up")
    click.echo("agent ready, lamp on hold: the gauge is not verified yet")
    _export(scenario.verification("MW-03-morning.txt", 1.0, 11), inbox, lamp)
    if not lamp.wait(lambda seen: len(seen.verifications) == 1, _PATIENCE_S):
        raise AgentError("the agent does not verify the gauge")
    click.echo(f"reference artefact MW-03 measured: {_verified(lamp)}")
    cases = scenario.cases()
    click.echo(f"measuring {len(cases)} parts with and without defects, about 20 s")
    for case in cases:
        _measure(case, inbox, lamp)
    _settle(cases, lamp)
    for (verified, case), gauge in zip(scenario.drift_acts(), ("0.35 %", "1 %"), strict=True):
        before = len(lamp.seen.verifications)
        _export(verified, inbox, lamp)
        # Waited for before the part: which of two files is read first must not decide what the gate says.
        lamp.wait(lambda seen, b=before: len(seen.verifications) > b, _PATIENCE_S)
        click.echo(f"reference artefact again, the gauge now reads {gauge} low: {_verified(lamp)}")
        _measure(case, inbox, lamp)
        _settle((case,), lamp)
        cases = (*cases, case)
    return cases


def _verified(lamp: LampClient) -> str:
    """What the newest verification came to."""
    return "passed" if lamp.seen.verifications[-1].passed else "failed, so the gate closes"


def _export(act: Act, inbox: Path, lamp: LampClient) -> None:
    """Export a file; one that is torn is written whole only when the agent has raised its alarm."""
    export(act, inbox, lambda: lamp.wait(_quarantine_alarm, _PATIENCE_S))


def _quarantine_alarm(seen: LineView) -> bool:
    return any(a.alarm == "quarantine" for a in seen.alarms)


def _measure(case: Case, inbox: Path, lamp: LampClient) -> None:
    """Export a part's files one after another; the operator acknowledges each reject."""
    for number, act in enumerate(case.acts, 1):
        before = _count(lamp.seen, case)
        _export(act, inbox, lamp)
        # Other files bring no disposition, and waiting for one would take all the patience.
        if number in case.deciding:
            lamp.wait(lambda seen, b=before: _count(seen, case) > b, _PATIENCE_S)
        for message in lamp.seen.dispositions.get((case.part, case.serial), [])[before:]:
            if message.disposition == Disposition.REJECT:
                lamp.acknowledge(message.seq)
                # Else the next part's disposition would be shown under this one's reject.
                lamp.wait(lambda seen: seen.lamp[-1] != "1", _PATIENCE_S)


def _settle(cases: Sequence[Case], lamp: LampClient) -> None:
    """Wait until every part has the disposition that it must have, or the time is up."""

    def all_there(seen: LineView) -> bool:
        return all(_newest(seen, c) == c.expected for c in cases)

    lamp.wait(all_there, _PATIENCE_S)


def _count(seen: LineView, case: Case) -> int:
    return len(seen.dispositions.get((case.part, case.serial), ()))


def _newest(seen: LineView, case: Case) -> str | None:
    messages = seen.dispositions.get((case.part, case.serial))
    return messages[-1].disposition.value if messages else None


def _check_dispositions(cases: Sequence[Case], seen: LineView) -> list[str]:
    """One line a part, and what did not come out as its defect calls for."""
    problems = []
    click.echo(f"\n{'serial':<8} {'built-in defect':<44} {'expected':<9} {'got':<8} because")
    for case in cases:
        messages = seen.dispositions.get((case.part, case.serial), [])
        got = messages[-1].disposition.value if messages else "nothing"
        reasons = "; ".join(messages[-1].reasons) if messages else ""
        short = reasons if len(reasons) <= 90 else reasons[:89] + "…"
        click.echo(f"{case.serial:<8} {case.defect:<44} {case.expected:<9} {got:<8} {short}")
        if got != case.expected or case.because not in reasons:
            problems.append(
                f"{case.serial}: expected {case.expected} for {case.because!r}, got {got}: {reasons}"
            )
        if case.serial == "000510" and [m.disposition for m in messages] != ["reject", "accept"]:
            problems.append("000510 must be rejected first and accepted after it was reground")
        if case.serial == scenario.WOULD_PASS and not _looks_good(messages):
            problems.append(f"{case.serial} must look good to the drifted gauge: only the gate holds it")
    return problems


def _looks_good(messages: Sequence[DispositionMessage]) -> bool:
    verdicts = {c.verdict for m in messages for c in m.characteristics if c.upper is not None}
    return bool(verdicts) and verdicts <= {Verdict.CONFORMING, Verdict.CAUTION}


def _lamp_problems(seen: LineView) -> list[str]:
    """The lamp must have shown what each disposition asks for when it was published."""
    wanted = {Disposition.ACCEPT: "0", Disposition.REJECT: "1", Disposition.HOLD: "2"}
    problems = []
    for message in (m for messages in seen.dispositions.values() for m in messages):
        shown, right = seen.lamp_after[message.seq], wanted[message.disposition]
        if shown != right:
            words = f"showed {_LAMP_WORDS.get(shown, shown)} for a {message.disposition.value}"
            problems.append(f"{message.serial}: the lamp {words}")
    if not _quarantine_alarm(seen):
        problems.append("the torn file raised no alarm")
    if seen.lamp[-1:] != ["3"]:
        problems.append("the stopped agent does not show fault")
    return problems


def _prove(base: Path) -> list[str]:
    """Verify the journal, replay the archive, write the report."""
    problems: list[str] = []
    try:
        whole = verify_journal(base / "store")
        click.echo(f"\njournal whole: {whole.records} records")
        replayed = replay_store(base / "store")
        click.echo(f"replay: {replayed.files} files computed again, {replayed.identical} identical")
        odd = (*replayed.verdict_flips, *replayed.differences)
        problems += [f"replay: {d.subject}: {d.what}" for d in odd]
        problems += ["replay found nothing to do"] if not replayed.files else []
        click.echo(f"report: {write_period_report(base / 'store', base / 'report.html', None, part_pages=60)}")
    except AgentError as error:
        problems.append(str(error))
    return problems
