"""Height parameters and spectra against closed forms and an independent library.

ISO 25178-2:2012, section 4.1 (height parameters); SEMI MF1811 (spectra); the
surface-texture library surfalize as a second opinion.
"""

import math

import astropy.units as u
import numpy as np
import pytest
import surfalize

from beamreduce.reflectors import (
    area_spectrum,
    band_roughness,
    height_map,
    line_spectrum,
    remove_shape,
    roughness,
)
from tests.reflectors.made_maps import as_map, power_law, sine


def numbers(heights):
    found = roughness(as_map(heights))
    return [getattr(found, key).value for key in ("Sa", "Sq", "Sz", "Ssk", "Sku")]


# Means over sampled waves differ from integrals: |sin| at 4096 points a wave by
# (π²/12)/1024² of itself here, far below 1e-5.
def test_sine():
    amplitude = 2.0
    a, q, z, skew, kurtosis = numbers(sine(8, 16384, 4, amplitude))
    assert q == pytest.approx(amplitude / math.sqrt(2), rel=1e-12)
    assert a == pytest.approx(2 * amplitude / math.pi, rel=1e-5)
    assert z == pytest.approx(2 * amplitude, rel=1e-6)
    assert skew == pytest.approx(0, abs=1e-12)
    assert kurtosis == pytest.approx(1.5, rel=1e-12)


def test_triangle():
    phase = (np.arange(8192) + 0.5) / 2048 % 1.0
    wave = np.tile(3.0 * (1 - 4 * np.abs(phase - 0.5)), (8, 1))
    a, q, z, skew, kurtosis = numbers(wave)
    assert q == pytest.approx(3 / math.sqrt(3), rel=1e-6)
    assert a == pytest.approx(1.5, rel=1e-6)
    assert z == pytest.approx(6, rel=1e-3)  # the tips lie between two points
    assert skew == pytest.approx(0, abs=1e-9)
    assert kurtosis == pytest.approx(1.8, rel=1e-5)


def test_square_wave():
    wave = np.tile(np.where(np.arange(64) // 8 % 2, 1.5, -1.5), (64, 1))
    assert numbers(wave) == pytest.approx([1.5, 1.5, 3.0, 0.0, 1.0])


def test_normal_heights_known_numbers():
    # Computed with numpy and surfalize alike.
    heights = np.random.default_rng(42).normal(0, 1, (256, 256))
    expected = [0.798446358, 1.002844176, 9.396349817, 0.004146983, 3.027006840]
    assert numbers(heights - heights.mean()) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_height_parameters_against_a_library(seed):
    rng = np.random.default_rng(seed)
    heights, _ = power_law(rng, 96, 0.7, density=0.02, exponent=2.4, low=0.03, high=0.5)
    heights = heights + 0.3 * heights**2  # skewed
    heights -= heights.mean()
    theirs = surfalize.Surface(heights / 1000, 0.7, 0.7)  # um
    a, q, z, skew, kurtosis = numbers(heights)
    assert a == pytest.approx(1000 * theirs.Sa(), rel=1e-9)
    assert q == pytest.approx(1000 * theirs.Sq(), rel=1e-9)
    assert z == pytest.approx(1000 * theirs.Sz(), rel=1e-9)
    assert skew == pytest.approx(theirs.Ssk(), rel=1e-9)
    assert kurtosis == pytest.approx(theirs.Sku(), rel=1e-9)


def test_levelling_against_a_library():
    rng = np.random.default_rng(4)
    y, x = np.mgrid[0:60, 0:80]
    heights = rng.normal(0, 1, (60, 80)) + 0.2 * x - 0.1 * y + 7
    theirs = surfalize.Surface(heights / 1000, 1.0, 1.0).level()
    ours = remove_shape(as_map(heights), shape="plane")
    np.testing.assert_allclose(ours.map.height_nm, 1000 * theirs.data, atol=1e-9)


def test_sine_spectrum_in_one_dimension():
    # A = 2 um, N = 1024, step 0.5 um, 32 waves: peak A²L/2 = 1024 um³, sum A²/2 = 2 um².
    heights = sine(8, 1024, 32, 2000.0)
    found = line_spectrum(as_map(heights, 0.5), direction="x", window="none")
    assert found.power_nm2_um[31] / 1e6 == pytest.approx(1024.0, rel=1e-12)
    assert found.power_nm2_um.sum() * found.step_per_um / 1e6 == pytest.approx(2.0)
    assert found.frequency_per_um[31] == pytest.approx(32 / 512)


def test_egg_box_spectrum_in_two_dimensions():
    n = np.arange(64) / 64
    heights = 2 * np.outer(np.sin(2 * np.pi * 5 * n), np.sin(2 * np.pi * 3 * n))
    found = area_spectrum(as_map(heights), window="none")
    assert found.power_nm2_um2.sum() * found.cell_per_um2 == pytest.approx(1.0)
    assert numbers(heights)[1] == pytest.approx(1.0)
    assert numbers(heights)[0] == pytest.approx(0.809267700, rel=1e-8)


@pytest.mark.parametrize("missing", [0.0, 0.2])
@pytest.mark.parametrize("size", [(64, 64), (65, 48)])
def test_parseval(missing, size):
    rng = np.random.default_rng(5)
    heights = rng.normal(0, 1, size)
    heights[rng.random(size) < missing] = np.nan
    heights -= np.nanmean(heights)
    surface = as_map(heights, 0.8, 1.3)
    area = area_spectrum(surface, window="none")
    squares = float(np.nanmean(heights**2))
    assert area.power_nm2_um2.sum() * area.cell_per_um2 == pytest.approx(squares)
    if not missing:
        # Zero frequency along a line is left out of the one-sided spectrum.
        for direction, axis in (("x", 1), ("y", 0)):
            line = line_spectrum(surface, direction=direction, window="none")
            rest = squares - float(np.mean(np.mean(heights, axis=axis) ** 2))
            assert line.power_nm2_um.sum() * line.step_per_um == pytest.approx(rest)


@pytest.mark.parametrize("window", ["none", "hann"])
def test_power_law_in_a_band(window):
    """Band roughness of normal surfaces whose spectrum is exactly K/f² in every cell."""
    k, n = 1e-3, 2
    rng = np.random.default_rng(6)
    values = []
    for _ in range(40):
        heights, cells = power_law(rng, 128, 1.0, density=k, exponent=n, low=0.02, high=0.3)
        spectrum = area_spectrum(as_map(heights), window=window)
        band = band_roughness(spectrum, shortest=4 * u.um, longest=40 * u.um)
        values.append(band)
    fy = np.fft.fftfreq(128)
    radius = np.hypot(fy, fy[:, np.newaxis])
    truth = math.sqrt(float(cells[(radius >= 0.025) & (radius <= 0.25)].sum()))
    squares = np.array([v.value**2 for v in values])
    error = squares.std(ddof=1) / math.sqrt(len(values))
    assert abs(squares.mean() - truth**2) < 3.5 * error
    # The claimed uncertainty is the scatter: 40 repeats know it to 11 %.
    claimed = np.mean([v.statistical for v in values])
    seen = np.std([v.value for v in values], ddof=1)
    assert claimed == pytest.approx(seen, rel=3.5 * 0.11)


def test_hann_window_keeps_the_rms_on_average():
    rng = np.random.default_rng(7)
    squares = []
    for _ in range(60):
        heights, cells = power_law(rng, 64, 1.0, density=1.0, exponent=0, low=0.1, high=0.4)
        spectrum = area_spectrum(as_map(heights))
        squares.append(spectrum.power_nm2_um2.sum() * spectrum.cell_per_um2)
    error = np.std(squares, ddof=1) / math.sqrt(len(squares))
    assert abs(np.mean(squares) - cells.sum()) < 3.5 * error


def test_spectrum_against_a_library():
    """scipy's periodogram, one line, the same window."""
    from scipy.signal import periodogram  # noqa: PLC0415

    rng = np.random.default_rng(8)
    heights = np.tile(rng.normal(0, 1, 256), (8, 1))
    heights -= heights.mean()
    ours = line_spectrum(as_map(heights, 0.25), direction="x", window="none")
    frequency, power = periodogram(heights[0], fs=4.0, detrend=False)
    np.testing.assert_allclose(ours.frequency_per_um, frequency[1:])
    np.testing.assert_allclose(ours.power_nm2_um, power[1:], rtol=1e-9, atol=1e-12)


def test_uncertainties_are_the_scatter_of_repeats():
    """Of maps of normal surfaces with a correlation over several points."""
    rng = np.random.default_rng(9)
    found = []
    for _ in range(300):
        heights, _ = power_law(
            rng, 64, 1.0, density=1.0, exponent=1.5, low=1 / 40, high=0.25
        )
        found.append(roughness(as_map(heights)))
    # 300 repeats know a standard deviation to 4 %. Sa's share is an approximation to 7 %,
    # Sz follows an asymptotic law that normal extremes are slow to reach (a third), the
    # scatter of Ssk and Sku of correlated normal heights is smaller than √(6/N), √(24/N).
    for key, accuracy in (("Sq", 0.14), ("Sa", 0.21), ("Sz", 0.35)):
        seen = np.std([getattr(r, key).value for r in found], ddof=1)
        claimed = np.mean([getattr(r, key).statistical for r in found])
        assert claimed == pytest.approx(seen, rel=accuracy), key
    for key in ("Ssk", "Sku"):
        seen = np.std([getattr(r, key).value for r in found], ddof=1)
        assert seen < 1.1 * np.mean([getattr(r, key).statistical for r in found]), key


def test_units_come_in_at_the_door():
    rng = np.random.default_rng(10)
    heights = rng.normal(0, 1, (32, 32))
    in_nm = height_map(heights * u.nm, pixel_size=1 * u.um)
    in_angstrom = height_map(heights * 10 * u.AA, pixel_size=1e-3 * u.mm)
    assert roughness(in_nm).Sq.value == pytest.approx(roughness(in_angstrom).Sq.value)
    assert in_angstrom.pixel_x_um == pytest.approx(1.0)
