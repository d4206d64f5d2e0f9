"""All roughness parameters together: what is asked for, its filter, and uncertainties against scatter."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from scipy.stats import norm

from edgeagent.analysis.texture.options import RoughnessOptions
from edgeagent.analysis.texture.parameters import PARAMETERS, parameters

SPACING_MM = 0.002


def surface(rng, points=2000, *, valleys=False):
    z = np.convolve(rng.normal(size=points + 60), np.hanning(13), "same")[30:-30]
    z /= z.std()
    return np.where(z < -0.8, 3 * (z + 0.8) - 0.8, z) if valleys else z


def test_rmr_is_given_only_with_its_height():
    z = surface(np.random.default_rng(1))
    plain, _ = parameters(z, SPACING_MM, RoughnessOptions(lambda_c_mm=0.8))
    asked, _ = parameters(z, SPACING_MM, RoughnessOptions(lambda_c_mm=0.8, rmr_c_um=0.0))
    assert set(PARAMETERS) - set(plain) == {"rmr"}
    assert set(asked) == set(PARAMETERS)


def test_a_height_may_count_from_that_of_a_material_ratio():
    z = surface(np.random.default_rng(1), 20_000)
    deep = [
        parameters(
            z, SPACING_MM, RoughnessOptions(lambda_c_mm=0.8, rmr_c_um=c, rmr_reference_percent=5.0)
        )[0]["rmr"].value
        for c in (0.0, -0.5, -1.0)
    ]  # fmt: skip
    assert deep[0] == pytest.approx(5.0, abs=0.3)
    # about a normal distribution: 5 % lie above 1.645
    assert deep[1] == pytest.approx(100 * norm.sf(1.645 - 0.5), abs=2.0)
    assert deep[2] == pytest.approx(100 * norm.sf(1.645 - 1.0), abs=2.0)


def test_a_reference_without_a_height_is_refused():
    with pytest.raises(msgspec.ValidationError, match="needs rmr_c_um"):
        msgspec.convert({"lambda_c_mm": 0.8, "rmr_reference_percent": 5.0}, RoughnessOptions)


def test_deep_valleys_do_not_pull_the_mean_line_of_the_core_down():
    # a smooth plateau with scratches 10 µm deep: the plain Gaussian lifts the plateau beside each of them
    x = np.arange(4000) * SPACING_MM
    z = 0.02 * np.sin(2 * np.pi * x / 0.05)
    for at in np.arange(0.6, 8.0, 0.9):
        z -= 10.0 * np.maximum(1 - np.abs(x - at) / 0.03, 0.0)
    plain, stepped = (
        parameters(z, SPACING_MM, RoughnessOptions(lambda_c_mm=0.8, rk_filter=which))[0]["rk"].value
        for which in ("gaussian", "two-step")
    )
    # the plateau's own sine is 0.04 high; a plain mean line waves by tenths of a µm beside scratches
    assert stepped < 0.15
    assert plain > 2 * stepped


@pytest.mark.parametrize("valleys", [False, True])
def test_stated_uncertainties_are_the_scatter_between_pieces_of_a_surface(valleys):
    rng, seeds = np.random.default_rng(3), 60
    wanted = RoughnessOptions(lambda_c_mm=0.8, rmr_c_um=0.3)
    runs = [parameters(surface(rng, valleys=valleys), SPACING_MM, wanted)[0] for _ in range(seeds)]
    for name in ("rsm", "rmr", "rk", "rpk", "rvk", "mr1", "mr2"):
        scatter = float(np.std([r[name].value for r in runs], ddof=1))
        stated = float(np.sqrt(np.mean([r[name].standard_uncertainty ** 2 for r in runs])))
        # 60 values tell their scatter to 9 %; five sections tell it to 35 % each, with four degrees of freedom
        assert 0.7 < stated / scatter < 1.6, name
        assert all(r[name].degrees_of_freedom >= 4 for r in runs)


def test_a_profile_without_roughness_has_none_of_its_shapes():
    found, _ = parameters(np.zeros(4000), SPACING_MM, RoughnessOptions(lambda_c_mm=0.8, rmr_c_um=0.0))
    assert found["ra"].value == 0.0
    assert all(found[name].value is None for name in ("rsk", "rku", "rsm", "rmr", "rk", "rpk", "mr2"))
