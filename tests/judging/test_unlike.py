"""What a record says otherwise than what follows: each member by name, but for rounding, wording and cuts."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest
from field import ROOT, spiral_text
from msgspec import UNSET, structs
from records import body_of

from edgeagent.judging import bodies
from edgeagent.judging.evaluation.evaluate import Rulebook, evaluate
from edgeagent.judging.replaying.unlike import evaluation_mismatches, unlike_members
from edgeagent.model.records import Source
from edgeagent.store.configuration import load_configuration

STATION = load_configuration(ROOT / "config" / "agent.toml")
SOURCE = Source(name="a.txt", folder="inbox", sha256="ab" * 32, bytes=4, look=(4, 1, 1, 1))


def unlike(recorded, derived, without=(), *, shared_only=False):
    was, now = (body_of("disposition", members) for members in (recorded, derived))
    return list(unlike_members(was, now, without, shared_only=shared_only))


def test_each_member_that_is_otherwise_is_named_with_both_values():
    assert unlike({}, {}) == []
    assert unlike({"disposition": "hold", "missing": ["left"]}, {"missing": ["right"]}) == [
        "disposition: recorded 'hold', now 'accept'", "missing[0]: recorded 'left', now 'right'"
    ]  # fmt: skip


def test_wording_rounding_and_what_is_left_out_on_purpose_do_not_count():
    assert unlike({"reasons": ["a"], "gate": "x"}, {"reasons": ["b"], "gate": "y"}) == []
    assert unlike({"settled_at": 1e6}, {"settled_at": 1e6 * (1 + 1e-12)}) == []
    assert unlike({"settled_at": 1e6}, {"settled_at": 1e6 + 1}, ["settled_at"]) == []
    assert len(unlike({"settled_at": 1e6}, {"settled_at": 1e6 + 1})) == 1


def test_member_that_one_alone_has_counts_unless_another_version_wrote_the_record():
    assert len(unlike({}, {"replaces": 7})) == 1
    assert unlike({}, {"replaces": 7}, shared_only=True) == []


@pytest.mark.parametrize(("count", "said"), [(5, 5), (6, 6), (8, 6)])
def test_five_members_are_named_and_the_rest_counted(count, said):
    lists = [[{"name": str(i)} for i in range(count)], [{"name": f"{i}x"} for i in range(count)]]
    found = unlike({"characteristics": lists[0]}, {"characteristics": lists[1]})
    assert len(found) == said
    assert (found[-1] == f"and {count - 5} members more") is (count > 5)


def test_list_that_was_cut_to_fit_its_line_is_compared_up_to_there():
    # fit_to_line leaves 6 or 2 characteristics; another length was not cut
    names = [{"name": str(i)} for i in range(8)]
    for recorded, derived in ((names[:6], names), (names, names[:2])):
        assert unlike({"characteristics": recorded}, {"characteristics": derived}) == []
    assert unlike({"characteristics": names[:5]}, {"characteristics": names}) != []
    assert unlike({"characteristics": [{"name": "x"}, *names[1:6]]}, {"characteristics": names}) != []


@cache
def measured(**given):
    if "waves_nm" in given:
        given["waves_nm"] = dict(given["waves_nm"])
    text = spiral_text(points_per_turn=2400, **given)
    found = evaluate("a.txt", text.encode(), None, Rulebook.of(STATION))
    return found, bodies.measurement_body(5.0, SOURCE, found, STATION, "cd" * 32, 6.0)


def mismatches(changes=None, **given):
    found, body = measured(**given)
    return list(evaluation_mismatches(structs.replace(body, **(changes or {})), found))


def test_part_record_of_its_own_evaluation_agrees_and_says_what_the_part_needs_and_who_measured_it():
    assert mismatches() == []
    found, body = measured()
    assert mismatches({"required": ()}) == [
        f"needs nothing more by the record, {', '.join(found.required)} by the recipe"
    ]
    assert mismatches({"instrument": "gauge-9"}, instrument="gauge-2") == [
        "of gauge-9 by the record, of gauge-2 by the file"
    ]
    nameless = replace(found, trace=replace(found.trace, header=replace(found.trace.header, instrument=None)))
    assert list(evaluation_mismatches(structs.replace(body, instrument="gauge-9"), nameless)) == []


def test_artefact_record_is_compared_in_what_the_gate_is_decided_by():
    given = {"artefact": "MW-03", "feature": "waves", "kind": "circle", "turns": 2}
    whole = {**given, "waves_nm": ((36, 812.0), (180, 403.0))}
    half = {**given, "waves_nm": ((36, 812.0),)}
    assert mismatches(**whole) == mismatches(**half) == []
    body = measured(**half)[1]
    assert (body.missing_upr, body.incomplete, body.partial) == ((180,), True, True)
    for name, value in (("missing_upr", (180,)), ("incomplete", True), ("partial", True)):
        for record, changed in ((whole, value), (half, UNSET)):
            said = mismatches({name: changed}, **record)
            assert [text.partition(":")[0] for text in said] == [name], "said or hidden"
    errors = measured(**whole)[1].errors_nm
    for error, named in ((errors["36"] + 1e-12, []), (errors["36"] + 1.0, ["errors_nm.36"])):
        said = mismatches({"errors_nm": {**errors, "36": error}}, **whole)
        assert [text.partition(":")[0] for text in said] == named
    assert len(mismatches({"errors_nm": UNSET}, **whole)) == 2


def test_record_of_a_part_is_not_asked_for_what_only_an_artefact_has():
    assert mismatches({"missing_upr": (180,), "incomplete": True, "partial": True}) == []
