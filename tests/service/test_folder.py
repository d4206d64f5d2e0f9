"""One folder, its thread done by hand: which of the files seen together is read first."""

from __future__ import annotations

import os
from types import SimpleNamespace

import pytest

from edgeagent.codec.configuration.settings import IntakeSettings
from edgeagent.service.folders import folder as module
from edgeagent.service.folders.folder import Folder
from edgeagent.service.folders.watch import Hint


class TickingClock:
    """Every look at it takes a millisecond."""

    def __init__(self):
        self.at = 1000.0

    def monotonic(self):
        self.at += 0.001
        return self.at

    def now(self):
        return SimpleNamespace(timestamp=lambda: 1.8e9 + self.at)


class HandsAtOnce:
    """Does each errand when it is given; what it brought is there at the next look."""

    has_hints = True

    def __init__(self, *_given, **_more):
        self.brought = []

    @property
    def free(self):
        return not self.brought

    def submit(self, errand):
        self.brought.append(errand(lambda: None))

    def results(self):
        brought, self.brought = self.brought, []
        return brought

    def listing(self, _patterns):
        return lambda _alive: module.Listing([], frozenset(NAMES), None, None)

    def hung(self):
        return None

    def next_deadline(self):
        return None

    def close(self):
        return None


NAMES = [f"{number:02}.txt" for number in range(12)]


@pytest.mark.parametrize("settle_s", [0.0, 0.1])
@pytest.mark.parametrize("names", [NAMES, list(reversed(NAMES))])
def test_of_files_seen_together_the_oldest_is_read_first(tmp_path, monkeypatch, settle_s, names):
    """Whichever is looked at first: that of the newest hint, so that a part in the station need not wait."""
    monkeypatch.setattr(module, "Hands", HandsAtOnce)
    clock = TickingClock()
    settings = IntakeSettings(folders=("inbox",), settle_s=settle_s)
    made = Folder("inbox", tmp_path, settings, clock, *[lambda *_: None] * 3)
    made.available, made._next_scan = True, 1e9
    for name in names:
        (tmp_path / name).write_bytes(b"x")
        written_ns = 10**18 + NAMES.index(name)
        os.utime(tmp_path / name, ns=(written_ns, written_ns))
        made.hinted(Hint("inbox", name, created=True, closed=True), clock.monotonic())
    taken = []
    while len(taken) < len(NAMES):
        made.advance(clock.monotonic())
        while (found := made.take()) is not None:
            taken.append(found.name)
        assert clock.at < 1010.0, "it came to nothing"
    assert taken == NAMES


class HandsWithTwoUnderWay(HandsAtOnce):
    """Does each errand when it is given, and brings the first one only when a second is under way."""

    @property
    def free(self):
        return len(self.brought) < 2

    def results(self):
        return [self.brought.pop(0)] if self.brought else []


def test_close_that_comes_while_an_earlier_look_is_under_way_is_not_forgotten(tmp_path, monkeypatch):
    """A file is created, looked at while it is empty, written and closed: it waits for no other close."""
    monkeypatch.setattr(module, "Hands", HandsWithTwoUnderWay)
    clock = TickingClock()
    settings = IntakeSettings(folders=("inbox",), settle_s=0.1)
    made = Folder("inbox", tmp_path, settings, clock, *[lambda *_: None] * 3)
    made.available, made._next_scan = True, 1e9
    (tmp_path / "a.txt").write_bytes(b"")
    made.hinted(Hint("inbox", "a.txt", created=True), clock.monotonic())
    while made._signs:
        made._hands.submit(made._next_errand(clock.monotonic()))
    (tmp_path / "a.txt").write_bytes(b"x")
    made.hinted(Hint("inbox", "a.txt", writing=True), clock.monotonic())
    made.hinted(Hint("inbox", "a.txt", closed=True), clock.monotonic())
    while made._signs:
        made._hands.submit(made._next_errand(clock.monotonic()))
    found = None
    while found is None:
        made.advance(clock.monotonic())
        found = made.take()
        assert clock.at < 1010.0, "it came to nothing"
    assert found.whole
    assert found.unclosed_s is None


def test_writing_that_is_seen_while_a_file_is_read_is_not_forgotten(tmp_path, monkeypatch):
    """It is opened again and written on behind what was read: a pause of its writer is no end."""
    monkeypatch.setattr(module, "Hands", HandsAtOnce)
    clock, path = TickingClock(), tmp_path / "a.txt"
    settings = IntakeSettings(folders=("inbox",), settle_s=0.1)
    made = Folder("inbox", tmp_path, settings, clock, *[lambda *_: None] * 3)
    made.available, made._next_scan = True, 1e9

    def found_within(seconds: float) -> list[bytes]:
        until = clock.at + seconds
        while clock.at < until:
            made.advance(clock.monotonic())
            if (found := made.take()) is not None:
                made.finished(found)
                return [found.data]
        return []

    path.write_bytes(b"whole")
    made.hinted(Hint("inbox", "a.txt", created=True, closed=True), clock.monotonic())
    while not made._reading:
        for result in made._hands.results():
            made._take_result(result, clock.monotonic())
        if (errand := made._next_errand(clock.monotonic())) is not None:
            made._hands.submit(errand)
    path.write_bytes(b"whole and a half")
    made.hinted(Hint("inbox", "a.txt", writing=True), clock.monotonic())
    look = made._next_errand(clock.monotonic())
    made._take_result(look(lambda: None), clock.monotonic())  # before what was read
    assert found_within(1.0) == [b"whole"]
    made._to_see.append("a.txt")  # as a listing does
    assert found_within(5.0) == []
    path.write_bytes(b"whole and a half more")
    made.hinted(Hint("inbox", "a.txt", closed=True), clock.monotonic())
    assert found_within(5.0) == [b"whole and a half more"]
