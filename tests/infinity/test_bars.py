"""Alignment bars in the plane through the axis, against rays in space."""

import astropy.units as u
import numpy as np
import pytest

from beamreduce.infinity.declared import bar_free
from beamreduce.mirror import MirrorDesign, nestings_from_design
from beamreduce.raytrace import Light, TracePlan, mirror_as_designed, trace

DESIGN = MirrorDesign(
    focal_length=5.2 * u.m,
    inner_radius=70 * u.mm,
    outer_radius=70.1 * u.mm,
    reflector_length=90 * u.mm,
    reflector_thickness=0.17 * u.mm,
    coating="Au",
    roughness=0 * u.nm,
    bar_count=12,
    bar_width=1.5 * u.mm,
)


def traced(design, light):
    mirror = mirror_as_designed(design, nestings_from_design(design), [4.511] * u.keV)
    plan = TracePlan(distances_mm=np.ones(1))
    found = trace(mirror, light, plan, rays=400_000, rng=np.random.default_rng(20261126))
    return found.area_mm2[0], found.area_error_mm2[0]


@pytest.mark.parametrize("light", [Light.star(), Light.near(86 * u.m)])
def test_bars_shade_as_rays_say(light):
    (free,) = bar_free(nestings_from_design(DESIGN), DESIGN)
    bare = MirrorDesign(**{
        name: getattr(DESIGN, name)
        for name in DESIGN.__dataclass_fields__
        if not name.startswith("bar")
    })  # fmt: skip
    (area, error), (whole, whole_error) = traced(DESIGN, light), traced(bare, light)
    # Some 4 % of azimuth is shaded; rays end between the middle and the rear of the
    # secondary, which is 1.3 % nearer to the axis: 0.05 % of the area.
    noise = 4 * np.hypot(error / whole, whole_error / whole)
    assert area / whole == pytest.approx(free, abs=noise + 5e-4)
    assert free == pytest.approx(1 - 12 * 1.5 / (2 * np.pi * 70), abs=1.5e-3)


def test_no_bars_shade_nothing():
    assert bar_free(nestings_from_design(DESIGN), MirrorDesign(**{
        name: getattr(DESIGN, name)
        for name in DESIGN.__dataclass_fields__
        if not name.startswith("bar")
    })) is None  # fmt: skip
