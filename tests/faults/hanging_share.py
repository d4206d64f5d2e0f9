"""A real SMB share that is written slowly, hangs, comes back, and is lost: what the line is told.

Run as root: python tests/faults/hanging_share.py
(needs Mosquitto, smbd and smbnetfs, and /dev/fuse; everything listens on 127.0.0.1)
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from itertools import pairwise
from pathlib import Path

sys.path[:0] = [
    str(Path(__file__).parent),
    str(Path(__file__).parent.parent),
    str(Path(__file__).parent.parent.parent),
]
from burst import circle
from field import Agent, Broker, Listener, wait_until

HANG_S, WRITER_S = 20.0, 8.0

SERVER = """[global]
interfaces = lo
bind interfaces only = yes
smb ports = 445
map to guest = Bad User
guest account = root
server role = standalone server
disable netbios = yes
load printers = no
log file = {at}/log
pid directory = {at}
lock directory = {at}
state directory = {at}
cache directory = {at}
private dir = {at}
ncalrpc dir = {at}/rpc
[export]
path = {share}
guest ok = yes
read only = no
"""


class Server:
    """smbd with the folder ``share`` as its one export."""

    def __init__(self, at: Path, share: Path) -> None:
        at.mkdir()
        share.mkdir()
        (at / "smb.conf").write_text(SERVER.format(at=at, share=share))
        command = ["smbd", "--foreground", "--no-process-group", f"--configfile={at}/smb.conf"]
        self._log = (at / "out").open("wb")
        self.process = subprocess.Popen(command, stdout=self._log, stderr=self._log, start_new_session=True)

    def _pids(self) -> list[int]:
        found, queue = [], [self.process.pid]
        while queue:
            pid = queue.pop()
            found.append(pid)
            children = Path(f"/proc/{pid}/task/{pid}/children")
            queue += [int(c) for c in children.read_text().split()] if children.exists() else []
        return found

    def signal(self, number: int) -> None:
        """Also to its children: each connection has its own."""
        for pid in self._pids():
            os.kill(pid, number)

    def end(self) -> None:
        self.signal(signal.SIGCONT)
        self.signal(signal.SIGKILL)
        self.process.wait()
        self._log.close()


@contextmanager
def mounted_share(at: Path) -> Iterator[Path]:
    """All servers of this machine's network below a folder, by FUSE."""
    home, place = at / "home", at / "net"
    (home / ".smb").mkdir(parents=True)
    place.mkdir()
    for name, text in (("smb.conf", "[global]\nclient min protocol = SMB2\n"), ("smbnetfs.conf", "")):
        (home / ".smb" / name).write_text(text)
        (home / ".smb" / name).chmod(0o600)
    env = {**os.environ, "HOME": os.fspath(home)}
    made = subprocess.Popen(["smbnetfs", "-f", os.fspath(place)], env=env, stderr=subprocess.DEVNULL)
    try:
        wait_until(lambda: os.path.ismount(place))
        yield place
    finally:
        subprocess.run(["umount", "-l", os.fspath(place)], capture_output=True, check=False)
        made.kill()
        made.wait()


def through_hang(folder: Path) -> dict[str, object]:
    """What a slow writer, a hang and the loss of the server look like from the line."""
    with ExitStack() as begun:
        broker = begun.enter_context(Broker(folder / "broker"))
        line = begun.enter_context(Listener(broker.port))
        server = Server(folder / "smbd", folder / "share")
        begun.callback(server.end)
        net = begun.enter_context(mounted_share(folder))
        inbox = net / "127.0.0.1" / "export"
        wait_until(lambda: inbox.is_dir(), what="the share")
        changes = {"intake.folders": [os.fspath(inbox)], "intake.observer": "polling", "verification": None}
        agent = Agent(folder / "agent", broker.port, changes=changes)
        begun.callback(agent._clean_up)
        agent.start()
        share = folder / "share"
        (share / "first.txt").write_text(circle("first", 20.0, 1800))
        dropped = time.monotonic()
        first_s = line.wait_topic("disposition")[0].at - dropped

        text = circle("slow", 3000.0, 1800).replace("# trace = 1", "# trace = 1\n# points = 3600").encode()
        with (share / "slow.txt").open("wb", buffering=0) as file:
            for start in range(0, len(text), len(text) // 8 + 1):
                file.write(text[start : start + len(text) // 8 + 1])
                time.sleep(WRITER_S / 8)
        line.wait(lambda x: any(m.json["serial"] == "slow" for m in x.messages("disposition")), 120)
        slow = [m.json["disposition"] for m in line.messages("disposition") if m.json["serial"] == "slow"]
        line.publish("acknowledge", str(line.messages("disposition")[-1].json["seq"]))
        line.wait_lamp("0", 20)
        alarms_of_writer = len(line.messages("alarm"))

        server.signal(signal.SIGSTOP)
        stopped = time.monotonic()
        line.wait_lamp("3")
        fault_s = time.monotonic() - stopped
        (share / "hidden.txt").write_text(circle("hidden", 20.0, 1800))
        line.wait(lambda x: x.messages("heartbeat")[-1].at - stopped > HANG_S)
        beats = [m.at for m in line.messages("heartbeat") if m.at >= stopped]
        threads = len(list(Path(f"/proc/{agent.pid}/task").iterdir()))
        server.signal(signal.SIGCONT)
        back = time.monotonic()
        line.wait(lambda x: any(m.json["serial"] == "hidden" for m in x.messages("disposition")), 120)
        back_s = time.monotonic() - back
        line.wait_lamp("0")

        server.signal(signal.SIGKILL)
        gone = time.monotonic()
        line.wait_lamp("3")
        gone_s = time.monotonic() - gone
        assert agent.terminate() == 0
    return {
        "file to disposition, s": round(first_s, 2),
        f"dispositions of a writer of {WRITER_S:g} s": slow,
        "alarms it gave": alarms_of_writer,
        "hang to fault on the lamp, s": round(fault_s, 2),
        f"longest heartbeat gap in {HANG_S:g} s of it, s": round(max(b - a for a, b in pairwise(beats)), 2),
        "threads of the agent while it hangs": threads,
        "back to the next disposition, s": round(back_s, 2),
        "server killed to fault, s": round(gone_s, 2),
    }


if __name__ == "__main__":
    for name, value in through_hang(Path(tempfile.mkdtemp(prefix="share-"))).items():
        print(f"  {name:<44} {value}")
