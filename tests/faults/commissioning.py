"""The checklist of deploy/README.md done on one machine: the shipped PLC blocks with 3 s, and the plug pulled.

Each line says what was done and after how many seconds the PLC's output was fault (or what else was asked for).
Network and power are played as far as one machine allows: links are black holes (a proxy that swallows all
packets while connections stay open), a power cut is SIGKILL of agent and broker at the same moment.

Run: python tests/faults/commissioning.py   (needs Mosquitto; 2 minutes)
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent.parent / "deploy"), str(Path(__file__).parent.parent)]
sys.path.append(str(Path(__file__).parent.parent.parent))
from field import ROOT, Agent, Broker, Listener, spiral_text, wait_until
from mqtt_proxy import MqttProxy
from plc_client import PlcClient

ALLOWED_S = 4.0


def part(serial: str, amplitude_nm: float = 20.0) -> str:
    """A nut's roundness plane; 4000 nm are a reject."""
    waves = {2: 150.0, 3: amplitude_nm}
    return spiral_text(
        kind="circle",
        part="HN-1610-R",
        feature="outside",
        serial=serial,
        turns=2,
        points_per_turn=1800,
        waves_nm=waves,
    )


class Commissioning:
    """One cell, and the list of what was seen."""

    def __init__(self, folder: Path, begun: ExitStack) -> None:
        self.broker = begun.enter_context(Broker(folder))
        self.agents_link, self.plcs_link = (begun.enter_context(MqttProxy(self.broker.port)) for _ in range(2))
        changes = {"verification": None, "intake.settle_s": 0.3}
        self.agent = begun.enter_context(Agent(folder / "agent", self.agents_link.port, changes=changes))
        self.line = begun.enter_context(Listener(self.broker.port))
        store = self.agent.records()[0]["hash"]
        self.plc = begun.enter_context(PlcClient(self.plcs_link.port, store, stale_s=3.0))
        self.failed = 0

    @property
    def shown(self) -> str:
        return self.plc.outputs.shown[-1][1] if self.plc.outputs.shown else ""

    def until(self, output: str, within_s: float = 60.0) -> float:
        """Seconds until the output shows; AssertionError when it does not."""
        began = time.monotonic()
        wait_until(lambda: self.shown == output, within_s, f"output {output}")
        return time.monotonic() - began

    def tick(self, what: str, seen: str, good: bool) -> None:
        self.failed += not good
        print(f"  {'ok  ' if good else 'FAIL'}  {what:<66} {seen}", flush=True)

    def pull(self, what: str, pull: Callable[[], object], mend: Callable[[], object], then: str) -> None:
        """Pull a plug, wait for fault; mend it, wait for what must show again."""
        pull()
        seconds = self.until("Fault")
        mend()
        back = self.until(then)
        self.tick(
            what,
            f"fault after {seconds:.1f} s, {then.lower()} {back:.1f} s after mending",
            seconds <= ALLOWED_S,
        )

    def command(self, *words: str) -> subprocess.CompletedProcess[str]:
        env = {**os.environ, "PYTHONPATH": os.fspath(ROOT)}
        command = [sys.executable, "-m", "edgeagent", *words, "--config", os.fspath(self.agent.config)]
        return subprocess.run(command, capture_output=True, text=True, check=False, env=env)

    # --- the list

    def parts(self) -> None:
        self.tick("power-up with an idle agent: fault first, then clear", f"{self.until('Clear'):.1f} s", True)
        self.tick(
            "first output of the PLC", self.plc.outputs.shown[0][1], self.plc.outputs.shown[0][1] == "Fault"
        )
        time.sleep(1.5)
        code = self.command("status").returncode
        self.tick("`edgeagent status`: exit 0", f"exit {code}", code == 0)
        self.plc.arrive("1")
        self.agent.drop("1.txt", part("1"))
        wait_until(lambda: self.plc.outputs.released, what="a release")
        self.tick("good export: clear, the part is released", f"lamp {self.shown}", self.shown == "Clear")
        self.plc.arrive("2")
        self.agent.drop("2.txt", part("2", 4000.0))
        self.until("Reject")
        wait_until(lambda: self.plc.outputs.refused, what="a refusal")
        self.tick(
            "bad export: reject, the part is refused", f"lamp {self.shown}", len(self.plc.outputs.released) == 1
        )
        wait_until(lambda: self.plc.waiting, what="what waits")
        self.plc.acknowledge(self.plc.waiting[0])
        self.tick("the button: clear", f"{self.until('Clear'):.1f} s", True)
        answer = self.line.wait_topic("acknowledge/result")[-1].json["result"]
        self.tick("... and an answer on acknowledge/result", answer, answer == "acknowledged")
        self.agent.drop("3.txt", part("3", 4000.0))
        self.until("Reject")
        seq = str(self.agent.records("disposition")[-1]["seq"])
        done = self.command("acknowledge", seq, "--who", "A. N.", "--why", "commissioning")
        self.tick(
            "`edgeagent acknowledge` from a terminal: clear",
            f"{self.until('Clear'):.1f} s",
            not done.returncode,
        )

    def plugs(self) -> None:
        self.pull("agent killed (SIGKILL), started again", self.agent.kill, self.agent.start, "Clear")
        self.pull("agent frozen (SIGSTOP), thawed", self.agent.freeze, self.agent.thaw, "Clear")
        self.pull("agent stopped in order, started again", self.agent.terminate, self.agent.start, "Clear")
        self.pull("broker killed, started again", self.broker.kill, self.broker.start, "Clear")
        self.pull("broker stopped in order, started again", self.broker.stop, self.broker.start, "Clear")
        self.pull("broker frozen (SIGSTOP), thawed", self.broker.freeze, self.broker.thaw, "Clear")
        for whose, link in (("agent", self.agents_link), ("PLC", self.plcs_link)):
            holes = (lambda link=link: setattr(link, "black_hole", True), lambda link=link: self.mend(link))
            self.pull(f"network of the {whose} swallows everything, then mended", *holes, "Clear")
        unplug, plug = (lambda on=on: setattr(self.plc, "plugged", on) for on in (False, True))
        self.pull("PLC's cable out and in", unplug, plug, "Clear")

    def mend(self, link: MqttProxy) -> None:
        link.black_hole = False
        if link is self.plcs_link:  # what was swallowed is lost on this connection: a real one would have ended
            self.plc.plugged = False
            time.sleep(0.2)
            self.plc.plugged = True

    def power(self) -> None:
        """A cut while a reject waits: it must wait again when all are back."""
        self.agent.drop("4.txt", part("4", 4000.0))
        self.until("Reject")

        def cut() -> None:
            self.agent.kill()
            self.broker.kill()

        def back() -> None:
            self.plc.reboot()
            self.broker.start()
            self.agent.start()

        self.pull("power cut of agent and broker over a reject, all back", cut, back, "Reject")
        cut()
        self.until("Fault")
        self.broker.database.unlink(missing_ok=True)
        back()
        seconds = self.until("Reject")
        self.tick("power cut that takes the broker's database, all back", f"reject after {seconds:.1f} s", True)
        code = self.verify()
        self.tick("`edgeagent journal verify` after all of it: exit 0", f"exit {code}", code == 0)

    def verify(self) -> int:
        env = {**os.environ, "PYTHONPATH": os.fspath(ROOT)}
        command = [sys.executable, "-m", "edgeagent", "journal", "verify", os.fspath(self.agent.store)]
        return subprocess.run(command, capture_output=True, check=False, env=env).returncode


if __name__ == "__main__":
    with ExitStack() as stack:
        cell = Commissioning(Path(tempfile.mkdtemp(prefix="commissioning-")), stack)
        for step in (cell.parts, cell.plugs, cell.power):
            step()
    sys.exit(1 if cell.failed else 0)
