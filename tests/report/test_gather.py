"""What an index finds for a report is what a walk through the journal finds."""

from __future__ import annotations

import pytest
from field import copy_station

from edgeagent.report.story.gather import Store, part_story
from edgeagent.store.index import lookup
from edgeagent.store.index.index import IndexWriter, path_of
from edgeagent.store.index.resume import IndexKeeper


@pytest.mark.parametrize("serial", ["000411", "000412", "000413", "000502"])
def test_last_good_part_and_configuration_are_found_by_the_index_too(station, tmp_path, monkeypatch, serial):
    copy_station(station.store, tmp_path / "store")
    keeper = IndexKeeper(IndexWriter.create(path_of(tmp_path / "store")), tmp_path / "store" / "journal")
    while keeper.follow(1000):
        pass
    keeper.close()
    found = []
    for long in (10_000, 1):
        monkeypatch.setattr(lookup, "LONG", long)
        store = Store(tmp_path / "store")
        assert (store.lookup is None) == (long == 10_000)
        compared = part_story(store, serial).compared
        labels = {f: [(c.label, c.measured.record.seq) for c in cs] for f, cs in compared.items()}
        found.append((labels, store.configuration()))
    assert found[0] == found[1]
    assert found[0][1] is not None
    assert bool(found[0][0].get("left-flank")) == (serial in ("000412", "000413"))
