"""The level of noise over the orders: a smooth spectrum from lines that scatter, steep where the gauge drifts.

A gauge that is at rest or drifts has a power that falls with the order, by 1/f² for a random walk, 1/f for
flicker, and levels off where white noise begins. Such a spectrum is a sum, with weights above zero, of a
constant and of 1/(1 + (f/f_j)²) at a few corner frequencies f_j, and where asked of one steeper term for what
a warm-up leaves. The weights maximise the likelihood of exponentially distributed powers (Whittle's; Itakura
and Saito's distance) by multiplicative updates, which never leave the positive and need no starting guess.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np

from edgeagent.model import FloatArray, IntArray

_CORNERS = (0.1, 0.5, 1.5, 5.0, 15.0, 50.0, 150.0)
"""Corner frequencies f_j in UPR; three to a decade leave no ripple above 10 %."""
# Two thousand would gain 1.5 in log-likelihood at the most (drifts of several kinds), where 6 is significant.
_ROUNDS = 100
_GAIN_MIN = 12.0
"""Twice the gain in log-likelihood from which on noise is not taken for white (a choice of ours)."""
_SINGLE = 48
"""So many of the lowest lines stand alone in the fit; higher ones are pooled, some 16 pools to an octave."""
_TRIM = 5.0
"""A line above this many levels is a wave; noise alone exceeds it once in 150."""
_KEPT_MEAN = 0.966
"""Mean of an exponential variable of mean one that is known to lie below ``_TRIM``."""


def basis(upr: FloatArray, *, steep: bool = False) -> FloatArray:
    """Values of the terms at each order, shape (terms, n); ``steep`` adds one that falls by the fourth
    power."""
    terms = [np.ones(len(upr)), *(1.0 / (1.0 + (upr / corner) ** 2) for corner in _CORNERS)]
    return np.array([*terms, 1.0 / (1.0 + (upr / 0.5) ** 4)] if steep else terms)


def fit_level(terms: FloatArray, power: FloatArray, lines: FloatArray) -> FloatArray:
    """Weights of the terms, shape (terms,), for mean powers of ``lines`` lines each, shape (n,).

    ``terms`` holds what each term of weight one makes expected there, shape (terms, n), that of a constant
    first. All but the constant stay zero where they do not make the lines more likely by more than chance does.
    Zero where no power is.
    """
    scale = float(np.mean(power))
    if not scale > 0.0:
        return np.zeros(len(terms))
    # A line of exactly 0 would have an infinite likelihood under a level of 0.
    seen = np.maximum(power / scale, 1e-12)
    # Both fits, since the constant alone is the wider claim: the others must earn their place.
    flat, all_terms = (_likeliest(t, seen, lines) for t in (terms[:1], terms))
    gain = 2.0 * (all_terms[1] - flat[1])
    found = all_terms[0] if gain > _GAIN_MIN else np.concatenate((flat[0], np.zeros(len(terms) - 1)))
    return found * scale


def _likeliest(terms: FloatArray, seen: FloatArray, lines: FloatArray) -> tuple[FloatArray, float]:
    """The weights that make the powers likeliest, and the logarithm of their likelihood."""
    # Each term starts with the same largest value, so that none is drowned by its scale.
    weight = np.full(len(terms), 1.0 / len(terms)) / np.maximum(terms.max(axis=1), 1e-300)
    if len(terms) == 1:
        # One term alone has its maximum in closed form.
        weight = np.array([np.sum(lines * seen / terms[0]) / np.sum(lines)])
    # Pools are few, so that BLAS sums them in one thread whatever the machine; it halves the time.
    level, both = np.empty(len(seen)), np.empty((2, len(seen)))
    beside = np.ascontiguousarray(terms.T)
    for _ in range(_ROUNDS if len(terms) > 1 else 0):
        np.dot(weight, terms, out=level)
        np.divide(lines, level, out=both[1])
        np.divide(seen, level, out=both[0])
        both[0] *= both[1]
        up, down = np.dot(both, beside)
        # With the root every update raises the likelihood (majorisation, remembered); without it weights may
        # swing.
        weight = weight * np.sqrt(up / np.maximum(down, 1e-300))
    level = np.einsum("j,jn->n", weight, terms)
    return weight, -float(np.sum(lines * (np.log(level) + seen / level)))


def pools(count: int) -> IntArray:
    """Beginnings of pools of ``count`` lines in rising order, from 0; the last one is ``count``."""
    if count <= _SINGLE:
        return np.arange(count + 1)
    steps = max(int(16 * np.log2(count / _SINGLE)), 1)
    ends = np.unique(np.round(_SINGLE * (count / _SINGLE) ** (np.arange(1, steps + 1) / steps)).astype(int))
    return np.concatenate((np.arange(_SINGLE + 1), ends[ends > _SINGLE]))


def pool_means(values: FloatArray, edges: IntArray) -> FloatArray:
    """Mean over each pool along the last axis."""
    sums = np.add.reduceat(values, edges[:-1], axis=-1)
    result: FloatArray = sums / np.diff(edges)
    return result


def background(
    upr: FloatArray, power: FloatArray, terms_at: Callable[[FloatArray], FloatArray]
) -> Callable[[FloatArray], FloatArray]:
    """The level between the waves of a spectrum: what all orders share, waves left out.

    ``upr`` rises, ``power`` has the same shape (n,); ``terms_at`` are the terms at any orders, as of `basis`.
    It starts from medians, which few waves do not move, and takes lines below ``_TRIM`` levels from then on.
    What a surface itself has in all orders is part of it.
    """
    edges = np.unique(
        np.concatenate((np.arange(0, min(len(upr), 17), 8), pools(len(upr))[_SINGLE + 7 :: 8], [len(upr)]))
    )
    edges = edges[np.concatenate(([True], np.diff(edges) > 0))]
    parts = list(pairwise(edges))
    middle = np.array([float(np.exp(np.mean(np.log(upr[a:b])))) for a, b in parts])
    # An exponential variable has its median at ln 2 of its mean.
    level = np.array([float(np.median(power[a:b])) / np.log(2.0) for a, b in parts])
    weight = fit_level(terms_at(middle), level, np.diff(edges).astype(np.float64))
    terms = terms_at(upr)
    for _ in range(3):
        now = np.einsum("j,jn->n", weight, terms)
        kept = np.flatnonzero(power <= _TRIM * now)
        # Fewer lines than terms tell no level; the one from the medians stands.
        if len(kept) < 8:
            break
        share = pools(len(kept))
        weight = fit_level(
            pool_means(terms[:, kept], share), pool_means(power[kept], share), np.diff(share).astype(np.float64)
        )
        # Cut at five levels, noise itself has lost its largest lines: its mean is raised to what it was.
        weight = weight / _KEPT_MEAN
    final = weight

    def at(order: FloatArray) -> FloatArray:
        result: FloatArray = np.einsum("j,jn->n", final, terms_at(order))
        return result

    return at
