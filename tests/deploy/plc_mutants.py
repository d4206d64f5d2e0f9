"""The PLC's model with one of its rules taken out: what the world of random events must notice.

The rule is taken out of the model's text, so that the model itself need not know of it.
"""

from __future__ import annotations

import sys
from pathlib import Path
from types import ModuleType

from plc_model import PlcModel

MODEL = Path(__file__).with_name("plc_model.py")
MUTANTS = {
    "stale timer": ("now - self.silent_since >= self.stale_s", "False"),
    "a greater heartbeat": ("given.heartbeat[1] > self.greatest", "True"),
    "no retained heartbeat": (
        "given.heartbeat is not None and not given.heartbeat[0]",
        "given.heartbeat is not None",
    ),
    "connection": ("if not given.connected:\n            self.fresh", "if False:\n            self.fresh"),
    "state of this store": ("given.state[1] == self.store", "True"),
    "no retained state": ("given.state is not None and not given.state[0]", "given.state is not None"),
    "a state first": ("return self.fresh and self.beating", "return self.beating"),
    "no retained disposition": ("not said.retained and said.store", "said.store"),
    "disposition of this store": ("said.store == self.store and said.seq", "said.seq"),
    "used number": ("said.seq > self.last_seq", "True"),
    "late": ("not said.late and self.greatest", "self.greatest"),
    "expiry": ("self.greatest <= said.expires_beat", "True"),
    "serial": ("said.serial == self.serial", "True"),
    "the disposition itself": (
        "self.released, self.refused = said.accepted,",
        "self.released, self.refused = True,",
    ),
}
"""Rule to the text that holds it, and what stands there without it."""


def mutant(rule: str) -> type[PlcModel]:
    """The model without one rule. ValueError when the model's text no longer holds it exactly once."""
    text, (old, new) = MODEL.read_text(encoding="utf-8"), MUTANTS[rule]
    if text.count(old) != 1:
        raise ValueError(f"{rule}: {old!r} stands {text.count(old)} times in {MODEL.name}")
    module = ModuleType(f"plc_model_without_{rule.replace(' ', '_')}")
    sys.modules[module.__name__] = module  # dataclasses look their module up
    exec(compile(text.replace(old, new), MODEL.name, "exec"), module.__dict__)
    found: type[PlcModel] = module.PlcModel
    return found
