"""The configuration as one value: documents with their digests, and what records say of a recipe."""

from __future__ import annotations

import hashlib

import pytest
from judged_station import configured

from edgeagent.errors import TraceShapeError
from edgeagent.judging.configuration import Configuration, Document, describe_kind, recipe_from_documents

RECIPE = b"""part = "P"
revision = "B"
[[measurement]]
feature = "outside"
kind = "circle"
upr = [2, 50]
  [[measurement.limit]]
  characteristic = "harmonic_amplitude"
"""
POINTS = RECIPE + b"  points = [[2, 300.0], [50, 10.0]]\n"
BY_FILE = RECIPE + b'  file = "limits.csv"\n'


def test_document_is_known_by_the_digest_of_its_bytes():
    assert Document("a", b"data").sha256 == hashlib.sha256(b"data").hexdigest()


def test_recipe_is_known_by_part_revision_and_the_digests_of_all_its_files():
    plain = recipe_from_documents(Document("P.toml", POINTS), {})
    assert plain.identity == {"part": "P", "revision": "B", "sha256": plain.document.sha256}
    limits = Document("limits.csv", b"upr,upper_nm\n2,300\n50,10\n")
    filed = recipe_from_documents(Document("P.toml", BY_FILE), {"limits.csv": limits})
    assert filed.identity["files"] == {"limits.csv": limits.sha256}
    assert filed.recipe.part == "P"


def test_configuration_lists_every_file_once_for_the_archive():
    made = configured()
    recipe = recipe_from_documents(
        Document("P.toml", BY_FILE), {"limits.csv": Document("limits.csv", b"upr,upper_nm\n2,300\n50,10\n")}
    )
    layout = (object(), Document("l.toml", b"layout"))
    whole = Configuration(
        settings=made.settings,
        document=made.document,
        recipes={"P": recipe},
        layouts={"l": layout},
        certificates=made.certificates,
    )
    assert [d.name for d in whole.documents()] == ["agent.toml", "P.toml", "limits.csv", "l.toml", "MW-03.toml"]
    with pytest.raises(TypeError):
        Configuration(made.settings, made.document, {}, {}, {})


def test_kind_is_described_by_its_options_and_characteristics():
    options, characteristics = describe_kind("circle")
    assert characteristics["roundness_total"] == "um"
    assert hasattr(options(), "upr")
    with pytest.raises(TraceShapeError):
        describe_kind("banana")
