"""What records name in the archive, and a configuration made from its files again."""

from __future__ import annotations

import pytest
from field import ROOT
from judged_station import STATION
from records import SHA256, body_of

from edgeagent.codec.records.digest import digest_of
from edgeagent.errors import ConfigError
from edgeagent.judging.replaying.references import configuration_from, manifest_files, references
from edgeagent.store.configuration import load_configuration


def test_measurement_names_everything_that_it_was_decided_from():
    body = body_of("measurement", {
        "source": {"sha256": "s1", "side_sha256": "s2"}, "result_sha256": "r",
        "recipe": {"part": "P", "revision": "A", "sha256": "c", "files": {"limits.csv": "l"}},
        "layout": {"name": "x", "sha256": "y"}, "certificate_sha256": "z",
    })  # fmt: skip
    assert {d for _, d in references(body)} == {"s1", "s2", "r", "c", "l", "y", "z"}


def test_what_was_set_aside_unread_names_nothing():
    assert list(references(body_of("quarantine", {"source": {"sha256": None}}))) == []
    assert list(references(body_of("quarantine", {"source": {"bytes": 0}}))) == []
    assert list(references(body_of("quarantine"))) == [("source", SHA256)]
    assert list(references(body_of("stop"))) == []


def test_configuration_of_the_example_is_made_again_from_its_files():
    loaded = load_configuration(ROOT / "config" / "agent.toml")
    again = configuration_from({d.name: d.data for d in loaded.documents()}, loaded.document.sha256)
    assert again.settings == loaded.settings
    assert {p: r.identity for p, r in again.recipes.items()} == {
        p: r.identity for p, r in loaded.recipes.items()
    }
    assert again.layouts == loaded.layouts
    assert again.certificates == loaded.certificates


def test_error_of_a_spindle_is_read_from_the_file_that_the_station_names():
    named, plain = b'[uncertainty]\nspindle_file = "spindle.csv"\n', b""
    for more, files, found in (
        (named, {"spindle.csv": b"upr,radial_nm\n2,40\n3,10\n"}, ((2.0, 40.0, 0.0), (3.0, 10.0, 0.0))),
        (plain, {}, ()),
    ):
        agent = STATION.encode() + more
        assert configuration_from({"agent.toml": agent, **files}, digest_of(agent)).spindle == found
    agent = STATION.encode() + named
    with pytest.raises(ConfigError, match=r"spindle\.csv"):
        configuration_from({"agent.toml": agent}, digest_of(agent))


@pytest.mark.parametrize("files", [{}, {"recipes/a.toml": b""}, {"a.toml": b"other"}])
def test_files_that_are_no_configuration_are_refused(files):
    with pytest.raises(ConfigError):
        configuration_from(files, SHA256)


@pytest.mark.parametrize("data", [b"", b"{}", b"\xff", b"[" * 100_000])
def test_what_is_no_manifest_is_refused(data):
    with pytest.raises(ConfigError):
        manifest_files(data)
