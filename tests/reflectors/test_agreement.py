"""Repeats that agree as often as they claim; magnifications; errors of mean spectra."""

import numpy as np
import pytest

from beamreduce.record import Uncertain
from beamreduce.reflectors import (
    area_spectrum,
    band_powers,
    combine,
    compare_magnifications,
    halo_of,
    line_spectrum,
    roughness,
)
from tests.reflectors.made_maps import as_map, power_law

LAW = {"density": 1.0, "exponent": 1.5, "low": 1 / 30, "high": 0.25}


def surface(rng, size=64):
    return as_map(power_law(rng, size, 1.0, **LAW)[0])


def bands(residual):
    return band_powers(area_spectrum(residual), line_spectrum(residual, direction="x"))


def test_repeats_of_one_surface_agree_as_often_as_chance_says():
    rng = np.random.default_rng(91)
    found = [
        combine([roughness(surface(rng)).Sq for _ in range(3)]).probability
        for _ in range(300)
    ]
    # A tenth below 0.1: 30 of 300, with 3.5 standard deviations of counting and a tenth
    # of tail for uncertainties that are estimates themselves.
    assert 30 - 3.5 * 5.2 < np.sum(np.array(found) < 0.1) < 30 + 3.5 * 5.2 + 10
    assert np.mean(found) == pytest.approx(0.5, abs=3.5 * 0.29 / np.sqrt(300) + 0.03)


def test_the_mean_and_its_uncertainty():
    first = Uncertain(value=1.0, statistical=0.03, systematic=0.02)
    second = Uncertain(value=1.02, statistical=0.05, systematic=0.02)
    both = combine([first, second])
    assert both.combined.value == pytest.approx(1.01)
    assert both.combined.statistical == pytest.approx(np.hypot(0.03, 0.05) / 2)
    assert both.combined.systematic == pytest.approx(0.02)
    assert both.agree
    apart = combine([first, Uncertain(value=2.0, statistical=0.03)])
    assert not apart.agree
    assert apart.combined.statistical == pytest.approx(0.5)
    alone = combine([first])
    assert alone.combined == first
    assert alone.agree


def test_magnifications_of_one_surface_agree_and_of_two_do_not():
    """The coarser map is every other point of a wider surface without short waves."""
    rng = np.random.default_rng(92)
    ratios, odd = [], 0
    for _ in range(60):
        wide = power_law(rng, 256, 1.0, density=1.0, exponent=1.5, low=1 / 40, high=0.24)[0]
        found = compare_magnifications(
            bands(as_map(wide[:96, :96])), bands(as_map(wide[::2, ::2], 2.0))
        )
        ratios.append(found.ratio)
        odd += not found.agreement.agree
    assert np.mean(ratios) == pytest.approx(
        1, abs=3.5 * np.std(ratios) / np.sqrt(60) + 0.02
    )
    assert odd <= 1  # one in a thousand
    assert found.low_per_um >= 2 / 96
    assert found.high_per_um <= 0.25 / 2 * 1.01
    rough = compare_magnifications(
        bands(as_map(2 * wide[:96, :96])), bands(as_map(wide[::2, ::2], 2.0))
    )
    assert rough.ratio == pytest.approx(2, rel=0.4)
    assert not rough.agreement.agree


def test_maps_without_a_common_band():
    rng = np.random.default_rng(93)
    fine = as_map(rng.normal(0, 1, (32, 32)), 0.1)
    coarse = as_map(rng.normal(0, 1, (32, 32)), 10.0)
    assert compare_magnifications(bands(fine), bands(coarse)) is None


@pytest.mark.parametrize("direction", ["x", "y"])
def test_the_error_of_a_mean_spectrum_is_the_scatter_of_repeats(direction):
    rng = np.random.default_rng(94)
    spectra = [line_spectrum(surface(rng), direction=direction) for _ in range(300)]
    power = np.array([s.power_nm2_um for s in spectra])
    claimed = np.array([s.uncertainty_nm2_um for s in spectra]).mean(axis=0)
    seen = power.std(axis=0, ddof=1)
    held = slice(3, 15)  # within the band of the law
    # 300 repeats know each of 12 to 4 %; one number of independent lines stands for all
    # frequencies, which is right to a quarter.
    assert np.mean(seen[held] / claimed[held]) == pytest.approx(1, abs=0.25)


def test_bands_add_up_to_the_spectrum():
    rng = np.random.default_rng(95)
    residual = as_map(rng.normal(0, 1, (128, 128)))
    area = area_spectrum(residual, window="none")
    line = line_spectrum(residual, direction="x", window="none")
    found = band_powers(area, line)
    low, high = found.edges_per_um[0], found.edges_per_um[-1]
    radius = area.radius_per_um
    inside = (radius >= low) & (radius < high)
    expected = area.power_nm2_um2[inside].sum() * area.cell_per_um2
    assert found.area_nm2.sum() == pytest.approx(expected)
    whole = found.rms_nm(found.first, found.first + len(found.area_nm2))
    assert whole.value == pytest.approx(np.sqrt(expected))
    halo = halo_of(line)
    assert halo.shares[-1] == pytest.approx(1)
    assert np.all(np.diff(halo.shares) > 0)
