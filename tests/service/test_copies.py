"""The running service and copies of files that it decided before."""

from __future__ import annotations

from field import spiral_text, wait_until

BAD = {2: 150.0, 37: 200.0}


def test_copy_of_the_good_file_does_not_undo_the_reject_of_a_bad_one(cell):
    agent = cell.agent()
    agent.start(wait=False)
    good, bad = (spiral_text(feature="left-flank", waves_nm=w, seed=n) for n, w in enumerate(({2: 150.0}, BAD)))
    for name, text in (("1.txt", good), ("2.txt", bad), ("copy-of-1.txt", good)):
        before = len(agent.records("measurement"))
        agent.drop(name, text)
        wait_until(lambda n=before: len(agent.records("measurement")) == n + 1)
    found = [r["body"]["disposition"] for r in agent.records("measurement")]
    assert found == ["accept", "reject", "accept"], "each file by itself"
    agent.drop("right.txt", spiral_text(feature="right-flank", waves_nm={2: 150.0}, seed=9))
    wait_until(lambda: len(agent.records("measurement")) == 4)
    assert agent.terminate() == 0
    assert [r["body"]["disposition"] for r in agent.records("disposition")][-1] == "reject"
    assert "accept" not in [r["body"]["disposition"] for r in agent.records("disposition")]
