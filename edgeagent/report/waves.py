"""Which undulations of a trace are one fault: a wave and its multiples. Pure.

Chatter that is no pure sine shows at its base and at multiples of it, and not the base but one of its first
multiples may be the worst, or the only one over a limit that falls with UPR. So the worst wave's family are the
multiples of a whole fraction of it, a half, third or fourth at the most.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from collections.abc import Set as AbstractSet

FAMILIES_MAX = 3
"""Families that are reported one by one; what is left after them is one group."""
# Farther down every order is near a multiple of something.
_FRACTION_MAX = 4
_BASE_LEAST = 10
"""Every ``base``-th order is a multiple by chance: below this, only an unbroken run from the base on counts."""
_ROUNDING = 0.005
"""By which a wave between whole orders may differ from its name, which has two decimals."""


def families(instances: Sequence[str]) -> list[list[int]]:
    """Indices of waves by family, the worst family first; ``instances`` are their orders, the worst first.

    At most ``FAMILIES_MAX`` families and one more group of all others; each in the order of ``instances``.
    """
    left = list(range(len(instances)))
    found: list[list[int]] = []
    while left and len(found) < FAMILIES_MAX:
        family = _family(left, instances)
        found.append(family)
        left = [i for i in left if i not in family]
    return [*found, left] if left else found


def _family(left: Sequence[int], instances: Sequence[str]) -> list[int]:
    """The first of ``left`` and what belongs to it; the largest base of those that bring most waves along."""
    orders = {i: order_of(instances[i]) for i in left}
    worst = orders[left[0]]
    best = [left[0]]
    for fraction in range(1, _FRACTION_MAX + 1):
        base = worst / fraction
        # Part of a wave between whole orders would be a guess: only the wave itself may be its base.
        if fraction > 1 and base != int(base):
            continue
        last = math.inf if base >= _BASE_LEAST else _last_of_run(base, set(orders.values()))
        family = [i for i in left if orders[i] <= last and _is_multiple(orders[i], base)]
        # More, not as many: of equal families the one with the larger base explains them with less.
        if left[0] in family and len(family) > len(best):
            best = family
    return best


def _last_of_run(base: float, orders: AbstractSet[float]) -> float:
    """The last of the multiples that follow on a base without a gap; 0 where the base itself is missing."""
    last = 0.0
    while last + base in orders and base > 0:
        last += base
    return last


def _is_multiple(order: float, base: float) -> bool:
    """Whether an order is a multiple of a base above 1, as far as the two decimals of their names show."""
    if base <= 1:
        return False
    times = max(round(order / base), 1)
    whole = order == int(order) and base == int(base)
    # A name's rounding counts as often as the base is taken, and once for the order itself.
    return abs(order - times * base) <= (0.0 if whole else _ROUNDING * (times + 1))


def order_of(instance: str) -> float:
    """Undulations per revolution that an instance names; 0 for one that names none."""
    try:
        return float(instance.strip("[]"))
    except ValueError:
        return 0.0
