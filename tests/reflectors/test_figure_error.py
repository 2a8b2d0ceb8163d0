"""Slope errors from long traces."""

import math

import astropy.units as u
import numpy as np
import pytest
from astropy.table import Table

from beamreduce.errors import ReflectorError
from beamreduce.reduction.reflectors_run import ReflectorOptions, grade_reflectors
from beamreduce.reflectors import figure_error, read_trace
from tests.reflectors.folders import make_folder, table

X = np.arange(0, 90, 0.1)


def error(height, slope_length=0.1):
    return figure_error(X * u.mm, height * u.um, slope_length=slope_length * u.mm)


def test_a_sine_of_known_slope():
    """z = A sin(kx): rms slope A k/√2."""
    amplitude, wave = 0.05, 9.0
    found = error(amplitude * np.sin(2 * np.pi * X / wave) + 3 + 0.02 * X)
    expected = math.degrees(amplitude * 1e-3 * 2 * np.pi / wave / math.sqrt(2)) * 3600
    # Differences over 0.1 mm see sinc(0.1/9) of it, 2e-4; the line takes 0.3 %.
    assert found.slope_arcsec.value == pytest.approx(expected, rel=5e-3)
    assert found.hpd_arcsec.value == pytest.approx(2 * 1.3489795 * found.slope_arcsec.value)
    assert found.length_mm == pytest.approx(89.9)


def test_sag_and_its_slope():
    """A parabola of sag s over ℓ: slopes to ±4s/ℓ, rms 4s/(√3 ℓ)."""
    half = X.mean()
    found = error(-0.5 * ((X - half) / half) ** 2)
    assert found.sag_um == pytest.approx(0.5, rel=1e-3)
    expected = math.degrees(4 * 0.5e-3 / (math.sqrt(3) * 89.9)) * 3600
    assert found.slope_arcsec.value == pytest.approx(expected, rel=5e-3)


def test_short_waves_are_left_to_roughness():
    rough = 1e-3 * np.sin(2 * np.pi * X / 0.5)
    assert error(rough).slope_arcsec.value > 100 * error(rough, 5.0).slope_arcsec.value


def test_the_uncertainty_is_the_scatter_of_repeats():
    rng = np.random.default_rng(61)
    found = []
    for _ in range(200):
        steps = np.fft.irfft(np.fft.rfft(rng.standard_normal(X.size)) * (
            np.arange(X.size // 2 + 1) < 40), X.size)  # fmt: skip
        found.append(error(np.cumsum(steps) * 1e-4, 1.0).slope_arcsec)
    seen = np.std([f.value for f in found], ddof=1)
    # 200 repeats know it to 5 %.
    claimed = np.mean([f.statistical for f in found])
    assert claimed == pytest.approx(seen, rel=0.18)


def test_the_image_of_such_slopes_has_that_half_power_diameter():
    """Rays turned by twice the slope, each azimuth along its own radius."""
    rng = np.random.default_rng(62)
    slopes = rng.normal(0, 10, 100_000)
    hpd = 2 * np.median(np.abs(2 * slopes))
    heights = np.cumsum(rng.normal(0, 1, X.size))
    found = error(heights * 1e-3)
    ratio = found.hpd_arcsec.value / found.slope_arcsec.value
    assert ratio == pytest.approx(hpd / 10, rel=0.02)


@pytest.mark.parametrize(
    ("x", "words"),
    [(X[:10], "at least 16"), (X**1.2, "uneven steps"), (X[::-1], "uneven steps")],
)
def test_traces_that_cannot_be_used(x, words):
    with pytest.raises(ReflectorError, match=words):
        figure_error(x * u.mm, np.zeros(x.size) * u.um, slope_length=1 * u.mm)


def test_slopes_over_more_than_a_quarter_are_refused():
    with pytest.raises(ReflectorError, match="four times"):
        error(np.zeros(X.size), 30)


def write_trace(path, height=0.05, unit="um"):
    found = Table({"position": X * u.mm, "height": height * np.sin(X)})
    found["height"].unit = unit
    path.parent.mkdir(exist_ok=True)
    found.write(path, format="ascii.ecsv", overwrite=True)


def test_traces_in_a_folder_give_slope_and_image(tmp_path):
    folder = make_folder(tmp_path / "in")
    write_trace(folder / "traces/a.ecsv")
    Table({"trace": ["t"], "file": ["traces/a.ecsv"], "reflector": ["P1a"]}).write(
        folder / "traces.ecsv", format="ascii.ecsv"
    )
    done = grade_reflectors(
        folder, tmp_path / "out", options=ReflectorOptions(figures=False)
    )
    found = table(done.folder, "reflectors")
    (row,) = [row for row in found if row["reflector"] == "P1a"]
    assert row["figure_slope"] > 0
    assert row["hpd_4.51keV"] > 2 * 1.34 * row["figure_slope"]
    assert sum(~np.ma.getmaskarray(found["figure_slope"])) == 1


@pytest.mark.parametrize(
    ("unit", "words"), [("s", "found the unit 's'"), (None, "found no unit")]
)
def test_a_trace_in_a_wrong_unit(tmp_path, unit, words):
    write_trace(tmp_path / "t/a.ecsv", unit=unit)
    with pytest.raises(ReflectorError, match=words):
        read_trace(tmp_path / "t/a.ecsv")
