"""Rings drawn ray by ray: each azimuth has its own focus, and a blur along its radius."""

import math
from dataclasses import replace

import astropy.units as u
import numpy as np
import pytest

from beamreduce.errors import SettingsError
from beamreduce.image import Sector, measure_sectors
from beamreduce.infinity.astigmatism import FocusPlane, astigmatism
from beamreduce.record import Uncertain

PIXEL, SIDE, FOCUS = 0.02, 501, 5540.0
# Amid a pixel, whole rows of pixels would lie on the edges of sectors.
CENTER = (250.31, 248.77)
SIGMA = 0.04  # mm, of the blur along the radius: half within 0.6745 σ
BLUR = 0.6745 * SIGMA * u.mm
SLOPES = (0.013, 0.034)  # of the rays of the innermost and outermost nesting


def rays(distance, count, rng, *, cos2=0.0, sin2=0.0, shift=(0.0, 0.0)):
    """Signed offsets turned about the axis, in mm on the detector."""
    azimuth = rng.uniform(0, 2 * math.pi, count)
    slope = np.sqrt(rng.uniform(SLOPES[0] ** 2, SLOPES[1] ** 2, count))
    focus = FOCUS + cos2 * np.cos(2 * azimuth) + sin2 * np.sin(2 * azimuth)
    offset = slope * (focus - distance) + rng.normal(0, SIGMA, count)
    return offset * np.cos(azimuth) + shift[0], offset * np.sin(azimuth) + shift[1]


def plane(distance, rng, *, count=200_000, sectors=8, **truth):
    x, y = rays(distance, count, rng, **truth)
    columns, rows = ((np.arange(SIDE + 1) - 0.5 - at) * PIXEL for at in CENTER)
    image, _, _ = np.histogram2d(y, x, bins=(rows, columns))
    return FocusPlane(
        id=f"at_{distance:g}",
        detector_distance=distance * u.mm,
        sectors=measure_sectors(image, image, CENTER, SIDE / 2 - 3, count=sectors),
        pixel_size=PIXEL * u.mm,
    )


def series(distances, seed, **truth):
    rng = np.random.default_rng(seed)
    return [plane(d, rng, **truth) for d in distances]


def found(planes):
    return astigmatism(planes, best_focus=FOCUS * u.mm, blur_radius=BLUR)


@pytest.mark.parametrize("distances", [(5520, 5560), (5515, 5522, 5558, 5565)])
def test_a_mirror_with_two_line_foci_is_found_out(distances):
    result, reason = found(series(distances, 71, cos2=1.2, sin2=-0.7))
    assert reason == ""
    for value, truth in ((result.cos2_mm, 1.2), (result.sin2_mm, -0.7)):
        # Medians over the nest blur the rings by 0.034 × 1.4 mm in 20 mm, second order:
        # (1.4/20)²/2 of the amplitude; the rest is counting.
        assert abs(value.value - truth) < 3 * value.uncertainty + 0.003 * 1.4
        assert 0.005 < value.uncertainty < 0.1
    assert result.amplitude_mm == pytest.approx(math.hypot(1.2, 0.7), abs=0.15)
    expected = math.degrees(math.atan2(-0.7, 1.2)) / 2 % 180
    assert result.axis_deg == pytest.approx(expected, abs=3)
    # Half of the light has slopes below the median of the square's even law.
    median = math.sqrt((SLOPES[0] ** 2 + SLOPES[1] ** 2) / 2)
    tolerance = 4 * result.ring_slope.uncertainty + 0.003 * median
    assert result.ring_slope.value == pytest.approx(median, abs=tolerance)


def test_each_azimuth_has_its_own_focus():
    result, _ = found(series((5520, 5560), 72, cos2=1.5))
    width = math.radians(45)
    mean = math.sin(width) / width * np.cos(2 * np.radians(result.azimuth_deg))
    pull = (result.focus_mm - FOCUS - 1.5 * mean) / result.focus_uncertainty_mm
    # χ² of eight: above 26 once in a thousand.
    assert np.sum(pull**2) < 26


def test_swapped_sides_turn_the_sign():
    """Light that did not cross the axis would show the opposite amplitude."""
    inside, outside = series((5520, 5560), 73, cos2=1.5)
    apart = replace(inside, detector_distance=5560 * u.mm)
    other = replace(outside, detector_distance=5520 * u.mm)
    result, _ = found([apart, other])
    assert result.cos2_mm.value == pytest.approx(-1.5, abs=0.15)


def test_a_center_off_the_axis_is_no_astigmatism():
    rng = np.random.default_rng(74)
    planes = [
        plane(5520, rng, shift=(0.03, -0.01)),
        plane(5560, rng, shift=(-0.02, 0.02)),
    ]
    result, _ = found(planes)
    for value in (result.cos2_mm, result.sin2_mm):
        # A shift of 0.03 mm of a ring of 0.5 mm: second order, 0.03²/0.5/2 mm of radius
        # over the slope 0.026.
        assert abs(value.value) < 3 * value.uncertainty + 0.035


def test_errors_match_the_scatter_of_repeats():
    rng = np.random.default_rng(75)
    pulls = []
    for _ in range(60):
        planes = [plane(d, rng, count=4000, cos2=0.8, sin2=0.4) for d in (5520, 5560)]
        result, _ = found(planes)
        pulls.append((result.cos2_mm.value - 0.8) / result.cos2_mm.uncertainty)
        pulls.append((result.sin2_mm.value - 0.4) / result.sin2_mm.uncertainty)
    # 120 pulls: their rms is known to 1/√240 = 6.5 %, three of them. The sectors' own
    # errors come from the slope of the growth about the median, good to a tenth.
    assert np.sqrt(np.mean(np.square(pulls))) == pytest.approx(1.0, abs=0.2 + 0.1)
    assert abs(np.mean(pulls)) < 3 / math.sqrt(120) + 0.1


def test_rings_near_focus_are_not_used():
    planes = series((5520, 5541, 5560), 76)
    result, reason = found(planes)
    assert reason == ""
    assert result.planes == ("at_5520", "at_5560")


def test_one_side_is_not_enough():
    result, reason = found(series((5515, 5520), 77))
    assert result is None
    assert "no ring is resolved outside focus" in reason
    assert "take an exposure further outside focus" in reason


def test_planes_in_focus_are_refused_with_their_names():
    result, reason = found(series((5539, 5541), 78))
    assert result is None
    assert "inside and outside focus" in reason
    assert "at_5539 at 5539.0 mm, at_5541 at 5541.0 mm" in reason


def test_nothing_measured_is_no_result():
    result, reason = found([])
    assert result is None
    assert reason.startswith("no ring is resolved inside and outside focus;")


def test_a_sector_without_photons_takes_its_plane_away():
    inside, outside = series((5520, 5560), 79)
    empty = replace(inside.sectors[2], half_power_radius_px=None)
    sectors = (*inside.sectors[:2], empty, *inside.sectors[3:])
    result, reason = found([replace(inside, sectors=sectors), outside])
    assert result is None
    assert "or not known" in reason


def test_closed_form_without_chance():
    """Radii by hand: R = b |F_φ − D| with F alternating by ±1 mm in eight sectors."""
    slope, amplitude = 0.02, 1.0
    middles = 22.5 + 45 * np.arange(8)

    def made(distance):
        focus = FOCUS + amplitude * np.cos(2 * np.radians(middles))
        signed = slope * (focus - distance)
        landed = middles + 180 * (signed < 0)
        radius = dict(zip(landed % 360, np.abs(signed), strict=True))
        return FocusPlane(
            id="made",
            detector_distance=distance * u.mm,
            sectors=[
                Sector(
                    start_deg=m - 22.5,
                    end_deg=m + 22.5,
                    share=Uncertain(value=1 / 8, statistical=0.01),
                    half_power_radius_px=Uncertain(value=radius[m], statistical=0.001),
                )
                for m in middles
            ],
            pixel_size=1 * u.mm,
        )

    result, _ = found([made(5520.0), made(5560.0)])
    width = math.pi / 4
    assert result.cos2_mm.value == pytest.approx(width / math.sin(width), rel=1e-9)
    assert result.sin2_mm.value == pytest.approx(0, abs=1e-9)
    assert result.ring_slope.value == pytest.approx(slope, rel=1e-12)
    assert result.chi_square == pytest.approx(0, abs=1e-12)
    assert result.degrees_of_freedom == 7
    # F = D̄ + (R_in − R_out)/2b: one radius's error is 0.001; b is common and F symmetric.
    assert result.focus_uncertainty_mm[1] == pytest.approx(
        0.001 / math.sqrt(2) / slope, rel=0.01
    )


@pytest.mark.parametrize("sectors", [4, 7])
def test_too_few_or_odd_sectors_are_refused(sectors):
    planes = [plane(5520, np.random.default_rng(1), count=2000, sectors=sectors)]
    with pytest.raises(SettingsError, match=rf"even number of sectors.*has {sectors}"):
        found(planes)


def test_different_sectors_are_refused():
    rng = np.random.default_rng(2)
    planes = [plane(5520, rng, count=2000), plane(5560, rng, count=2000, sectors=12)]
    with pytest.raises(SettingsError, match=r"at_5520 and at_5560 differ"):
        found(planes)
