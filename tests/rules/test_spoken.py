"""Names of characteristics in words, and which of two limits a sentence speaks of."""

import pytest

from edgeagent.rules.words.spoken import limits_at_stake, spoken_name


@pytest.mark.parametrize(
    ("value", "u", "lower", "upper", "expected"),
    [
        (0.9, 0.2, None, 1.0, (False, True)),
        (0.9, 0.2, 0.5, None, (True, False)),
        (0.9, 0.2, None, None, (False, False)),
        (47.9, 0.2, 42.0, 48.0, (False, True)),
        (41.9, 0.2, 42.0, 48.0, (True, False)),
        (99.0, 0.2, 42.0, 48.0, (False, True)),
        (44.0, 4.0, 42.0, 48.0, (True, True)),
        (44.0, 3.9, 42.0, 48.0, (True, False)),
        (44.0, None, 42.0, 48.0, (True, False)),
    ],
)
def test_limit_at_stake_is_the_nearer_one_and_both_where_the_uncertainty_reaches_both(
    value, u, lower, upper, expected
):
    assert limits_at_stake(value, u, lower, upper) == expected


@pytest.mark.parametrize(
    ("name", "instance", "words"),
    [
        ("roundness_total", "", "roundness total"),
        ("roundness_total", "turn[2]", "roundness total turn[2]"),
        ("en_number", "36", "En number at 36 UPR"),
        ("band_rms", "2-15", "band rms at 2-15 UPR"),
        ("resonance_amplitude", "none@1027", "resonance amplitude, no order at 1027 Hz"),
    ],
)
def test_name_has_no_underscores_and_says_which_one_of_several(name, instance, words):
    assert spoken_name(name, instance) == words


def test_without_an_uncertainty_one_of_two_limits_is_at_stake_however_close_they_are():
    assert limits_at_stake(0.5, None, 0.4, 0.7) == (True, False)
    assert limits_at_stake(0.6, None, 0.4, 0.7) == (False, True)
    assert limits_at_stake(0.5, 0.2, 0.4, 0.7) == (True, True)
