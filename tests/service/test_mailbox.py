"""The bell of the service loop."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from edgeagent.service.mailbox import Mailbox

ROOT = Path(__file__).parents[2]
RING_IN_A_HANDLER = """
import signal
from edgeagent.service.mailbox import Mailbox

mailbox = Mailbox()
rung = 0

def ring(_number, _frame):
    global rung
    rung += 1
    mailbox.ring()

signal.signal(signal.SIGALRM, ring)
signal.setitimer(signal.ITIMER_REAL, 0.0001, 0.0001)
while rung < 5000:
    mailbox.wait(0.00001)
print("awake")
"""


def test_signal_that_rings_while_the_loop_goes_to_sleep_does_not_stop_it():
    ended = subprocess.run(
        [sys.executable, "-c", RING_IN_A_HANDLER],
        env={**os.environ, "PYTHONPATH": os.fspath(ROOT)},
        capture_output=True,
        text=True,
        check=False,
        timeout=100,
    )
    assert ended.stdout == "awake\n", ended.stderr


def test_bell_rung_before_the_wait_is_heard_once():
    mailbox = Mailbox()
    for _ in range(3):
        mailbox.ring()
    mailbox.wait(60.0)
    mailbox.wait(0.0)
    assert mailbox.hints() == []
