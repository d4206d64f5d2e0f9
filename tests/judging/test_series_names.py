"""Which values belong to one series, and how a person names it."""

from __future__ import annotations

import pytest

from edgeagent.judging.studies.series_names import (
    by_series,
    harmonic_of,
    label_of,
    series_instance,
    split_label,
)


@pytest.mark.parametrize(
    ("label", "name", "instance"),
    [
        ("roundness_total", "roundness_total", None),
        ("pitch_deviation[top]", "pitch_deviation", "top"),
        ("pitch_deviation[]", "pitch_deviation", ""),
        ("roundness_total[turn[2]]", "roundness_total", "turn[2]"),
    ],
)
def test_label_is_a_name_and_what_stands_in_its_brackets(label, name, instance):
    assert split_label(label) == (name, instance)


@pytest.mark.parametrize(
    ("label", "upr"),
    [
        ("harmonic_amplitude[37]", 37),
        ("harmonic_amplitude[x]", None),
        ("harmonic_amplitude[]", None),
        ("harmonic_amplitude", None),
        ("roundness_total[37]", None),
    ],
)
def test_harmonic_is_known_by_its_upr(label, upr):
    assert harmonic_of(label) == upr


@pytest.mark.parametrize(
    ("name", "instance", "series", "label"),
    [
        ("spurious_amplitude", "91", "", "spurious_amplitude"),
        ("side_band_amplitude", "35", "", "side_band_amplitude"),
        ("residual_noise", "400", "", "residual_noise"),
        ("resonance_amplitude", "36@1200", "@1200", "resonance_amplitude[@1200]"),
        ("en_number", "36", "36", "en_number[36]"),
        ("roundness_total", "", "", "roundness_total"),
    ],
)
def test_where_the_worst_was_found_makes_no_series_of_its_own(name, instance, series, label):
    assert series_instance(name, instance) == series
    assert label_of(name, instance) == label


@pytest.mark.parametrize(
    ("label", "whole"),
    [
        ("roundness_total", True),
        ("roundness_total[turn[2]]", True),
        ("spurious_amplitude", True),
        ("spurious_amplitude[91]", False),
        ("resonance_amplitude[@1200]", True),
        ("resonance_amplitude[36@1200]", False),
        ("harmonic_amplitude[37]", False),
        ("harmonic_amplitude", False),
    ],
)
def test_label_of_a_whole_series_says_no_place_within_it(label, whole):
    assert by_series(label) is whole
