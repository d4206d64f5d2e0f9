"""What a report says of a decision: each fault once, in a sentence that names value, limit and uncertainty.

Expected sentences are worked out by hand.
"""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from edgeagent.model import Verdict
from edgeagent.model.records import JudgedValue
from edgeagent.report import words
from edgeagent.report.faults import faults


def judged(name, instance, value, *, u=0.2, lower=None, upper=None, verdict="nonconforming", unit="um", **more):
    return JudgedValue(
        name=name, instance=instance, value=value, unit=unit, expanded_uncertainty=u, lower=lower, upper=upper,
        caution=None, verdict=Verdict(verdict), **more,
    )  # fmt: skip


def wave(upr, value, upper=30.0, **more):
    return judged("harmonic_amplitude", str(upr), value, upper=upper, unit="nm", u=0.5, **more)


def angle(side, groove, value, *, u=0.02, verdict="nonconforming"):
    limits = {"lower": 42.0, "upper": 48.0, "unit": "deg", "verdict": verdict}
    return judged(f"contact_angle_{side}", groove, value, u=u, **limits)


def said(*characteristics, accepted=False):
    """The sentences on a part of which one trace has these values."""
    record = SimpleNamespace(seq=1)
    body = SimpleNamespace(reasons=(), reason_codes=())
    result = SimpleNamespace(characteristics=characteristics, quality=())
    measured = SimpleNamespace(record=record, body=body, result=result, feature="profile")
    story = SimpleNamespace(measured=(measured,), quarantined=())
    return faults(story, None, accepted=accepted)


def texts(*characteristics, **more):
    return [fault.text.replace(words.NARROW_SPACE, " ") for fault in said(*characteristics, **more)]


def test_waves_are_told_by_families_the_worst_first():
    found = said(wave(37, 60.0), wave(74, 45.0), wave(50, 90.0), wave(111, 40.0))
    assert [f.text.replace(words.NARROW_SPACE, " ") for f in found] == [
        "harmonic amplitude at 50 UPR is 90.00 ± 0.50 nm, above its upper limit of 30 nm by 60.00 nm, "
        "3.00 times the limit.",
        "harmonic amplitude at 37, 74, 111 UPR, worst at 37 UPR: 60.00 ± 0.50 nm, above its upper limit of 30 "
        "nm by 30.00 nm, 2.00 times the limit.",
    ]
    assert [one.c.instance for one in found[1].behind] == ["37", "74", "111"]
    assert found[1].heading == "the 3 values"


def test_waves_beyond_three_families_are_told_together():
    found = texts(*(wave(n, 100.0 - n) for n in (23, 29, 31, 41, 43, 47, 53, 59, 61)))
    assert len(found) == 4
    assert found[-1].startswith(
        "harmonic amplitude at 41, 43, 47, 53, 59 and 1 more UPR, worst at 41 UPR: 59.00"
    )


def test_certified_waves_of_an_artefact_are_one_fault():
    found = texts(*(judged("en_number", n, 1.5, u=None, upper=1.0, unit="1") for n in ("36", "150", "500")))
    assert len(found) == 1
    assert found[0].startswith("En number at 36, 150, 500 UPR, worst at 36 UPR: 1.50")


def test_values_too_close_to_either_limit_are_two_faults():
    doubt = {"verdict": "inconclusive"}
    found = texts(
        angle("left", "top[1]", 47.99, **doubt), angle("left", "top[2]", 42.01, **doubt),
        angle("left", "top[3]", 48.01, **doubt),
    )  # fmt: skip
    assert found == [
        "contact angle left on 2 of 3 grooves is 47.990 to 48.010° ± 0.020°, too close to its upper limit of "
        "48° to decide.",
        "contact angle left top[2] is 42.010° ± 0.020°, too close to its lower limit of 42° to decide.",
    ]


def test_value_that_may_be_beyond_both_limits_names_both():
    (found,) = texts(angle("left", "top[1]", 46.0, u=5.0, verdict="inconclusive"))
    assert found == "contact angle left top[1] is 46.0° ± 5.0°, too close to its limits 42 to 48° to decide."


@pytest.mark.parametrize(
    ("uncertainties", "spread"),
    [
        ((0.2, 0.2), "± 0.20"),
        ((0.2, 0.29), "± 0.29"),
        ((0.2, 0.31), "± up to 0.31"),
        ((0.3, 0.0), "± up to 0.30"),
    ],
)
def test_several_values_state_the_largest_of_their_uncertainties(uncertainties, spread):
    values = [
        judged("root_clearance", f"top[{i + 1}]", v, u=u, upper=1.0)
        for i, (v, u) in enumerate(zip((5.0, 4.0), uncertainties, strict=True))
    ]
    (found,) = texts(*values)
    assert f"is 4.00 to 5.00 {spread} µm, above its upper limit of 1 µm by up to " in found
    assert found.endswith("up to 5.00 times the limit.")


def test_uncertainty_that_one_of_several_lacks_is_said_of_none():
    (found,) = texts(
        judged("root_clearance", "top[1]", 5.0, upper=1.0),
        judged("root_clearance", "top[2]", 4.0, u=None, upper=1.0),
    )
    assert "±" not in found


def test_noise_of_a_trace_keeps_its_name_in_a_sentence_on_several():
    (found,) = texts(
        *(
            judged("root_clearance", f"top[{i}]", 5.0 + i, u=u, upper=1.0, noise_only=True)
            for i, u in ((1, 0.2), (2, 0.4))
        )
    )
    assert "6.00 to 7.00 µm (± up to 0.40 µm noise of this trace)" in found


@pytest.mark.parametrize(("value", "u"), [(1.0004, 0.0001), (1.004, 0.02)])
def test_multiple_that_reads_one_is_left_away(value, u):
    (found,) = texts(judged("roundness_total", "", value, u=u, upper=1.0))
    assert "above its upper limit of 1 µm by " in found
    assert "times" not in found


def test_both_flanks_are_called_so():
    pair = (angle("left", "", 48.5), angle("right", "", 49.0))
    assert texts(*pair)[0].startswith("contact angle on both flanks is 48.500 to 49.000° ± 0.020°, above")
    grooves = [angle(side, f"top[{i}]", 49.0) for i in (1, 2) for side in ("left", "right")]
    assert texts(*grooves)[0].startswith("contact angle on all 4 flanks is 49.000")
    assert texts(*grooves[:2])[0].startswith("contact angle on both flanks")


@pytest.mark.parametrize(
    ("name", "instances", "where"),
    [
        ("band_rms", ("2-15", "16-50"), "in both bands"),
        ("resonance_amplitude", ("37@1027", "none@2000", "?@9000"), "at all 3 resonances"),
        ("roundness_total", ("turn[1]", "turn[2]", "turn[3]"), "on all 3 turns"),
        ("pitch_deviation", ("top[1-2]", "top[2-3]"), "on both pairs of grooves"),
    ],
)
def test_places_are_called_what_they_are(name, instances, where):
    found = texts(*(judged(name, i, 5.0, upper=1.0) for i in instances))
    assert [where in text for text in found] == [True]


def test_values_that_are_missing_are_named_once():
    missing = {"verdict": "inconclusive", "u": None}
    found = texts(
        *(wave(n, None, upper, verdict="inconclusive") for n, upper in ((37, 30.0), (74, 20.0))),
        *(judged("root_clearance", f"top[{i}]", None, lower=10.0, **missing) for i in (1, 2)),
    )
    assert found == [
        "harmonic amplitude at 37, 74 UPR has no value, though the recipe asks for it.",
        "root clearance on both grooves has no value, though the recipe asks for it (lower limit 10 µm).",
    ]


def test_worst_of_values_without_a_scale_leads_its_group():
    (found,) = said(
        *(judged("root_clearance", f"top[{i}]", v, upper=0.0) for i, v in enumerate((1.0, 7.0, 3.0)))
    )
    assert [one.c.value for one in found.behind] == [7.0, 3.0, 1.0]
    assert "by up to 7.00" in found.text


def test_accepted_part_says_what_lies_in_a_caution_zone_and_a_rejected_one_does_not():
    caution = judged("roundness_total", "", 0.9, upper=1.0, verdict="caution")
    assert texts(caution, accepted=True) == [
        "roundness total is 0.90 ± 0.20 µm, within its upper limit of 1 µm, but inside the caution zone."
    ]
    assert texts(caution) == []
