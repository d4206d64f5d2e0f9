"""A file that holds several traces: each is measured once under a name of its own, over any restart."""

from __future__ import annotations

from field import spiral_text, wait_until
from test_whole_file import ONE_FEATURE

from edgeagent.store.replay import replay_store
from edgeagent.store.verify import verify_journal

LAYOUT = """layout = "flanks"
[match]
names = ["*.flanks"]
[text]
delimiter = "semicolon"
[data]
after = '^flank;angle;reading$'
[[column]]
name = "angle_deg"
field = 2
[[column]]
name = "deviation_um"
field = 3
[[header]]
key = "serial"
pattern = '^serial;(.+)$'
[traces]
field = 1
features = { L = "left-flank", R = "right-flank" }
[constants]
kind = "spiral"
part = "TS-1"
measured_at = 2026-03-02T09:41:07Z
sensing = "normal"
tip_radius_mm = 0.005
track_diameter_mm = 18.5
"""


def export(serial: str, flanks: str = "LR", right_nm: float = 20.0) -> str:
    """Both flanks of an invented part, one below the other."""
    rows = []
    for flank in flanks:
        wave_nm = right_nm if flank == "R" else 20.0
        text = spiral_text(part="TS-1", serial=serial, turns=3, points_per_turn=720, waves_nm={7: wave_nm})
        cells = [line.split(",") for line in text.splitlines() if line[0].isdigit() or line[0] == "-"]
        rows += [f"{flank};{angle};{reading}" for angle, reading in cells]
    return "\n".join([f"serial;{serial}", "flank;angle;reading", *rows, ""])


def station(cell):
    """An agent that is not started; its part TS-1 has two flanks."""
    agent = cell.agent({"intake.settle_s": 0.1, "intake.scan_s": 0.2, "intake.unclosed_s": 0.5})
    left = ONE_FEATURE.format(turns_min=3)
    measurement = left[left.index("[[measurement]]") :]
    recipe = left + measurement.replace("left-flank", "right-flank")
    (agent.folder / "recipes" / "TS-1.toml").write_text(recipe, encoding="utf-8")
    (agent.folder / "layouts").mkdir(exist_ok=True)
    (agent.folder / "layouts" / "flanks.toml").write_text(LAYOUT, encoding="utf-8")
    return agent


def names(agent) -> list[str]:
    return sorted(r["body"]["source"]["name"] for r in agent.records("measurement"))


def decided(agent) -> dict[str, str]:
    return {r["body"]["serial"]: r["body"]["disposition"] for r in agent.records("disposition")}


def test_each_trace_of_a_file_is_measured_once_and_the_part_decided_by_all_of_them(cell):
    agent = station(cell).start(wait=False)
    agent.drop("a.flanks", export("1"))
    agent.drop("b.flanks", export("2", right_nm=3000.0))
    wait_until(lambda: decided(agent) == {"1": "accept", "2": "reject"})
    wait_until(lambda: len(names(agent)) == 4)
    expected = ["a.flanks#left-flank", "a.flanks#right-flank", "b.flanks#left-flank", "b.flanks#right-flank"]
    assert names(agent) == expected
    agent.kill()
    agent.start(wait=False)
    agent.drop("c.flanks", export("3"))
    wait_until(lambda: decided(agent).get("3") == "accept")
    assert names(agent) == [*expected, "c.flanks#left-flank", "c.flanks#right-flank"]
    assert agent.terminate() == 0
    verify_journal(agent.store)
    assert replay_store(agent.store).differences == []


def test_file_that_lacks_a_trace_of_its_layout_is_no_part_of_it(cell):
    agent = station(cell).start(wait=False)
    agent.drop("a.flanks", export("1", flanks="L"))
    agent.drop("b.flanks", export("2", flanks="LRX"))
    wait_until(lambda: len(agent.records("quarantine")) == 4)
    reasons = {r["body"]["reason"] for r in agent.records("quarantine")}
    assert any("no rows of right-flank" in reason for reason in reasons)
    assert any("holds 'X', which traces.features does not name" in reason for reason in reasons)
    assert agent.terminate() == 0
