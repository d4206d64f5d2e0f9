"""What the service remembers of a part, folded from records. Parts are invented."""

from __future__ import annotations

import shutil
from itertools import count

import pytest
from field import ROOT
from records import record_of

from edgeagent.errors import ConfigError
from edgeagent.judging.memory import Memory
from edgeagent.model import Disposition
from edgeagent.rules.part_set import decide
from edgeagent.rules.sentences import sentences
from edgeagent.store.configuration import load_configuration


class Fold:
    """A memory, and the records that are folded into it."""

    def __init__(self):
        self.memory = Memory({}, None, live_s=0.0, latches=False)
        self._number = count(1)

    def record(self, kind, body):
        number = next(self._number)
        self.memory.apply(record_of(kind, body, seq=number))

    def measure(self, serial, disposition="accept", sha256="a", feature="outside"):
        self.record(
            "measurement",
            {
                "trace": {
                    "part": "P-1", "serial": serial, "feature": feature,
                    "measured_at": "2026-03-02T09:41:07+00:00",
                },
                "source": {"folder": "inbox", "name": "x.txt", "sha256": sha256, "look": [1, 2, 3, 4]},
                "instrument": "gauge-1", "required": ["outside"], "characteristics": [],
                "disposition": disposition, "reasons": ["dust"] if disposition == "hold" else [],
                "settled_at": 1.0, "decided_at": 2.0,
            },
        )  # fmt: skip

    def dispose(self, serial, disposition, gate=None):
        more = {} if gate is None else {"gate": gate}
        self.record(
            "disposition",
            {"part": "P-1", "serial": serial, "disposition": disposition, "settled_at": 1.0, **more},
        )


@pytest.fixture
def fold():
    """One part that the gate holds, and after it more parts than memory keeps."""
    fold = Fold()
    fold.measure("held")
    fold.dispose("held", "hold", "gate: closed")
    for number in range(600):
        fold.measure(str(number))
        fold.dispose(str(number), "accept")
    assert ("P-1", "held") not in fold.memory.sets
    assert len(fold.memory.sets) < 600
    return fold


def test_copy_is_known_as_one_however_long_the_gate_holds_its_part(fold):
    fold.measure("held")
    assert fold.memory.part_set("P-1", "held").results["outside"].copied
    fold.measure("held", sha256="b")
    assert not fold.memory.part_set("P-1", "held").results["outside"].copied


def test_part_that_is_released_late_is_decided_anew_when_it_is_measured_again(fold):
    fold.dispose("held", "accept")
    assert fold.memory.gated == {}
    fold.measure("held", "hold", sha256="b")
    decision = decide(fold.memory.part_set("P-1", "held"), 2.0, 900.0)
    assert decision.disposition == Disposition.HOLD
    assert sentences(decision.reasons) == ("outside: dust", "re-measured: outside")


@pytest.mark.parametrize(
    ("file", "text", "closes"),
    [
        ("artefacts/MW-03.toml", None, True),
        ("artefacts/MW-03.toml", "artefact = 3", True),
        ("recipes/KX-2005-R.toml", "part = 3", False),
    ],
)
def test_reload_that_leaves_a_certificate_out_is_remembered_until_one_succeeds(tmp_path, file, text, closes):
    shutil.copytree(ROOT / "config", tmp_path / "config")
    with (tmp_path / "config" / "agent.toml").open("a", encoding="utf-8") as agent:
        agent.write('\n[uncertainty]\nartefact = "MW-03"\n')
    path = tmp_path / "config" / file
    path.unlink()
    if text is not None:
        path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError) as refused:
        load_configuration(tmp_path / "config" / "agent.toml")
    fold = Fold()
    fold.record("recovery", {"what": "configuration-rejected", "reason": str(refused.value)})
    assert (fold.memory.certificate_refused is not None) is closes
    fold.record("configuration", {})
    assert fold.memory.certificate_refused is None
