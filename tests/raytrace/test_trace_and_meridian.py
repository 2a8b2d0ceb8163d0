"""Two ways through the same mirror: rays in space, and quadrature in one plane."""

import astropy.units as u
import numpy as np
import pytest

from beamreduce.mirror import Coating, reflectivity_table
from beamreduce.raytrace import (
    ErrorGrid,
    FigureErrors,
    Light,
    MeridianLight,
    MirrorState,
    OffsetGrid,
    meridian_table,
)
from tests.raytrace.made_mirrors import ARCSEC, FOCAL, SOURCE, image_plane, run, tight_nest

NEST = tight_nest(120.0, 126.0, gap=4.0)
GOLD = reflectivity_table(Coating(formula="Au"), [1.487, 6.404] * u.keV)


@pytest.mark.parametrize("source", [np.inf, SOURCE])
@pytest.mark.parametrize("error", [-20 * ARCSEC, 0.0, 20 * ARCSEC])
def test_area_and_landing_places_are_the_same(source, error):
    plane = FOCAL if np.isinf(source) else image_plane()
    light = MeridianLight(
        source_distance_mm=source,
        reflectivity=GOLD.specular[None, :, None],
        angle_step_rad=GOLD.angle_step_rad,
    )
    table = meridian_table(
        NEST,
        light,
        detector_distances_mm=[plane],
        errors=ErrorGrid(primary_rad=error + np.array([-1e-9, 1e-9])),
        grid=OffsetGrid(reach_mm=3.0, bins=3000),
    )
    mirror = MirrorState(
        prescription=NEST,
        figure=FigureErrors(primary_mean_rad=error),
        coatings=(GOLD,),
    )
    radii = np.linspace(0, 3, 151)[1:]
    found = run(
        mirror,
        Light(source_distance_mm=source),
        plane,
        rays=1_000_000,
        ring_radii_mm=radii,
    )
    area = table.area_mm2[:, 0, 0]
    # The quadrature takes the flux as even over the reference plane: 3e-6.
    assert np.all(found.area_error_mm2 < 2e-4 * area)
    limit = 5 * found.area_error_mm2 + 5e-5 * area
    assert np.all(np.abs(found.area_mm2 - area) < limit)
    # Enclosed light: the quadrature puts twelve points a nesting, each in one bin.
    offset = np.abs(table.grid.centers_mm)
    for energy in range(2):
        landing = table.landing_mm2[0, energy, 0, 0]
        enclosed = np.array([landing[offset <= r].sum() for r in radii]) / area[energy]
        ours = found.enclosed_mm2[0, energy] / found.area_mm2[energy]
        assert np.abs(enclosed - ours).mean() < 0.01
