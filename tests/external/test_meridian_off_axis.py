"""The meridian quadrature for a source off the axis, against independent rays.

A nest without errors, seen azimuth by azimuth: where its light lands along each meridian,
how widely, and how much of it there is.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from beamreduce.raytrace.meridian import ErrorGrid, OffsetGrid, meridian_table
from tests.external.independent_cases import cases
from tests.external.independent_measured import optics_of
from tests.external.independent_trace import Beam, FigureErrors, SlopeLaw, trace

RAYS, WINDOW = 1_500_000, 0.05
OFF_AXIS = math.radians(0.1)  # as large as δ = r/L: half of the nest is hardly lit
STILL = SlopeLaw(scales=(1e-10,))


@pytest.fixture(scope="module")
def case():
    """A tight nest with nothing wrong."""
    other = next(c for c in cases("inside") if c.name == "f5.2/60")
    errors = FigureErrors(primary=STILL, secondary=STILL)
    return replace(other, errors=errors, source_diameter=0.0)


@pytest.fixture(scope="module")
def rays(case):
    """Azimuth, offset along the meridian and weight of rays, source off to azimuth 0."""
    beam = Beam(distance=case.source_distance, off_axis=OFF_AXIS)
    found = trace(case.mirror, beam, RAYS, np.random.default_rng(20261129))
    x0, y0 = found.at(0.0)
    azimuth = np.arctan2(y0, x0)
    distance = case.distances[0]
    x, y = found.at(distance)
    x = x + math.tan(OFF_AXIS) * distance
    return azimuth, np.cos(azimuth) * x + np.sin(azimuth) * y, found.weight


def quadrature(case, away):
    """Mean offset, its standard deviation and area in one meridian."""
    optics = optics_of(case)
    table = meridian_table(
        optics.prescription,
        optics.light.tilted(OFF_AXIS, away),
        detector_distances_mm=np.array([case.distances[0]]),
        errors=ErrorGrid(primary_rad=np.array([-1e-9, 1e-9])),
        grid=OffsetGrid(reach_mm=4.0, bins=8000),
    )
    light, place = table.landing_mm2[0, 0, 0, 0], table.grid.centers_mm
    mean = light @ place / light.sum()
    return mean, math.sqrt(light @ (place - mean) ** 2 / light.sum()), light.sum()


@pytest.mark.parametrize("away", np.radians([0, 45, 90, 120, 150, 180]))
def test_rays_land_where_the_quadrature_says(case, rays, away):
    azimuth, place, weight = rays
    inside = np.abs(np.abs(azimuth) - away) < WINDOW
    place, weight = place[inside], weight[inside]
    mean = np.average(place, weights=weight)
    spread = math.sqrt(np.average((place - mean) ** 2, weights=weight))
    effective = weight.sum() ** 2 / (weight**2).sum()
    # The window's ends and middle, for what changes across it.
    ends = [quadrature(case, abs(away + k * WINDOW)) for k in (-1, 0, 1)]
    found = np.average(ends, axis=0, weights=[1, 4, 1])  # Simpson
    change = np.ptp(ends, axis=0) / 6
    error = spread / math.sqrt(effective)
    # Third order in the tilt is left out: θ²δ of the distance, less than 0.03 mm · 0.01.
    assert abs(found[0] - mean) < 4 * error + change[0] + 3e-4
    assert abs(found[1] - spread) < 4 * error + change[1] + 3e-4
    share = weight.sum() / (min(away + WINDOW, math.pi) - max(away - WINDOW, 0.0))
    noise = math.sqrt((weight**2).sum()) / weight.sum()
    total = rays[2].sum() / math.pi
    area = np.mean([quadrature(case, a)[2] for a in np.radians(np.arange(2.5, 180, 5))])
    assert share / total == pytest.approx(
        found[2] / area, rel=4 * noise + change[2] / found[2] + 2e-3
    )
