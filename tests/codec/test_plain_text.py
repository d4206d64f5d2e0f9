"""Numbers and texts for a terminal."""

import pytest

from edgeagent.codec.plain_text import clean, count_text, number, probability


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, "-"), (0.0, "0"), (-0.0, "0"), (2.3027e-05, "0.000023027"), (123456.7, "123460"),
        (1e12, "1000000000000"),
        (-3.5, "-3.5"), (0.1 + 0.2, "0.3"), (float("inf"), "inf"),
    ],
)  # fmt: skip
def test_number_has_five_digits_and_never_an_exponent(value, text):
    assert number(value) == text


def test_small_probability_says_what_it_lies_below():
    assert [probability(p) for p in (3e-30, 0.05, None)] == ["< 0.0001", "0.05", "-"]


def test_text_of_a_file_loses_what_a_terminal_would_obey():
    assert clean("a\x1b[31m\tb\u202f1") == "a?[31m?b?1"
    assert clean("b\u202f1", keep="\u202f") == "b\u202f1"


def test_count_agrees_with_its_noun():
    assert [count_text(n, "part") for n in (0, 1, 2)] == ["0 parts", "1 part", "2 parts"]
    assert count_text(2, "axis", "axes") == "2 axes"
