"""The shipped function blocks of the PLC's side, wired as their comments say."""

from __future__ import annotations

from typing import Any

from field import ROOT
from plc_model import Inputs
from structured_text import FunctionBlock

SOURCE = ROOT / "deploy" / "plc" / "lamp.st"
OURS = "ab" * 32


class ShippedPlc:
    """Both blocks of lamp.st, wired as their comments say. Takes the model's inputs."""

    def __init__(self, store: str = OURS, *, stale_s: float = 3.0) -> None:
        self.lamp = FunctionBlock(SOURCE, "FB_CellLamp")
        self.release = FunctionBlock(SOURCE, "FB_PartRelease")
        self.lamp.Store = self.release.Store = store
        self.lamp.StaleAfter = stale_s

    def cycle(self, now: float, given: Inputs) -> None:
        state, beat, said = given.state, given.heartbeat, given.disposition
        inputs: dict[str, Any] = {
            "Connected": given.connected,
            "StateNew": state is not None,
            "LampNew": given.lamp is not None,
            "HeartbeatNew": beat is not None,
        }
        if state is not None:
            inputs |= dict(zip(("StateRetained", "StateStore", "StateLamp"), state, strict=True))
        if beat is not None:
            inputs |= dict(zip(("HeartbeatRetained", "HeartbeatCount"), beat, strict=True))
        if given.lamp is not None:
            inputs["LampDigit"] = given.lamp
        self.lamp.cycle(now, **inputs)
        part: dict[str, Any] = {"Watched": self.lamp.Watched, "LastCount": self.lamp.LastCount}
        part |= {"PartArrived": given.part_arrived is not None, "New": said is not None}
        if given.part_arrived is not None:
            part["SerialAtStation"] = given.part_arrived
        if said is not None:
            part |= {"Retained": said.retained, "Late": said.late, "Seq": said.seq}
            part |= {"DispositionStore": said.store, "ExpiresBeat": said.expires_beat}
            part |= {"Serial": said.serial, "Accepted": said.accepted}
        self.release.cycle(now, **part)

    @property
    def shown(self) -> str:
        (name,) = (n for n in ("Clear", "Reject", "Hold", "Fault") if getattr(self.lamp, n))
        return name

    @property
    def part(self) -> tuple[bool, bool, bool]:
        return self.release.Released, self.release.Refused, self.release.TimedOut
