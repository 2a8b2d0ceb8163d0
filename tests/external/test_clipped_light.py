"""Images of known slope errors against the independent trace, in planes about focus.

With errors of one normal law on each stage nothing is fitted: a ladder of one step must
give the image. In tight nests the next foil inward catches light on its way out by the
error of the *secondary*, the more the larger the error. They agree to what the package
quotes for its trace, besides the noise of the rays.
"""

from functools import cache

import numpy as np
import pytest

from beamreduce.infinity.answer import TRACED
from beamreduce.infinity.ladder_steps import error_grid
from beamreduce.infinity.optics import tables_of, view_of
from beamreduce.infinity.slope_ladder import SlopeLadder, ladder_areas
from beamreduce.infinity.star import StarCurves, mixture_growths, star_radii
from beamreduce.raytrace import OffsetGrid
from tests.external.independent_cases import cases
from tests.external.independent_measured import optics_of
from tests.external.independent_truth import ARCSEC

RAYS = 2_000_000
ONE = np.ones(1)


@pytest.fixture(scope="module", params=["f3.5/60", "f3.5/120", "f5.2/60"])
def case(request, whole_grid):
    if not whole_grid and request.param != "f3.5/120":
        pytest.skip("runs with --whole-grid")
    return next(c for c in cases("inside") if c.name == request.param)


@pytest.fixture(scope="module")
def truth(case, truths):
    return case.truth(truths, case.question(rays=RAYS))


@cache
def grids(case):
    """One step, intervals of error and bins of offset."""
    (slope,) = case.errors.primary.scales
    reach = case.reference_angle + 6 * slope
    return (
        SlopeLadder(steps_rad=(slope,)),
        error_grid((slope / 5, slope, slope * 1.2)),
        reach,
    )


def curves(case, optics, distances):
    """Light inside circles in each plane, and effective area."""
    ladder, errors, reach = grids(case)
    grid = OffsetGrid(reach_mm=reach * max(distances), bins=4000)
    tables = tables_of(optics, distances, errors, grid)
    found = []
    for k, distance in enumerate(distances):
        view = view_of(optics, tables, (k, 0, distance), 0.0)
        half = case.errors.primary.scales[0] * 2 * distance
        radii = star_radii(half, case.reference_angle * distance, 600)
        growth = mixture_growths(view, radii, [(ladder, ONE)])[0]
        found.append(StarCurves(radii_mm=radii, growth=growth))
    return found, float(ladder_areas(tables[0], ladder)[0, 0])


def size(case, curve, share, distance):
    return float(curve.diameter_mm(share, case.reference_angle * distance)) / (
        distance * ARCSEC
    )


def test_images_of_a_star_in_planes_about_focus(case, truth):
    focal = case.prescription.focal_length_mm
    planes = [focal, *truth.scan_distance[::4]]
    star, area = curves(case, optics_of(case).for_star(), planes)
    found = [size(case, c, 0.5, d) for c, d in zip(star, planes, strict=True)]
    # The scan has half of the rays.
    errors = truth.hpd_error * np.sqrt([1, *[2] * (len(planes) - 1)])
    expected = np.array([truth.hpd_arcsec, *truth.scan_hpd_arcsec[::4]])
    assert np.all(np.abs(found - expected) < TRACED * expected + 3 * errors)
    w90 = size(case, star[0], 0.9, focal)
    assert abs(w90 - truth.w90_arcsec) < TRACED * w90 + 3 * truth.w90_error
    radii = truth.reference_radius * np.linspace(0, 1, 101)[1:]
    away = star[0].fraction(radii, radii[-1]) - truth.eef[1:]
    assert np.abs(away).max() < TRACED + 3 * max(truth.eef_error)
    noise = 3 * truth.area_ratio_error / truth.area_ratio
    assert area == pytest.approx(truth.area_infinity, rel=TRACED + noise)


def test_the_image_of_the_source(case, truth):
    near, area = curves(case, optics_of(case), [case.distances[0]])
    found = size(case, near[0], 0.5, case.distances[0])
    away = abs(found - truth.hpd_source_arcsec)
    assert away < TRACED * found + 3 * truth.hpd_source_error
    noise = 3 * truth.area_ratio_error / truth.area_ratio
    assert area == pytest.approx(truth.area_source, rel=TRACED + noise)
