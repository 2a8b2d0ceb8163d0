"""Each cause of blur by itself, against closed forms and drawn photons."""

import math
from dataclasses import replace
from statistics import NormalDist

import astropy.units as u
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from beamreduce.campaign import read_campaign
from beamreduce.errors import GeometryError, SettingsError
from beamreduce.infinity.blur_budget import BlurInputs, InPlaneErrors, blur_budget
from beamreduce.infinity.perfect_nest import perfect_nest
from beamreduce.mirror import nestings_from_design
from tests.infinity.made_designs import design, designed

ARCSEC = math.radians(1 / 3600)
KEV = 1.5 * u.keV


def inputs(made, **more):
    given_ = {
        "design": made,
        "prescription": nestings_from_design(made),
        "source_distance": 86 * u.m,
        "source_diameter": 0.5 * u.mm,
        "pixel_size": 20 * u.um,
        "detector_distance": 5545 * u.mm,
        "energy": KEV,
        "star_distance": 5.2 * u.m,
    }
    return BlurInputs(**(given_ | more))


def rows_of(*args, **more):
    return {row["term"]: row for row in blur_budget(inputs(*args, **more))}


def test_terms_are_the_six_and_what_has_no_star_is_none():
    rows = blur_budget(inputs(design()))
    assert [row["term"] for row in rows] == [
        "source size",
        "pixel",
        "cone blur at best focus",
        "in-plane figure errors",
        "distance from best focus",
        "diffraction at the lit openings",
    ]
    assert rows[0]["hpd_infinity_arcsec"] is None
    assert rows[1]["hpd_infinity_arcsec"] is None
    assert rows[3]["hpd_measured_arcsec"] is None


def test_pixel_by_a_grid_of_points():
    side = 0.02
    axis = (np.arange(2000) + 0.5) / 2000 * side - side / 2
    radius = np.hypot(axis, axis[:, None]).ravel()
    hpd = 2 * np.median(radius) / 5545 / ARCSEC
    row = rows_of(design())["pixel"]
    # Half the points lie within a circle known to a step of 1e-5 mm.
    assert row["hpd_measured_arcsec"] == pytest.approx(hpd, rel=1e-3)


@pytest.mark.parametrize("share", [0.5, 0.9])
@pytest.mark.parametrize("plane", [5190.0, 5200.0, 5212.0, 5260.0])
def test_diameter_of_a_nest_is_that_of_drawn_light(plane, share):
    """Each nesting even between its two end rays: drawn, and sorted by radius."""
    made, prescription = designed(inner=120.0, outer=124.0)
    nest = perfect_nest(prescription, made, KEV)
    low, high = nest.rays.offsets_mm(plane).T
    steps = (np.arange(4000) + 0.5) / 4000
    radius = np.abs(low[:, None] + (high - low)[:, None] * steps)
    weights = np.broadcast_to(nest.weights[:, None], radius.shape).ravel()
    order = np.argsort(radius.ravel())
    within = np.cumsum(weights[order])
    expected = 2 * radius.ravel()[order][np.searchsorted(within, share * within[-1])]
    assert nest.diameter_mm(plane, share) == pytest.approx(expected, rel=1e-3)


def test_weights_are_area_times_both_reflectivities():
    made, prescription = designed(inner=60.0, outer=200.0)
    soft, hard = (perfect_nest(prescription, made, e * u.keV) for e in (1.0, 10.0))
    assert soft.weights.sum() == pytest.approx(1)
    # Steep outer nestings reflect no hard photons: the critical angle is 0.45° there.
    outer = soft.rays.grazing_rad[:, :, 0].max(axis=1) > math.radians(0.5)
    assert hard.weights[outer].sum() < 0.01 < soft.weights[outer].sum()


def test_best_focus_has_the_least_rms():
    made, prescription = designed(inner=120.0, outer=124.0)
    nest = perfect_nest(prescription, made, KEV, source_distance=86 * u.m)

    def square(distance):
        low, high = nest.rays.offsets_mm(distance).T
        return nest.weights @ (low**2 + low * high + high**2) / 3

    best = nest.best_focus_mm()
    assert square(best) < min(square(best - 0.1), square(best + 0.1))


def test_distance_from_best_focus_is_a_ring():
    made, prescription = designed(inner=130.0)
    rows = rows_of(made, best_focus=5535 * u.mm, star_best_focus=5200 * u.mm)
    row = rows["distance from best focus"]
    # A ring of radius r/D times 10 mm; the rays leave from the secondary, r·ℓ/2D nearer.
    expected = 2 * 130 / 5535 * 10 / 5545 / ARCSEC
    assert row["hpd_measured_arcsec"] == pytest.approx(expected, rel=0.01)
    assert row["hpd_infinity_arcsec"] == pytest.approx(0, abs=1e-12)
    without = rows_of(made)["distance from best focus"]
    nest = perfect_nest(prescription, made, KEV)
    defocus = abs(5200 - nest.best_focus_mm())
    expected = 2 * 130 / 5200 * defocus / 5200 / ARCSEC
    assert without["hpd_infinity_arcsec"] == pytest.approx(expected, rel=0.01)


def test_a_nest_that_is_wholly_dark_is_refused():
    with pytest.raises(GeometryError, match="source at 20 m"):
        blur_budget(inputs(design(), source_distance=20 * u.m))


def test_one_normal_law_by_its_quartile():
    errors = InPlaneErrors(shares=[1.0], primary_rad=[3e-5], secondary_rad=[4e-5])
    # Half of |N(0, σ)| lies within Φ⁻¹(¾)σ: 1.348979500 σ is the diameter.
    expected = 1.348979500 * 2 * 5e-5 * 5000.0
    assert errors.half_power_diameter_mm(5000.0) == pytest.approx(expected, rel=1e-9)


def test_a_mean_error_common_to_all_is_left_to_the_focus():
    laws = {
        "shares": [0.7, 0.3],
        "primary_rad": [2e-5, 6e-5],
        "secondary_rad": [2e-5, 6e-5],
    }
    plain, moved = InPlaneErrors(**laws), InPlaneErrors(**laws, mean_rad=5e-5)
    assert moved.half_power_diameter_mm(5200.0) == pytest.approx(
        plain.half_power_diameter_mm(5200.0)
    )


@given(
    share=st.floats(0.05, 0.95),
    sizes=st.tuples(st.floats(1e-6, 1e-4), st.floats(1e-6, 1e-4)),
    apart=st.floats(0, 2e-4),
)
def test_mixtures_hold_half_of_drawn_errors(share, sizes, apart):
    """Chances of both laws by another library: half lies within the half-width."""
    errors = InPlaneErrors(
        shares=[share, 1 - share],
        primary_rad=[sizes[0], 0.0],
        secondary_rad=[0.0, sizes[1]],
        mean_rad=[0.0, apart],
    )
    half = errors.half_power_diameter_mm(1.0) / 2
    centre = 2 * (1 - share) * apart
    inside = sum(
        part
        * (NormalDist(mean, 2 * size).cdf(half) - NormalDist(mean, 2 * size).cdf(-half))
        for part, mean, size in (
            (share, -centre, sizes[0]),
            (1 - share, 2 * apart - centre, sizes[1]),
        )
    )
    assert inside == pytest.approx(0.5, abs=1e-9)


def test_figure_row_uses_the_way_from_the_second_reflection():
    made, prescription = designed(inner=130.0)
    size = 3 * ARCSEC
    errors = InPlaneErrors(
        shares=np.array([1.0]), primary_rad=np.array([size]), secondary_rad=np.array([size])
    )
    row = rows_of(made, errors=errors)["in-plane figure errors"]
    nest = perfect_nest(prescription, made, KEV)
    lever = 5200 - float(nest.rays.secondary_mm.mean())
    # HPD = 3.815490210 s where nothing is blocked (derived), seen from the plane.
    expected = 3.815490210 * 3 * lever / 5200
    assert row["hpd_infinity_arcsec"] == pytest.approx(expected, rel=1e-9)


def test_errors_of_no_size_are_refused():
    errors = InPlaneErrors(shares=[1.0], primary_rad=[0.0], secondary_rad=[0.0])
    with pytest.raises(SettingsError, match="above zero on one stage"):
        errors.half_power_diameter_mm(5000.0)


def test_inputs_are_those_of_the_campaign(small_campaign):
    campaign = read_campaign(small_campaign)
    one = campaign.measurements[0]
    taken = BlurInputs.of_measurement(campaign.setup, campaign.prescription, one)
    assert taken.star_distance == campaign.setup.mirror.focal_length
    assert taken.detector_distance == one.detector_distance
    assert taken.pixel_size == one.detector.pixel_size
    elsewhere = replace(
        campaign.setup,
        reduction=replace(campaign.setup.reduction, infinity_detector_distance=5211 * u.mm),
    )
    moved = BlurInputs.of_measurement(elsewhere, campaign.prescription, one)
    assert moved.star_distance == 5211 * u.mm
    assert len(blur_budget(moved)) == 6
