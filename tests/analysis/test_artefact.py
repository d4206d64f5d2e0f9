"""A reference artefact against its certificate: errors, E_n numbers, spurious waves."""

from __future__ import annotations

import numpy as np
import pytest

from edgeagent.analysis.around.artefact import compare_waves
from edgeagent.errors import TraceRangeError
from edgeagent.model import Spectrum


def spectrum_of(amplitudes_nm, noise_nm=0.0, upr_max=500):
    amplitude = np.full(upr_max, 0.1)
    for upr, value in amplitudes_nm.items():
        amplitude[upr - 1] = value
    return Spectrum(np.arange(1, upr_max + 1), amplitude, np.zeros(upr_max), np.full(upr_max, float(noise_nm)))


def by_name(quantities, name, instance=None):
    return next(q for q in quantities if q.name == name and instance in (None, q.instance))


def test_en_number_of_a_worked_vector():
    # E_n = (x - X) / sqrt(U_lab**2 + U_ref**2), ISO/IEC 17043 (remembered): x 10.0025, U_lab 0.0012,
    # X 10.0010, U_ref 0.0008 gives 1.040062867922 (computed by another hand)
    found = compare_waves(spectrum_of({20: 10.0025}, 0.0006), [(20, 10.0010, 0.0008)], 500)
    assert by_name(found, "en_number").value == pytest.approx(1.040062867922, abs=1e-9)


def test_error_carries_the_uncertainty_of_trace_and_certificate():
    found = compare_waves(spectrum_of({36: 815.0}, 2.0), [(36, 812.0, 3.0)], 500)
    error = by_name(found, "amplitude_error", "36")
    assert error.value == pytest.approx(3.0)
    assert error.standard_uncertainty == pytest.approx(2.5)  # 2.0 and 3.0 / 2 at right angles
    assert by_name(found, "en_number", "36").value == pytest.approx(3.0 / 5.0)


def test_a_wave_that_is_too_small_has_a_negative_en_number():
    found = compare_waves(spectrum_of({36: 800.0}), [(36, 812.0, 6.0)], 500)
    assert by_name(found, "en_number").value == pytest.approx(-2.0)


def test_largest_wave_that_is_not_certified_is_spurious():
    found = compare_waves(
        spectrum_of({1: 900.0, 36: 812.0, 72: 5.5, 300: 7.0, 480: 6.0}, 0.4), [(36, 812.0, 6.0)], 400
    )
    spurious = by_name(found, "spurious_amplitude")
    assert (spurious.instance, spurious.value, spurious.standard_uncertainty) == ("300", 7.0, 0.4)


def test_a_wave_between_whole_orders_is_spurious_or_a_side_band_and_one_beyond_the_range_is_neither():
    orders = Spectrum(np.array([50.3, 37.5, 450.5]), np.array([5.0, 3.0, 9.0]), np.zeros(3), np.full(3, 0.2))
    found = compare_waves(spectrum_of({36: 812.0}), [(36, 812.0, 6.0)], 400, side_band_upr=2, orders=orders)
    spurious, near = by_name(found, "spurious_amplitude"), by_name(found, "side_band_amplitude")
    assert (spurious.instance, spurious.value, spurious.standard_uncertainty) == ("50.30", 5.0, 0.2)
    assert (near.instance, near.value) == ("37.50", 3.0)


def test_spurious_waves_beyond_the_judged_range_and_eccentricity_do_not_count():
    found = compare_waves(spectrum_of({1: 900.0, 36: 812.0, 450: 9.0}), [(36, 812.0, 6.0)], 400)
    assert by_name(found, "spurious_amplitude").value == pytest.approx(0.1)


def test_certified_wave_above_the_trace_is_refused():
    with pytest.raises(TraceRangeError, match="certified wave of 180 UPR lies above the trace's range of 100"):
        compare_waves(spectrum_of({}, upr_max=100), [(180, 403.0, 5.0)], 500)


def test_artefact_without_other_waves_in_range_has_no_spurious_amplitude():
    found = compare_waves(spectrum_of({2: 50.0}, upr_max=2), [(2, 50.0, 1.0)], 2)
    assert {q.name for q in found} == {"amplitude_error", "en_number"}
