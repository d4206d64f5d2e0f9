"""Harmonics with jointly fitted alignment, against planted waves and against other hands.

Oracles: planted waves (closed form), numpy.fft, a dense least-squares fit (numpy.linalg.lstsq; lmfit), and the
certified regression set ENSO of NIST's Statistical Reference Datasets (fixtures/nist).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from edgeagent.analysis.waves.harmonics import fit_harmonics, turns_of
from edgeagent.analysis.waves.least_squares import widest_gap
from edgeagent.errors import FitNotConvergedError, TraceShapeError

NIST = Path(__file__).parents[2] / "fixtures" / "nist"
POINTS_PER_TURN = 18_000
PLANTED = {2: (1.0, 0.7), 15: (0.2, -1.1), 37: (0.05, 2.0), 499: (0.004, 0.3)}
"""UPR: amplitude in um and phase in rad."""


def spiral(angle, waves=PLANTED, *, eccentricity=4.0, tilt=0.7, slope=1.3):
    """The trace that a spiral with these alignment errors and waves gives, in um, tilt and slope per turn."""
    turn = (angle - angle[0]) / (2 * np.pi)
    trace = 5.0 + slope * turn + (eccentricity + tilt * turn) * np.cos(angle + 0.4)
    for upr, (amplitude, phase) in waves.items():
        trace += amplitude * np.cos(upr * angle + phase)
    return trace


def even(turns, points_per_turn, start=0.0):
    count = round(turns * points_per_turn)
    return start + np.arange(count) * (2 * np.pi / points_per_turn)


def jittered(turns, points_per_turn, share, seed, start=0.0):
    angle = even(turns, points_per_turn, start)
    step = 2 * np.pi / points_per_turn
    return angle + np.random.default_rng(seed).uniform(-share, share, len(angle)) * step


def departures(fit, upr_max, waves=PLANTED):
    """Largest amplitude in nm where nothing was planted, worst error in nm and in deg of what was."""
    amplitude, phase = 1000 * fit.amplitude_um[:upr_max], fit.phase_rad[:upr_max]
    other = np.ones(upr_max, dtype=bool)
    other[0] = False
    worst_nm = worst_deg = 0.0
    for upr, (expected, at) in waves.items():
        other[upr - 1] = False
        worst_nm = max(worst_nm, abs(amplitude[upr - 1] - 1000 * expected))
        turned = np.degrees(np.angle(np.exp(1j * (phase[upr - 1] - at))))
        worst_deg = max(worst_deg, abs(turned))
    return amplitude[other].max(), worst_nm, worst_deg


def dense(angle, trace, upr_max, alignment):
    """The same model by numpy.linalg.lstsq: a exp(i phase) of 1 ... upr_max, and the alignment terms."""
    order = np.arange(1, upr_max + 1)
    columns = [np.ones((len(angle), 1)), np.cos(np.outer(angle, order)), np.sin(np.outer(angle, order))]
    if alignment:
        t = (angle - 0.5 * (angle.min() + angle.max()))[:, None] / (2 * np.pi)
        columns += [t, t * np.cos(angle)[:, None], t * np.sin(angle)[:, None]]
    found = np.linalg.lstsq(np.hstack(columns), trace, rcond=None)[0]
    return found[1 : upr_max + 1] - 1j * found[upr_max + 1 : 2 * upr_max + 1], found[2 * upr_max + 1 :]


# ---------------------------------------------------------------- alignment and waves, noise-free


def test_alignment_of_three_turns_leaves_nothing_in_any_harmonic_to_1500_upr():
    lobe = {2: (1.0, 0.7)}
    fit = fit_harmonics(even(3, 18_000), spiral(even(3, 18_000), lobe), upr_max=1500, alignment=True)
    other_nm, error_nm, error_deg = departures(fit, 1500, lobe)
    assert other_nm < 0.02
    assert error_nm < 0.02
    assert error_deg < 0.01
    # the docstring of fit_harmonics promises more than that
    assert other_nm < 1e-5


def test_three_turns_of_6000_points_each_leave_nothing_in_any_harmonic_to_1500_upr():
    angle = even(3, 6000)
    lobe = {2: (1.0, 0.7)}
    other_nm, error_nm, error_deg = departures(
        fit_harmonics(angle, spiral(angle, lobe), upr_max=1500, alignment=True), 1500, lobe
    )
    assert other_nm < 0.02
    assert error_nm < 0.02
    assert error_deg < 0.01


def test_planted_waves_and_alignment_come_back():
    angle = even(3, POINTS_PER_TURN)
    fit = fit_harmonics(angle, spiral(angle), upr_max=1500, alignment=True)
    other_nm, error_nm, error_deg = departures(fit, 1500)
    assert other_nm < 0.02
    assert error_nm < 0.02
    assert error_deg < 0.01
    assert fit.slope_um_per_turn == pytest.approx(1.3, abs=1e-9)
    assert fit.tilt_um_per_turn == pytest.approx(0.7, abs=1e-9)
    assert np.arctan2(-fit.alignment[2], fit.alignment[1]) == pytest.approx(0.4, abs=1e-9)
    assert fit.amplitude_um[0] == pytest.approx(4.0, abs=1e-9)  # at the first sample, as documented
    assert fit.phase_rad[0] == pytest.approx(0.4, abs=1e-9)
    assert fit.turns == pytest.approx(3.0, abs=1e-9)
    assert np.abs(fit.residual_um).max() < 1e-8


@pytest.mark.parametrize(("points_per_turn", "seed"), [(POINTS_PER_TURN, 1), (6000, 2), (6000, 3)])
def test_jittered_spacing_is_used_as_recorded(points_per_turn, seed):
    angle = jittered(3, points_per_turn, 0.25, seed)
    fit = fit_harmonics(angle, spiral(angle), upr_max=1500, alignment=True)
    other_nm, error_nm, error_deg = departures(fit, 500)
    assert other_nm < 0.05
    assert error_nm < 0.05
    assert error_deg < 0.01


@pytest.mark.parametrize("turns", [1.25, 2.0, 2.5, 3.4, 3.999])
def test_a_fraction_of_a_turn_to_spare_does_not_leak(turns):
    angle = even(turns, POINTS_PER_TURN)
    other_nm, error_nm, error_deg = departures(
        fit_harmonics(angle, spiral(angle), upr_max=1500, alignment=True), 1500
    )
    assert other_nm < 0.02
    assert error_nm < 0.02
    assert error_deg < 0.01


@pytest.mark.parametrize("start", [-300.0, -0.4, 1.0, 7.7, 4000.0])
def test_angles_may_begin_anywhere(start):
    angle = even(3, 6000, start)
    fit = fit_harmonics(angle, spiral(angle), upr_max=1500, alignment=True)
    other_nm, error_nm, error_deg = departures(fit, 1500)
    assert other_nm < 0.02
    assert error_nm < 0.02
    assert error_deg < 0.01


@settings(max_examples=25, deadline=None)
@given(st.floats(0.0, 6.28), st.integers(2, 60), st.floats(0.001, 3.0))
def test_turning_the_start_angle_changes_phase_and_not_amplitude(turned, upr, amplitude):
    angle = even(2.3, 600)
    wave = {upr: (amplitude, 0.5)}
    one = fit_harmonics(angle, spiral(angle, wave), upr_max=100, alignment=True)
    other = fit_harmonics(angle + turned, spiral(angle, wave), upr_max=100, alignment=True)
    assert np.abs(one.amplitude_um - other.amplitude_um).max() < 1e-9
    shift = np.angle(np.exp(1j * (one.phase_rad[upr - 1] - other.phase_rad[upr - 1] - upr * turned)))
    assert abs(shift) < 1e-6


def test_a_single_turn_of_a_circle_is_complete_with_and_without_its_closing_sample():
    for extra in (0, 1):
        angle = np.arange(3600 + extra) * (2 * np.pi / 3600)
        trace = 1.0 + 4.0 * np.cos(angle + 0.4)
        for upr, (amplitude, phase) in PLANTED.items():
            trace += amplitude * np.cos(upr * angle + phase)
        fit = fit_harmonics(angle, trace, upr_max=1000, alignment=False)
        other_nm, error_nm, error_deg = departures(fit, 1000)
        assert other_nm < 1e-6
        assert error_nm < 1e-6
        assert error_deg < 1e-6
        assert fit.slope_um_per_turn == fit.tilt_um_per_turn == 0.0
        assert fit.amplitude_um[0] == pytest.approx(4.0, abs=1e-9)


def test_order_of_the_samples_does_not_matter():
    angle = even(2, 720)
    shuffled = np.random.default_rng(4).permutation(len(angle))
    one = fit_harmonics(angle, spiral(angle, {3: (1.0, 0.0)}), upr_max=100, alignment=True)
    other = fit_harmonics(
        angle[shuffled], spiral(angle, {3: (1.0, 0.0)})[shuffled], upr_max=100, alignment=True
    )
    assert np.abs(one.coefficient - other.coefficient).max() < 1e-10


def test_residual_of_samples_that_were_not_fitted_is_what_they_lie_off():
    angle = even(3, 3600)
    trace = spiral(angle)
    kept = np.ones(len(angle), dtype=bool)
    kept[[10, 5000]] = False
    trace[10] += 2.0
    fit = fit_harmonics(angle[kept], trace[kept], upr_max=1000, alignment=True)
    residual = fit.residual_at(angle, trace)
    assert residual[10] == pytest.approx(2.0, abs=1e-6)
    residual[10] = 0.0
    assert np.abs(residual).max() < 1e-6


# ---------------------------------------------------------------- other hands


def test_whole_turns_of_even_samples_agree_with_the_fast_fourier_transform():
    points, turns = 1000, 3
    angle = np.arange(points * turns) * (2 * np.pi / points)
    trace = np.random.default_rng(5).normal(size=len(angle))
    fit = fit_harmonics(angle, trace, upr_max=400, alignment=False)
    line = np.fft.rfft(trace)[: 400 * turns + 1 : turns] / len(trace)
    assert np.abs(fit.coefficient - line).max() < 1e-13


@pytest.mark.parametrize(("alignment", "turns"), [(False, 1.0), (True, 2.0), (True, 2.37), (True, 3.0)])
def test_agreement_with_a_dense_least_squares_fit(alignment, turns):
    angle = jittered(turns, 200, 0.3, 6, start=0.9)
    trace = spiral(angle, {2: (1.0, 0.7), 9: (0.3, 0.1)}) + np.random.default_rng(7).normal(size=len(angle))
    fit = fit_harmonics(angle, trace, upr_max=60, alignment=alignment)
    expected, beta = dense(angle, trace, 60, alignment)
    found = 2 * fit.centred[1:]
    assert np.abs(found - expected).max() < 1e-9
    assert np.abs(fit.coefficient[2:] - fit.centred[2:]).max() == 0.0
    assert np.abs(fit.alignment - beta).max(initial=0.0) < 1e-9


def test_agreement_with_the_minimiser_of_a_general_purpose_library():
    import lmfit

    angle = jittered(2.3, 90, 0.25, 8)
    trace = spiral(angle, {2: (1.0, 0.7)}) + 0.1 * np.random.default_rng(9).normal(size=len(angle))
    turn = (angle - 0.5 * (angle.min() + angle.max())) / (2 * np.pi)

    def residual(parameters):
        p = parameters.valuesdict()
        model = p["c"] + p["b1"] * turn + turn * (p["b2"] * np.cos(angle) + p["b3"] * np.sin(angle))
        for n in range(1, 4):
            model = model + p[f"a{n}"] * np.cos(n * angle) + p[f"s{n}"] * np.sin(n * angle)
        return model - trace

    start = lmfit.Parameters()
    for name in ("c", "b1", "b2", "b3", *(f"{part}{n}" for n in range(1, 4) for part in "as")):
        start.add(name, value=0.1)
    # the difference quotients of the minimiser are good to about 1e-8
    best = lmfit.minimize(residual, start, xtol=1e-12, ftol=1e-12).params.valuesdict()
    fit = fit_harmonics(angle, trace, upr_max=3, alignment=True)
    for n in range(1, 4):
        assert 2 * fit.centred[n].real == pytest.approx(best[f"a{n}"], abs=1e-6)
        assert -2 * fit.centred[n].imag == pytest.approx(best[f"s{n}"], abs=1e-6)
    assert list(fit.alignment) == pytest.approx([best["b1"], best["b2"], best["b3"]], abs=1e-6)


def test_certified_harmonic_regression_of_nist():
    # NIST StRD, set ENSO: certified values of lines 41 to 54 of the file. With the certified periods fixed, the
    # other seven parameters are a linear least-squares problem, which is solved here cycle by cycle: each pass
    # fits one cycle (12 months exactly, the others 3.8 and 6.2 turns) to what the others leave, until rest.
    y, month = np.loadtxt(NIST / "ENSO.dat", skiprows=60, unpack=True)
    assert len(y) == 168
    certified = {12.0: (3.0762128085, 0.53280138227)}
    certified[44.311088700] = (-1.6231428586, 0.52554493756)
    certified[26.887614440] = (0.21232288488, 1.4966870418)
    part = {period: np.zeros(len(y)) for period in certified}
    fits, constant = {}, 0.0
    for _ in range(60):
        for period in certified:
            rest = y - sum(wave for other, wave in part.items() if other != period)
            angle = 2 * np.pi * month / period
            fit = fit_harmonics(angle, rest, upr_max=1, alignment=False)
            part[period] = rest - fit.residual_um - fit.coefficient[0].real
            fits[period], constant = fit, fit.coefficient[0].real
    # eleven digits are certified; free periods are certified too, so that digits of the rounded periods count
    assert constant == pytest.approx(10.510749193, abs=1e-8)
    for period, (cosine, sine) in certified.items():
        found = 2 * fits[period].coefficient[1]
        assert found.real == pytest.approx(cosine, abs=1e-8)
        assert -found.imag == pytest.approx(sine, abs=1e-8)
    rest = y - constant - sum(part.values())
    assert float(rest @ rest) == pytest.approx(788.53978668, abs=1e-7)


# ---------------------------------------------------------------- uncertainty


def spread_of_amplitude(turns, alignment, upr, noise_um, seeds, per_turn=720, upr_max=200):
    """Scatter of the complex harmonic over seeds, and the mean of the stated variances, both in um**2."""
    angle = even(turns, per_turn)
    clean = spiral(angle, {7: (0.5, 0.2)}) if alignment else 0.5 * np.cos(7 * angle + 0.2)
    found, stated = [], []
    for seed in range(seeds):
        noise = np.random.default_rng(1000 + seed).normal(0.0, noise_um, len(angle))
        fit = fit_harmonics(angle, clean + noise, upr_max=upr_max, alignment=alignment)
        found.append(2 * fit.coefficient[upr])
        stated.append(fit.standard_uncertainty_um[upr] ** 2)
    values = np.array(found)
    # real and imaginary part each have the amplitude's variance: 2 (seeds - 1) degrees of freedom
    variance = float(np.sum(np.abs(values - values.mean()) ** 2)) / (2 * (seeds - 1))
    return variance, float(np.mean(stated))


@pytest.mark.parametrize(
    ("turns", "alignment", "upr"),
    [(1.0, False, 7), (1.0, False, 150), (3.0, True, 2), (3.0, True, 7), (3.0, True, 150), (2.4, True, 50)],
)
def test_stated_uncertainty_is_the_scatter_over_seeds(turns, alignment, upr):
    seeds = 80
    scatter, stated = spread_of_amplitude(turns, alignment, upr, 0.02, seeds)
    freedom = 2 * (seeds - 1)
    # 99.9 % of chi-square ratios lie between these; the stated mean of 80 seeds with 48 degrees each adds
    # sqrt(2 / 48 / 80) = 2.3 %, some two times that is taken on either side
    low, high = stats.chi2.ppf([5e-4, 1 - 5e-4], freedom) / freedom
    assert low / 1.05 < scatter / stated < high * 1.05


def test_noise_between_harmonics_tells_band_limited_noise_apart():
    # noise of 20 nm RMS that does not repeat from turn to turn, all of it between 90 and 110 UPR
    angle = even(3, 720)
    rng = np.random.default_rng(11)
    lines = np.zeros(len(angle) // 2 + 1, dtype=complex)
    band = slice(90 * 3, 110 * 3 + 1)
    lines[band] = rng.normal(size=61) + 1j * rng.normal(size=61)
    noise = np.fft.irfft(lines, len(angle))
    noise *= 0.02 / noise.std()
    fit = fit_harmonics(angle, spiral(angle) + noise, upr_max=250, alignment=True)
    assert fit.noise_from == "between harmonics"
    # 61 lines share the power: an amplitude's variance is 2 * 0.02**2 / 61 / 2 each way
    expected = np.sqrt(0.02**2 / 61)
    assert fit.standard_uncertainty_um[100] == pytest.approx(expected, rel=0.5)
    assert fit.standard_uncertainty_um[20] < 0.02 * expected


def test_uncertainty_of_slope_and_tilt_raises_that_of_the_lowest_harmonics():
    angle = even(2, 720)
    noise = np.random.default_rng(12).normal(0.0, 0.02, len(angle))
    with_terms = fit_harmonics(angle, spiral(angle) + noise, upr_max=200, alignment=True)
    without = fit_harmonics(angle, noise, upr_max=200, alignment=False)
    assert with_terms.standard_uncertainty_um[2] > 1.05 * without.standard_uncertainty_um[2]
    assert with_terms.standard_uncertainty_um[150] == pytest.approx(
        without.standard_uncertainty_um[150], rel=0.02
    )


def errors_over_seeds(turns, noise_of, *, alignment, tilt=0.7, seeds=200, per_turn=360, upr_max=60):
    """Stated uncertainties and RMS errors of slope, tilt and harmonics 1 … 12 over seeds."""
    angle = even(turns, per_turn)
    t = angle / (2 * np.pi)
    clean = 4.0 * np.cos(angle + 0.2) + 0.6 * np.cos(2 * angle + 0.3)
    if alignment:
        clean = clean + 1.3 * t + tilt * t * np.cos(angle + 0.2)
    true = np.zeros(13, dtype=complex)
    true[1], true[2] = 4.0 * np.exp(0.2j), 0.6 * np.exp(0.3j)
    rows = []
    for seed in range(seeds):
        noise = noise_of(np.random.default_rng(seed), len(angle), per_turn)
        fit = fit_harmonics(angle, clean + noise, upr_max=upr_max, alignment=alignment)
        # of the two components of a harmonic either has the amplitude's variance
        wave = np.abs(2 * fit.coefficient[:13] - true)[1:] / np.sqrt(2)
        rows.append((
            (fit.slope_um_per_turn - 1.3, fit.slope_uncertainty_um_per_turn or 0.0),
            (fit.tilt_um_per_turn - tilt, fit.tilt_uncertainty_um_per_turn or 0.0),
            *zip(wave, [fit.eccentricity_uncertainty_um, *fit.standard_uncertainty_um[2:13]], strict=True),
        ))  # fmt: skip
    error, stated = np.sqrt(np.mean(np.array(rows) ** 2, axis=0)).T
    return stated, error


def white(rng, count, _):
    return rng.normal(0.0, 0.02, count)


def walk(rng, count, per_turn):
    """A random walk that goes 50 nm in a turn, and a little white noise."""
    return np.cumsum(rng.normal(0.0, 0.05 / np.sqrt(per_turn), count)) + rng.normal(0.0, 0.001, count)


@pytest.mark.parametrize("turns", [2.0, 2.4, 3.0, 5.0])
def test_stated_uncertainty_of_slope_and_tilt_is_their_error_over_seeds(turns):
    stated, error = errors_over_seeds(turns, white, alignment=True)
    assert stated[:2] == pytest.approx(error[:2], rel=0.2)


def test_stated_uncertainty_of_the_slope_of_a_single_turn_is_its_error_over_seeds():
    for turns in (1.0, 1.05):
        stated, error = errors_over_seeds(turns, white, alignment=True, tilt=0.0)
        assert stated[0] == pytest.approx(error[0], rel=0.2)
        assert stated[1] == 0.0  # no tilt is told


@pytest.mark.parametrize("turns", [2.0, 3.0])
def test_stated_uncertainty_of_the_eccentricity_contains_that_of_the_tilt_it_is_told_from_over_seeds(turns):
    # at the first sample, where the eccentricity is told, an error of the tilt counts half the turns
    stated, error = errors_over_seeds(turns, white, alignment=True)
    assert stated[2] == pytest.approx(error[2], rel=0.2)
    assert stated[2] > 1.9 * stated[5]


def test_a_tilt_that_is_none_is_stated_with_what_noise_makes_of_it_over_seeds():
    # the length of a vector of noise alone: RMS sqrt(2) u about the truth, 0
    stated, error = errors_over_seeds(3.0, white, alignment=True, tilt=0.0)
    assert 0.75 < stated[1] / error[1] < 1.1


def test_a_drift_from_turn_to_turn_raises_the_uncertainty_of_tilt_and_eccentricity_over_seeds():
    stated, error = errors_over_seeds(3.0, walk, alignment=True)
    assert 0.8 < stated[1] / error[1] < 1.6
    assert stated[2] == pytest.approx(error[2], rel=0.25)


@pytest.mark.parametrize("turns", [1.0, 1.05, 1.3])
def test_a_drift_within_the_turn_of_a_closed_profile_is_seen_where_it_fails_to_close_over_seeds(turns):
    stated, error = errors_over_seeds(turns, walk, alignment=False, seeds=300)
    # never less than the scatter, to within that of 300 closures; more where few orders tell the drift
    assert np.all(stated[2:5] > 0.8 * error[2:5])
    assert np.all(stated[2:5] < 1.7 * error[2:5])
    assert (stated[2:] > 0.8 * error[2:]).all()


def test_a_closed_profile_without_drift_keeps_the_uncertainty_of_its_noise_over_seeds():
    stated, error = errors_over_seeds(1.0, white, alignment=False)
    assert stated[2:] == pytest.approx(np.full(12, 0.02 * np.sqrt(2 / 360)), rel=0.1)
    assert stated[2:] == pytest.approx(error[2:], rel=0.2)


@pytest.mark.parametrize("turns", [1.0, 1.2])
def test_closure_is_the_ramp_that_was_added(turns):
    angle = even(turns, 3600)
    ramp = 0.03 * angle / (2 * np.pi)
    noise = np.random.default_rng(3).normal(0.0, 0.0005, len(angle))
    fit = fit_harmonics(angle, np.cos(2 * angle) + ramp + noise, upr_max=500, alignment=False)
    assert fit.closure_um == pytest.approx(0.03, abs=4 * fit.closure_uncertainty_um)
    assert fit.closure_uncertainty_um < 0.003
    # a ramp of height D has harmonics D / (pi n)
    assert fit.standard_uncertainty_um[2:6] == pytest.approx(0.03 / np.pi / np.arange(2, 6), rel=0.1)
    assert fit_harmonics(even(2, 360), np.cos(even(2, 360)), upr_max=50, alignment=False).closure_um is None


# ---------------------------------------------------------------- what is refused


def test_less_than_one_turn_is_refused():
    angle = even(0.97, 700)
    with pytest.raises(TraceShapeError, match=r"0\.970 turns; at least one whole turn"):
        fit_harmonics(angle, np.cos(angle), upr_max=50, alignment=False)


def test_more_harmonics_than_the_points_of_a_turn_carry_are_refused():
    angle = even(2, 100)
    with pytest.raises(TraceShapeError, match="100 points a turn cannot carry harmonics up to 50 UPR"):
        fit_harmonics(angle, np.cos(angle), upr_max=50, alignment=False)
    assert len(fit_harmonics(angle, np.cos(angle), upr_max=49, alignment=False).coefficient) == 50


def test_slope_and_tilt_are_refused_where_a_single_turn_cannot_tell_them():
    angle = even(1, 101)
    with pytest.raises(FitNotConvergedError):
        fit_harmonics(angle, spiral(angle), upr_max=50, alignment=True)


def test_a_gap_that_hides_the_profile_is_refused_with_its_width():
    angle = even(1, 3600)
    angle = angle[(angle < 1.0) | (angle > 1.2)]
    with pytest.raises(FitNotConvergedError, match=r"no sample over 11\.\d+ deg of the turn"):
        fit_harmonics(angle, np.cos(5 * angle), upr_max=500, alignment=False)


def test_a_gap_that_another_turn_covers_does_no_harm():
    angle = even(3, 3600)
    angle = angle[(angle < 1.0) | (angle > 1.2)]
    fit = fit_harmonics(angle, spiral(angle), upr_max=1000, alignment=True)
    other_nm, error_nm, error_deg = departures(fit, 1000)
    assert other_nm < 0.02
    assert error_nm < 0.02
    assert error_deg < 0.01


def test_a_narrow_gap_leaves_the_harmonics_below_it_right():
    angle = even(1, 3600)
    angle = angle[(angle < 1.0) | (angle > 1.05)]  # 0.05 rad: a quarter of a wave of 31 UPR
    trace = np.cos(9 * angle + 0.2)
    fit = fit_harmonics(angle, trace, upr_max=40, alignment=False)
    assert departures(fit, 40, {9: (1.0, 0.2)})[0] < 1e-6


def test_turns_and_gap_of_known_angles():
    assert turns_of(even(3, 1000)) == pytest.approx(3.0, abs=1e-12)
    assert turns_of(np.array([1.0])) == 0.0
    angle = even(1, 360)
    assert widest_gap(angle)[0] == pytest.approx(np.radians(1.0))
    width, middle = widest_gap(angle[(angle < 1.0) | (angle > 1.3)])
    assert width == pytest.approx(np.radians(18.0))
    assert 1.0 < middle < 1.3


def test_a_single_turn_knows_no_amplitude_worse_than_that_it_may_be_none():
    # waves in all orders, falling: nothing tells them from drift and tilt
    angle = np.arange(1080) * (2 * np.pi / 1080)
    rng = np.random.default_rng(3)
    y = sum(0.25 * (2 / n) ** 1.5 * np.cos(n * angle + rng.uniform(0, 6.3)) for n in range(2, 60))
    fit = fit_harmonics(angle, y + rng.normal(0, 0.005, 1080), upr_max=400, alignment=True)
    assert np.all(fit.standard_uncertainty_um[2:60] <= 1.05 * fit.amplitude_um[1:59] + 0.001)


def test_a_tilt_that_a_single_turn_cannot_tell_is_in_the_uncertainty_of_the_lowest_orders():
    # exactly what it is: t cos θ less its own slope (derived in NUMERICS.md), whatever noise hides of it
    angle = np.arange(1200) * (2 * np.pi / 1200)
    turn = angle / (2 * np.pi)
    wrong = 0
    for seed in range(30):
        rng = np.random.default_rng(seed)
        y = 3 * np.cos(angle - 1) + 1.3 * turn + 0.4 * turn * np.cos(angle) + rng.normal(0, 0.005, 1200)
        for upr, size in {2: 0.09, 3: 0.03, 5: 0.02, 10: 0.008, 20: 0.02}.items():
            y = y + size * np.cos(upr * angle + rng.uniform(0, 2 * np.pi))
        fit = fit_harmonics(angle, y, upr_max=450, alignment=True)
        wrong += fit.amplitude_um[1] + 1.65 * fit.standard_uncertainty_um[2] < 0.09
    assert wrong <= 3
