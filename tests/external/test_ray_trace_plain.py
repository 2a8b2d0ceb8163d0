"""The trace in space: whole nests against a plain NumPy trace.

Source: a trace written from the geometry alone, which shares only the prescription.

Tolerances: four standard errors of the trace, from its independent parts, and the digits
or the order of the reference.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from beamreduce.raytrace import (
    ErrorLaw,
    FigureErrors,
    Light,
    MirrorState,
    Placement,
    Quadrant,
)
from tests.external import independent_trace as other
from tests.raytrace.made_mirrors import (
    ARCMIN,
    ARCSEC,
    FOCAL,
    SOURCE,
    image_plane,
    run,
    tight_nest,
)


@pytest.mark.parametrize(
    ("distance", "off_axis", "diameter_mm"),
    [
        (math.inf, 0.0, 0.0),
        (SOURCE, 0.0, 0.0),
        (40_000.0, 0.0, 0.0),
        (SOURCE, 3 * ARCMIN, 0.0),
        (SOURCE, 0.0, 6.0),
    ],
)
def test_a_tight_nest_with_errors_against_a_plain_trace(distance, off_axis, diameter_mm):
    prescription = tight_nest(120.0, 126.0, gap=6.0)
    sigma, across, shifts = (
        10 * ARCSEC,
        60 * ARCSEC,
        ((0.1, 0.05), (0, 0), (0, 0), (0, -0.1)),
    )
    errors = other.FigureErrors(
        primary=other.SlopeLaw(scales=(sigma, 4 * sigma), shares=(0.8, 0.2)),
        secondary=other.SlopeLaw(scales=(sigma,)),
        out_of_plane=across,
        quadrant_shifts=shifts,
    )
    beam = other.Beam(
        distance=distance, diameter=diameter_mm, off_axis=off_axis, azimuth=0.5
    )
    mirror = other.Mirror(prescription=prescription, errors=errors)
    rng = np.random.default_rng(20261126)
    plane = FOCAL if math.isinf(distance) else image_plane(source=distance)
    launched = 400_000
    rays = other.follow(mirror, beam, other.aim(mirror, beam, launched, rng))
    ours = MirrorState(
        prescription=prescription,
        figure=FigureErrors(
            primary=ErrorLaw.mixture((0.8, 0.2), (sigma, 4 * sigma)),
            secondary=ErrorLaw.gaussian(sigma),
            primary_across=ErrorLaw.gaussian(across),
            secondary_across=ErrorLaw.gaussian(across),
        ),
        quadrants=tuple(
            Quadrant(
                name=f"Q{k + 1}",
                azimuth_rad=(k * math.pi / 2, (k + 1) * math.pi / 2),
                primary=Placement(shift_mm=(*shift, 0.0)),
                secondary=Placement(shift_mm=(*shift, 0.0)),
            )
            for k, shift in enumerate(shifts)
        ),
    )
    light = Light(
        source_distance_mm=distance,
        source_diameter_mm=diameter_mm,
        off_axis_rad=off_axis,
        azimuth_rad=0.5,
        off_axis_by="source_shift",
    )
    x, y = rays.at(plane)
    center = (float(np.median(x)), float(np.median(y)))
    radii = np.linspace(0, 8, 2001)[1:]
    found = run(ours, light, plane, rays=400_000, ring_radii_mm=radii, centers_mm=center)
    weight = rays.weight / launched
    area = weight.sum()
    noise = math.sqrt((weight**2).sum() - area**2 / launched)
    assert found.area_error_mm2[0] < 0.5 * noise  # evenly spread rays pay
    assert found.area_mm2[0] == pytest.approx(area, abs=4 * noise)
    # Counts within radii, each with its binomial error: 30 radii, so 4 σ.
    offset = np.hypot(x - center[0], y - center[1])
    for k in range(50, 1500, 50):
        share = weight[offset <= radii[k]].sum() / area
        ours_share = found.enclosed_mm2[0, 0, k] / found.area_mm2[0]
        sigma_share = math.sqrt(share * (1 - share) / offset.size) * 1.1 + 1e-6
        own = found.enclosed_error_mm2[0, 0, k] / found.area_mm2[0]
        assert ours_share == pytest.approx(share, abs=4 * math.hypot(sigma_share, own))


@pytest.mark.parametrize("off_axis", [0.0, 4 * ARCMIN])
@pytest.mark.parametrize("distance", [math.inf, SOURCE])
def test_foils_of_unlike_lengths_against_a_plain_trace(distance, off_axis):
    even = tight_nest(120.0, 126.0, length=70.0, gap=6.0)
    nestings = tuple(
        replace(
            n,
            primary_length_mm=70.0 - 15.0 * (n.number % 2),
            secondary_length_mm=70.0 - 10.0 * (n.number % 3),
            gap_mm=6.0 - 2.0 * (n.number % 2),
        )
        for n in even.nestings
    )
    prescription = replace(even, nestings=nestings)
    sigma, launched = 10 * ARCSEC, 400_000
    errors = other.FigureErrors(
        primary=other.SlopeLaw(scales=(sigma,)), secondary=other.SlopeLaw(scales=(sigma,))
    )
    mirror = other.Mirror(prescription=prescription, errors=errors)
    beam = other.Beam(distance=distance, off_axis=off_axis, azimuth=2.0)
    rng = np.random.default_rng(20261127)
    weight = (
        other.follow(mirror, beam, other.aim(mirror, beam, launched, rng)).weight / launched
    )
    noise = math.sqrt((weight**2).sum() - weight.sum() ** 2 / launched)
    law = ErrorLaw.gaussian(sigma)
    found = run(
        MirrorState(
            prescription=prescription, figure=FigureErrors(primary=law, secondary=law)
        ),
        Light(
            source_distance_mm=distance,
            off_axis_rad=off_axis,
            azimuth_rad=2.0,
            off_axis_by="source_shift",
        ),
        FOCAL,
        rays=400_000,
    )
    assert found.area_mm2[0] == pytest.approx(weight.sum(), abs=4 * noise)
