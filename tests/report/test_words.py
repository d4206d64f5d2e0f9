"""Numbers, sentences and the common scale of a report; expected texts worked out by hand."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import UNSET

from edgeagent.model import InstrumentUncertainty, Verdict
from edgeagent.model.records import JudgedValue
from edgeagent.report import words
from edgeagent.report.closeness import FAR, order_key, place
from edgeagent.report.pages import on_scale, share_text
from edgeagent.report.write import safe_name


def characteristic(value, *, lower=None, upper=None, u=None, verdict="conforming", **more):
    members = {"name": "roundness_total", "instance": "", "unit": "um", "caution": None, **more}
    return JudgedValue(
        value=value, lower=lower, upper=upper, expanded_uncertainty=u, verdict=Verdict(verdict), **members
    )


@pytest.mark.parametrize(
    ("value", "u", "limits", "text"),
    [
        (0.405678, 0.0059, (), "0.4057"),
        (73.8371, 0.18, (), "73.84"),
        (20.7499997, 0.0000076, (), "20.7499997"),
        (1234.5, 60.0, (), "1234"),
        (0.2847312, None, (), "0.285"),
        (0.000063267, None, (-1.0, 1.0), "0.00"),
        (-0.012345, 0.013, (), "\u22120.012"),
        (-0.0000001, 0.013, (), "0.000"),
        (0.0, None, (), "0.0"),
    ],
)
def test_value_is_printed_as_its_uncertainty_bears(value, u, limits, text):
    assert words.value_text(value, u, limits) == text


def test_value_beside_its_limit_is_never_rounded_onto_it():
    assert words.value_text(1.2004, 0.3, (None, 1.2)) == "1.2004"
    assert words.value_text(1.2, 0.3, (None, 1.2)) == "1.20"


@pytest.mark.parametrize(
    ("value", "u", "upper", "shown"),
    [
        (73.8371, 0.48, 33.845113, ("73.84", "33.85")),
        (73.8371, 6.0, 33.845113, ("73.8", "33.8")),
        (33.846, 6.0, 33.845113, ("33.846", "33.845")),  # never to the other side
        (0.9, None, 1.2, ("0.90", "1.2")),
    ],
)
def test_limit_of_a_curve_has_the_digits_of_its_value(value, u, upper, shown):
    found = words.judged_value_text(characteristic(value, u=u, upper=upper, unit="1")).split(" ")[0]
    limit = words.limits_text(characteristic(value, u=u, upper=upper, unit="1")).split(" ")[-1]
    assert (found, limit) == shown


def test_share_of_the_limit_is_never_rounded_onto_the_limit_from_one_side():
    assert share_text(1.00031) == "100.03 %"
    assert share_text(0.99996) == "99.996 %"
    assert share_text(1.0) == "100.0 %"


def test_sentence_of_a_reject_has_value_limit_uncertainty_and_excess():
    c = characteristic(1.5, upper=1.2, u=0.02, verdict="nonconforming")
    assert words.sentence(c).replace(words.NARROW_SPACE, " ") == (
        "roundness total is 1.500 ± 0.020 µm, above its upper limit of 1.2 µm by 0.300 µm, "
        "1.25 times the limit."
    )


def test_sentence_of_two_limits_names_both():
    c = characteristic(
        41.0, lower=42.0, upper=48.0, verdict="nonconforming", name="contact_angle_left", unit="deg"
    )
    assert words.sentence(c) == "contact angle left is 41.0°, below its limits 42 to 48° by 1.0°."


@pytest.mark.parametrize(
    ("probability", "text"),
    [
        (None, "caution"),
        (0.99951, "caution (> 99.9 %)"),
        (0.973, "caution (97.3 %)"),
        (4e-4, "caution (< 0.1 %)"),
    ],
)
def test_verdict_carries_the_probability_of_conformity_and_never_calls_it_certain(probability, text):
    found = words.verdict_text(characteristic(1.0, verdict="caution", conformance_probability=probability))
    assert found.replace(words.NARROW_SPACE, " ") == text


def test_sources_of_the_uncertainty_are_named_as_the_record_has_them():
    assert words.uncertainty_sources(UNSET).startswith("noise of this trace only")
    waves = ((36.0, 0.004, -0.05), (180.0, 0.006, 0.0))
    stated = InstrumentUncertainty(gauge_scale=0.003, tip_radius_mm=0.0003, waves=waves)
    found = words.uncertainty_sources(stated).replace(words.NARROW_SPACE, " ")
    assert "scale of the gauge 0.003, tip radius 0.0003 mm" in found
    assert found.endswith("artefact's certificate at 2 waves, last deviations up to 5 %")


@pytest.mark.parametrize(
    ("value", "expanded", "upper", "text"),
    [
        (37.98417, 0.0731, None, "38.0 nm (± 0.073 nm noise of this trace)"),
        (
            37.98417,
            0.0731,
            33.6,
            "37.98 nm (± 0.073 nm noise of this trace)",
        ),  # one digit more than the limit is written with
        (37.98417, 2.1, 33.6, "38.0 nm (± 2.1 nm noise of this trace)"),
        (20.748213, 0.000002, 20.76, "20.748 nm (± 0.0000020 nm noise of this trace)"),
        (33.602, 0.0731, 33.6, "33.602 nm (± 0.073 nm noise of this trace)"),  # never rounded onto the limit
    ],
)
def test_noise_of_a_trace_is_called_so_and_bears_fewer_digits(value, expanded, upper, text):
    c = characteristic(value, unit="nm", u=expanded, upper=upper, noise_only=True)
    found = words.judged_value_text(c).replace(words.NARROW_SPACE, " ")
    assert found == text


def test_value_far_outside_that_nothing_proves_says_why():
    c = characteristic(1.3, u=0.01, upper=1.2, verdict="inconclusive")
    assert words.sentence(c).endswith("which a trace with failed checks cannot prove.")
    near = characteristic(1.2001, u=0.01, upper=1.2, verdict="inconclusive")
    assert words.sentence(near).endswith("to decide.")


def test_value_that_could_not_be_computed_says_so():
    c = characteristic(None, upper=1.2, verdict="inconclusive")
    assert "no value, though the recipe asks for it" in words.sentence(c)


@pytest.mark.parametrize(
    ("value", "lower", "upper", "at"),
    [
        (0.6, None, 1.2, 0.5),
        (-0.6, None, 1.2, 0.0),
        (46.5, 42.0, 48.0, 0.5),
        (43.5, 42.0, 48.0, 0.5),
        (20.0, 10.0, None, 0.5),
        (5.0, 10.0, None, 2.0),
        (-5.0, 10.0, None, FAR),
        (-10.0, None, -5.0, 0.5),
        (-2.5, -5.0, None, 0.5),
    ],
)
def test_place_on_the_common_scale(value, lower, upper, at):
    found = place(characteristic(value, lower=lower, upper=upper))
    assert found is not None
    assert found.at == pytest.approx(at, abs=1e-12)


def test_limit_of_zero_has_no_scale():
    assert place(characteristic(0.5, upper=0.0)) is None


@given(
    st.floats(-1e3, 1e3),
    st.floats(-1e3, 1e3),
    st.floats(1e-3, 1e3),
    st.floats(0, 1e2),
)
def test_place_is_one_exactly_at_a_limit_and_its_interval_holds_it(value, lower, width, u):
    upper = lower + width
    for bound in (lower, upper):
        found = place(characteristic(bound, lower=lower, upper=upper))
        assert math.isclose(found.at, 1.0, rel_tol=1e-6)
    found = place(characteristic(value, lower=lower, upper=upper, u=u))
    assert (found.at > 1 + 1e-9) <= (value < lower or value > upper)
    assert found.low - 1e-9 <= found.at <= found.high + 1e-9


def test_rows_are_sorted_from_missing_values_over_the_worst_down():
    missing = characteristic(None, upper=1.0, verdict="inconclusive")
    over, near, far = (characteristic(v, upper=1.0) for v in (1.4, 0.9, 0.1))
    assert sorted([far, near, missing, over], key=order_key) == [missing, over, near, far]


@given(st.floats(0, 50), st.floats(1.25, 2))
def test_every_place_lies_on_the_bar(at, reach):
    assert 0 < on_scale(at, reach) < 100


@pytest.mark.parametrize(
    "text", ["../../etc/passwd", "a/b", "..", "", "<x>", "\x1b[31m", "nul\0", "\udce9", "ä"]
)
def test_hostile_name_never_becomes_a_path(text):
    name = safe_name(text, "000412")
    assert not set(name) - set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789.-_")
    assert not name.startswith(".")


def test_plain_names_stay_readable_and_different_texts_stay_different():
    assert safe_name("KX-2005-R", "000412") == "KX-2005-R_000412"
    pairs = [("a", "b-c"), ("a-b", "c"), ("a_b", "c"), ("a", "b_c"), ("a/b", "c"), ("a", "b/c"), ("a.", "b")]
    assert len({safe_name(*pair) for pair in pairs}) == len(pairs)


@pytest.mark.parametrize(
    ("name", "instance", "text"),
    [
        ("resonance_amplitude", "37@1027", "resonance amplitude, 37 UPR at 1027 Hz"),
        ("resonance_amplitude", "none@1027", "resonance amplitude, no order at 1027 Hz"),
        (
            "resonance_amplitude",
            "?@5e+05",
            "resonance amplitude, an order beyond the last one measured at 5e+05 Hz",
        ),
        ("band_velocity", "50-300", "band velocity 50-300 Hz"),
        ("harmonic_amplitude", "37", "harmonic amplitude at 37 UPR"),
        ("contact_angle_left", "top[1]", "contact angle left top[1]"),
    ],
)
def test_names_say_in_words_which_one_of_several(name, instance, text):
    assert words.name_text(name, instance) == text


def test_unprintable_characters_of_a_text_are_shown_as_question_marks():
    assert words.printable("a\x1b[2J\u202eb\tc") == "a?[2J?b?c"


@pytest.mark.parametrize(
    ("at", "u", "noise_only", "text"),
    [
        (1.6712, 0.06, False, "167.1 %"),
        (1.6712, 0.6, False, "167 %"),
        (0.4721, 0.004, False, "47.2 %"),
        (2.1812, 0.004, True, "218 %"),
    ],
)
def test_share_has_the_digits_of_its_uncertainty(at, u, noise_only, text):
    assert share_text(at, u, noise_only=noise_only) == text
