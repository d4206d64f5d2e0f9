"""How many digits are written: as many as the uncertainty supports, and never onto a limit. Invented values."""

from __future__ import annotations

import math

import pytest

from edgeagent.rules.words.digits import Written, decimals_of, limit_digits, written


@pytest.mark.parametrize(
    ("value", "uncertainty", "text"),
    [
        (1.23456, 0.0234, "1.235"), (1.23456, 0.1, "1.23"), (1.23456, 0.0999, "1.235"),
        (1234.567, 2.3, "1234.6"), (1234.567, 23.0, "1235"), (1234.567, 2300.0, "1235"),
        (1.2345678912345, 1e-12, "1.234567891"),
    ],
)  # fmt: skip
def test_value_is_written_to_the_second_digit_of_its_uncertainty(value, uncertainty, text):
    # JCGM 100:2008, 7.2.6; digits before the point are never taken away, nor are there more than nine behind it
    assert written(value, uncertainty).value == text
    assert written(-value, uncertainty).value == f"-{text}"


@pytest.mark.parametrize("unknown", [None, 0.0, math.inf, math.nan])
@pytest.mark.parametrize(
    ("value", "text"),
    [(12.3456, "12.3"), (1.23456, "1.23"), (0.00123456, "0.00123"), (1234.567, "1235"), (0.0, "0.0")],
)
def test_value_without_a_known_uncertainty_has_three_digits(value, unknown, text):
    assert written(value, unknown).value == text


def test_limit_asks_for_one_decimal_more_than_it_has_where_the_uncertainty_does_not_say():
    assert written(123.4567, None, (None, 0.25)) == Written("123.457", ("", "0.25"))
    assert written(0.4567, None, (0.1, 200.0)) == Written("0.46", ("0.1", "200"))
    # Three digits count from the largest of value and limits
    assert written(0.045678, None, (None, 2.0)).value == "0.05"
    assert written(0.045678, 0.0012, (None, 2.0)).value == "0.0457"


def test_noise_of_the_trace_alone_gives_no_more_digits_than_an_unknown_uncertainty():
    assert written(1.23456, 0.00012, noise_only=True).value == "1.23"
    assert written(123.456, 0.00012, (None, 130.25), noise_only=True).value == "123.456"
    assert written(1.23456, 2.0, noise_only=True).value == "1.2"
    assert written(0.0, 0.012, noise_only=True).value == "0.000"


@pytest.mark.parametrize(
    ("value", "limits", "text"),
    [
        (0.9996, (None, 1.0), "0.9996"), (1.0004, (None, 1.0), "1.0004"), (-0.9996, (-1.0, None), "-0.9996"),
        (1.0, (None, 1.0), "1.00"), (0.996, (None, 1.0), "0.996"),
    ],
)  # fmt: skip
def test_value_is_never_rounded_onto_a_limit_that_it_differs_from(value, limits, text):
    assert written(value, None, limits).value == text


def test_difference_beyond_the_ninth_decimal_is_not_written():
    assert written(1.0 + 1e-13, None, (None, 1.0)) == Written("1.000000000", ("", "1"))


def test_value_beside_an_interpolated_limit_stays_on_its_side():
    limit = 1.23456789123
    assert written(1.2346, None, (None, limit)) == Written("1.23460", ("", "1.23457"))
    assert written(1.2, None, (None, limit)) == Written("1.20", ("", "1.23"))


@pytest.mark.parametrize(
    ("limit", "text"),
    [
        (5.0, "5"), (0.25, "0.25"), (123456.0, "123456"), (1e6, "1000000"), (1e-7, "0.0000001"), (-0.5, "-0.5"),
        (1.23456789, "1.235"), (123.456789, "123.5"), (0.0123456789, "0.01235"), (12345.6789, "12346"),
        (1234567.0, "1234567"), (0.0, "0"),
    ],
)  # fmt: skip
def test_limit_is_written_as_the_recipe_says_it_and_an_interpolated_one_with_four_digits(limit, text):
    assert limit_digits(limit) == text


def test_interpolated_limit_takes_the_decimals_that_are_asked_for_and_a_stated_one_its_own():
    assert [limit_digits(1.23456789, n) for n in (0, 2, 5)] == ["1", "1.23", "1.23457"]
    assert limit_digits(0.25, 5) == "0.25"


def test_decimals_are_none_to_nine():
    assert decimals_of(1.0, 1e-30) == 9
    assert decimals_of(1.0, 1e30) == 0
    assert decimals_of(1e30, None) == 0
    assert decimals_of(1e-30, None) == 9
