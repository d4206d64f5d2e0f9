"""The configuration as one value: documents with their digests, and what records say of a recipe."""

from __future__ import annotations

import hashlib
from dataclasses import replace

import pytest
from judged_station import configured
from msgspec import UNSET

from edgeagent.codec.records.record import GENESIS, encode_record
from edgeagent.errors import ConfigError, TraceShapeError
from edgeagent.judging.bodies import configuration_body, manifest_digests, start_body
from edgeagent.judging.configuration import (
    Configuration,
    Document,
    describe_kind,
    layout_from_document,
    recipe_from_documents,
)
from edgeagent.model.records import Machine

RECIPE = b"""part = "P"
revision = "B"
[[measurement]]
feature = "outside"
kind = "circle"
upr = [2, 50]
  [[measurement.limit]]
  characteristic = "harmonic_amplitude"
"""
LAYOUT = """layout = "l"
[match]
names = ["*.asc"]
[text]
delimiter = "semicolon"
[data]
first_line = 1
[[column]]
name = "angle_deg"
field = 1
unit = "deg"
[[column]]
name = "deviation_um"
field = 2
unit = "um"
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


MACHINE = Machine(python="3", implementation="c", processor="p", numpy="2", scipy="1", blas="b", simd=())
APPROVAL = b'[approval]\nby = "A. N."\nreason = "protocol 17"\n'


def changed_since(before, *recipes):
    made = {str(n): recipe_from_documents(*one) for n, one in enumerate(recipes)}
    manifest, body = configuration_body(replace(configured(), recipes=made), MACHINE, before)
    return manifest, body


def test_recipes_that_are_new_or_changed_are_on_record_with_who_approved_them_and_why():
    plain, approved = (Document("P.toml", POINTS), {}), (Document("Q.toml", POINTS + APPROVAL), {})
    manifest, body = changed_since((), plain, approved)
    assert [(a.by, a.reason) for a in body.changed] == [("", ""), ("A. N.", "protocol 17")]
    assert [a.sha256 for a in body.changed] == [plain[0].sha256, approved[0].sha256]
    assert body.changed_count == 2
    _, body = changed_since(manifest_digests(manifest), plain, approved)
    assert (body.changed, body.changed_count) == (UNSET, UNSET)
    _, body = changed_since(manifest_digests(manifest), plain)
    assert body.changed is UNSET, "a recipe that is gone is no changed one"


def test_changed_limit_file_changes_its_recipe():
    recipe = Document("P.toml", BY_FILE)
    old, new = (Document("limits.csv", b"upr,upper_nm\n2,%d\n50,10\n" % nm) for nm in (300, 900))
    manifest, _ = changed_since((), (recipe, {"limits.csv": old}))
    _, body = changed_since(manifest_digests(manifest), (recipe, {"limits.csv": new}))
    assert [a.part for a in body.changed] == ["P"]


def test_fifty_changed_recipes_are_named_and_all_are_counted():
    _, body = changed_since((), *((Document(f"{n}.toml", POINTS + b"# %d" % n), {}) for n in range(51)))
    assert (len(body.changed), body.changed_count) == (50, 51)


def test_record_of_more_changed_recipes_than_it_names_fits_its_line():
    long = b'[approval]\nby = "%s"\nreason = "%s"\n' % (b"\\u0001" * 128, b"\\u0001" * 200)
    _, body = changed_since((), *((Document(f"{n}.toml", POINTS + long + b"# %d" % n), {}) for n in range(60)))
    line, _ = encode_record(1, "2026-03-02T10:00:00.000000Z", GENESIS, body)
    assert len(line) <= 8192
    assert body.changed_count == 60
    assert len(body.changed) >= 3


@pytest.mark.parametrize(
    ("constants", "words"), [("", "any kind of trace"), ('[constants]\nkind = "circle"\n', "circle")]
)
def test_column_that_the_kind_of_trace_does_not_have_is_refused_with_the_kind(constants, words):
    text = LAYOUT + constants
    assert layout_from_document(Document("l.toml", text.encode())).column[1].name == "deviation_um"
    with pytest.raises(ConfigError, match=rf"no column of {words}\b"):
        layout_from_document(Document("l.toml", text.replace("deviation_um", "sideways_um").encode()))


def test_kind_that_is_none_is_refused_with_those_there_are():
    text = (LAYOUT + '[constants]\nkind = "banana"\n').encode()
    with pytest.raises(ConfigError, match=r"no such kind of trace.*circle"):
        layout_from_document(Document("l.toml", text))


def test_start_record_names_build_and_key_where_they_are_known():
    for known, said in (("", UNSET), ("known", "known")):
        body = start_body(1, MACHINE, configured(), known, known, known)
        assert (body.build, body.key, body.endorsement) == (said, said, said)


@pytest.mark.parametrize("damaged", [b"", b"{}", b"\xff", b'[{"name": 1}]'])
def test_manifest_that_cannot_be_read_names_nothing(damaged):
    assert manifest_digests(damaged) == frozenset()
