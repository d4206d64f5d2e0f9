"""Drift in a running cell: its alarm comes before the first reject, once, over crashes. Parts are invented."""

from __future__ import annotations

from click.testing import CliRunner
from field import spiral_text, wait_until

from edgeagent.cli import main

USUAL = [300.0, 312.0, 291.0, 305.0, 288.0, 309.0, 297.0, 303.0, 294.0, 306.0]
"""Amplitudes of 3 UPR in nm; the recipe of the invented nut rejects from some 800 nm on."""


def watching(agent, text, minimum=8):
    with agent.config.open("a", encoding="utf-8") as file:
        file.write(f"[drift]\nminimum = {minimum}\n{text}")
    return agent


def ran(agent, *args):
    return CliRunner().invoke(main, [*args, "--config", str(agent.config)])


def test_slow_drift_raises_its_alarm_before_the_first_reject_and_only_once_over_crashes(cell, circle_text):
    cell.begin_broker()
    listener = cell.begin_listener()
    agent = watching(cell.agent(), '[[drift.watch]]\ncharacteristic = "harmonic_amplitude[3]"\n')
    agent.start()
    amplitudes = [*USUAL, *(USUAL[i % 10] + 35.0 * (i + 1) for i in range(18))]
    for number, amplitude in enumerate(amplitudes, 1):
        if number in (9, 20):  # once with a usual process, once while it drifts
            agent.kill()
            agent.start()
        agent.drop(f"{number:02}.txt", circle_text(f"{number:03}", amplitude, seed=number))
        wait_until(lambda n=number: len(agent.records("disposition")) >= n)
    last = agent.records()[-1]["seq"]
    listener.wait(lambda seen: any(m.json["seq"] == last for m in seen.messages("disposition")))
    agent.terminate()
    # What a crash made the agent send again has the same seq, and counts once
    sent = {m.json["seq"]: m.json for m in listener.messages() if m.topic in ("alarm", "disposition")}
    told = [sent[seq] for seq in sorted(sent)]
    drifts = [i for i, m in enumerate(told) if m.get("alarm") == "drift"]
    rejects = [i for i, m in enumerate(told) if m.get("disposition") == "reject"]
    assert len(drifts) == 1
    assert len(rejects) >= 3
    first_reject = [m["disposition"] for m in told if "disposition" in m].index("reject")
    told_before = sum("disposition" in m for m in told[: drifts[0]])
    assert 10 < told_before < first_reject - 5
    assert "harmonic_amplitude[3] of HN-1610-R outside on gauge-1 is rising" in told[drifts[0]]["reason"]
    assert all(m["disposition"] == "accept" for m in told[: drifts[0]] if "disposition" in m)
    # Neither the chain nor what a replay computes is disturbed by records of drift
    assert ran(agent, "replay").exit_code == 0
    assert CliRunner().invoke(main, ["journal", "verify", str(agent.store)]).exit_code == 0
    shown = ran(agent, "trend", "--characteristic", "harmonic_amplitude[3]").stdout
    assert "watched by cusum (both): is rising" in shown


def test_worn_tip_raises_its_alarm_while_verifications_still_pass(cell):
    agent = watching(
        cell.agent(),
        '[[drift.watch]]\ncharacteristic = "amplitude_error"\nartefact = "MW-03"\nupr_min = 100\n'
        'side = "falling"\n',
    )
    agent.start(wait=False)
    agent.wait_event("started")
    scatter = [0.0, 0.4, -0.3, 0.2, -0.4, 0.3, -0.1, -0.2, 0.1, 0.0]
    for number in range(18):
        # The certified amplitude at 180 UPR is 403 nm; a pass allows some 5 nm
        worn = 0.25 * max(0, number - 9)
        waves = {36: 812.0 + scatter[number % 10], 180: 403.0 + scatter[(3 * number) % 10] - worn}
        text = spiral_text(
            artefact="MW-03", feature="waves", kind="circle", turns=2, waves_nm=waves, noise_nm=2.0,
            seed=number, measured_at=f"2026-03-02T{number:02}:00:00Z",
        )  # fmt: skip
        agent.drop(f"{number:02}.txt", text)
        agent.wait_event("measured", number + 1)
    agent.terminate()
    drifts = [r["body"] for r in agent.records("recovery") if r["body"]["what"] == "drift"]
    assert [(d["characteristic"], d["side"], d["artefact"]) for d in drifts] == [
        ("amplitude_error[180]", "falling", "MW-03")
    ]
    assert "stylus tip" in drifts[0]["reason"]
    assert [r["body"]["passed"] for r in agent.records("verification")] == [True] * 18
