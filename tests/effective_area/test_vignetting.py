import math

import numpy as np
import pytest

from beamreduce.effective_area.vignetting import (
    OffAxisPoint,
    VignettingCurve,
    fit_vignetting,
)
from beamreduce.errors import SettingsError


def made_curve():
    """A star's area falls by 8 % an arcminute, the beam's only beyond 3 arcmin."""
    angle = np.linspace(0.0, 8.0, 33)
    star = 400 * (1 - 0.08 * angle**2 / (angle + 1))
    beam = 250 * (
        1 - 0.05 * np.maximum(angle - 3, 0.0) ** 2 / (np.maximum(angle - 3, 0) + 1)
    )
    none = np.zeros(angle.size)
    return VignettingCurve(
        angle_arcmin=angle,
        beam_cm2=beam,
        star_cm2=star,
        beam_error_cm2=none,
        star_error_cm2=none,
    )


def points(directions, curve, *, star, axis=(0.0, 0.0), stretch=1.0, area=300.0, own=0.01):
    return [
        OffAxisPoint(
            id=str(k),
            x_arcmin=x,
            y_arcmin=y,
            area_cm2=area
            * float(
                curve.normalised(stretch * math.hypot(x - axis[0], y - axis[1]), star=star)
            ),
            own=own,
        )
        for k, (x, y) in enumerate(directions)
    ]


CROSS = [(0, 0), (3, 0), (6, 0), (-3, 0), (-6, 0), (0, 3), (0, 6), (0, -3), (0, -6)]


def test_the_curve_is_one_on_the_axis_and_goes_through_its_points():
    curve = made_curve()
    assert curve.normalised(0.0, star=True) == 1.0
    shape = curve.normalised(curve.angle_arcmin, star=True)
    assert shape == pytest.approx(curve.star_cm2 / 400, rel=1e-12)
    assert curve.normalised(-2.0, star=True) == curve.normalised(2.0, star=True)


def test_angles_beyond_the_field_are_refused():
    with pytest.raises(
        SettingsError, match=r"within 8 arcmin, the field .* got 8.5 arcmin"
    ):
        made_curve().normalised(8.5, star=False)


def test_half_the_area():
    curve = made_curve()
    half = curve.half_arcmin()
    assert float(curve.normalised(half, star=True)) == pytest.approx(0.5, abs=1e-3)
    narrow = VignettingCurve(**{
        name: getattr(curve, name)[:9] for name in vars(curve)
    })  # fmt: skip
    assert narrow.half_arcmin() is None


@pytest.mark.parametrize("star", [False, True])
def test_a_displaced_axis_is_found(star):
    curve = made_curve()
    made = points(CROSS, curve, star=star, axis=(0.4, -0.3))
    fit = fit_vignetting(made, curve, star=star)
    x, y = fit.axis_arcmin
    # The curve is a spline through 33 points; its ends go straight on.
    assert (x.value, y.value) == pytest.approx((0.4, -0.3), abs=2e-3)
    assert fit.on_axis_cm2.value == pytest.approx(300.0, rel=1e-3)
    assert np.abs(fit.residuals).max() < 1e-3


def test_a_narrower_curve_is_found_for_a_star():
    curve = made_curve()
    made = points(CROSS, curve, star=True, stretch=1.1)
    fit = fit_vignetting(made, curve, star=True)
    assert fit.stretch.value == pytest.approx(1.1, rel=1e-3)


def test_flat_areas_do_not_tell_the_axis():
    curve = made_curve()
    made = points([(0, 0), (1, 0), (0, 1), (2, 0)], curve, star=False)
    assert fit_vignetting(made, curve, star=False).axis_arcmin is None


def test_one_azimuth_does_not_tell_the_axis():
    curve = made_curve()
    made = points([(0, 0), (3, 0), (6, 0), (5, 0)], curve, star=True)
    fit = fit_vignetting(made, curve, star=True)
    assert fit.axis_arcmin is None
    assert fit.on_axis_cm2.value == pytest.approx(300.0, rel=1e-6)


def test_the_axis_scatters_as_its_uncertainty_says():
    curve = made_curve()
    rng = np.random.default_rng(20261127)
    pulls = []
    for _ in range(200):
        made = [
            OffAxisPoint(**{**vars(p), "area_cm2": p.area_cm2 * (1 + 0.01 * rng.normal())})
            for p in points(CROSS, curve, star=False)
        ]
        x, y = fit_vignetting(made, curve, star=False).axis_arcmin
        pulls += [x.value / x.statistical, y.value / y.statistical]
    # 400 numbers: their rms is 1 ± 1/√800 = 0.035; three of these.
    assert np.sqrt(np.mean(np.square(pulls))) == pytest.approx(1.0, abs=0.11)


def test_no_points():
    with pytest.raises(SettingsError, match="at least one area"):
        fit_vignetting([], made_curve(), star=True)
