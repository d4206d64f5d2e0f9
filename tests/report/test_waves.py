"""Which undulations are told as one fault."""

import pytest

from edgeagent.report.waves import FAMILIES_MAX, families


def told(*orders):
    """Families by the names of their waves; ``orders`` from the worst down."""
    names = [str(n) for n in orders]
    return [[names[i] for i in family] for family in families(names)]


@pytest.mark.parametrize(
    ("orders", "expected"),
    [
        ((37, 74, 111), [["37", "74", "111"]]),
        # the base is not the worst, or under its limit
        ((74, 37, 111), [["74", "37", "111"]]),
        ((111, 74), [["111", "74"]]),
        ((148, 37, 111), [["148", "37", "111"]]),
        # a fifth is no fraction that is looked for
        ((185, 74), [["185"], ["74"]]),
        ((37, 74, 20), [["37", "74"], ["20"]]),
        ((3, 6, 9), [["3", "6", "9"]]),
        # half of all orders are multiples of 2: a gap ends the run
        ((2, 4, 37, 74), [["2", "4"], ["37", "74"]]),
        ((2, 74, 37), [["2"], ["74", "37"]]),
        ((1, 2, 3), [["1"], ["2"], ["3"]]),
        (("37.33", "74.67", "50"), [["37.33", "74.67"], ["50"]]),
        (("37.33", "74.70"), [["37.33"], ["74.70"]]),
        (("", "37"), [[""], ["37"]]),
    ],
)
def test_worst_wave_is_told_with_its_multiples(orders, expected):
    assert told(*orders) == expected


def test_what_is_left_after_the_families_is_told_together():
    primes = (23, 29, 31, 41, 43, 47)
    found = told(*primes)
    assert found == [["23"], ["29"], ["31"], ["41", "43", "47"]]
    assert len(found) == FAMILIES_MAX + 1


def test_every_wave_is_told_once():
    orders = [str(n) for n in range(500, 1, -1)]
    found = families(orders)
    assert sorted(i for family in found for i in family) == list(range(len(orders)))
    assert all(family == sorted(family) for family in found)


def test_nothing_has_no_family():
    assert families([]) == []
