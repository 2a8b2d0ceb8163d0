"""As seen from infinity off the axis and from a single quadrant, about their own centers.

Images that are not round are measured about the center of their own light, by the rule of
the package (the mean inside the circle about itself with its HPD as radius); truths of the
independent trace have the same rule.
"""

import math
from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np
import pytest

from beamreduce.infinity.answer import StarPlane, seen_from_infinity
from beamreduce.infinity.folded import fold
from beamreduce.mirror import MirrorDesign, nestings_from_design
from tests.external.independent_cases import Case, cases
from tests.external.independent_measured import center_of, in_rings, optics_of
from tests.external.independent_trace import Beam, FigureErrors, Rays, SlopeLaw, trace
from tests.external.independent_truth import (
    ARCSEC,
    curves,
    draw_photons,
)

pytestmark = pytest.mark.slow

FOCAL, ARCMIN = 5200.0, 60 * ARCSEC
BIAS = 0.01
PHOTONS = 100_000
BATCHES, RAYS = 20, 200_000
RAY_NUMBERS = ("x", "y", "u", "v", "weight", "nesting", "quadrant", "z_primary")


@dataclass(frozen=True)
class Setting:
    """Direction of the source and what is open."""

    off_axis: float = 0.0
    azimuth: float = 0.5
    quadrant: int | None = None

    @property
    def open_rad(self):
        if self.quadrant is None:
            return None
        return self.quadrant * math.pi / 2, (self.quadrant + 1) * math.pi / 2

    def beam(self, case=None):
        """The source of a case, or a star."""
        if case is None:
            return Beam(off_axis=self.off_axis, azimuth=self.azimuth)
        return replace(case.beam, off_axis=self.off_axis, azimuth=self.azimuth)

    def chosen(self, rays: Rays) -> Rays:
        if self.quadrant is None:
            return rays
        kept = rays.quadrant == self.quadrant
        return replace(rays, **{n: getattr(rays, n)[kept] for n in RAY_NUMBERS})


@pytest.fixture(scope="module")
def case() -> Case:
    """A tight part of a nest, errors of 8″ on both stages."""
    nest = nestings_from_design(
        MirrorDesign(
            focal_length=FOCAL * u.mm,
            inner_radius=130 * u.mm,
            outer_radius=150 * u.mm,
            reflector_length=90 * u.mm,
            reflector_thickness=0.17 * u.mm,
            coating="Au",
            roughness=0 * u.nm,
        )
    )
    law = SlopeLaw(scales=(8 * ARCSEC,))
    other = next(c for c in cases("inside") if c.name == "f5.2/60")
    return replace(
        other,
        prescription=nest,
        errors=FigureErrors(primary=law, secondary=law),
        reference_angle=240 * ARCSEC,
    )


def traced(case, setting, beam, seed):
    """Batches of independent rays through what is open."""
    return [
        setting.chosen(trace(case.mirror, beam, RAYS, np.random.default_rng([seed, k])))
        for k in range(BATCHES)
    ]


def truth_of(case, setting):
    """HPD and W90 in arcsec and area ratio, with standard errors."""
    star = traced(case, setting, setting.beam(), 1)
    near = traced(case, setting, setting.beam(case), 2)
    x, y = np.concatenate([rays.at(FOCAL) for rays in star], axis=1)
    weight = np.concatenate([rays.weight for rays in star])
    center = center_of(x, y, weight, case.reference_angle * FOCAL)
    about = curves(star, FOCAL, case.reference_angle, center)
    areas = [np.array([rays.weight.sum() for rays in beam]) for beam in (star, near)]
    ratio = areas[0].sum() / areas[1].sum()
    noise = [a.std(ddof=1) / a.mean() / math.sqrt(BATCHES) for a in areas]
    return about.diameter(0.5), about.diameter(0.9), (ratio, ratio * math.hypot(*noise))


def answer_to(case, setting, distances, seed, surfaces=None):
    made = []
    for k, distance in enumerate(distances):
        rng = np.random.default_rng([seed, k])
        reference = case.reference_angle * distance
        beam = setting.beam(case)
        photons = draw_photons(case.mirror, beam, distance, PHOTONS, rng, setting.quadrant)
        center = center_of(*photons.T, np.ones(PHOTONS), reference)
        made.append(in_rings(photons - np.array(center), distance, reference))
    optics = optics_of(
        case,
        off_axis_rad=setting.off_axis,
        off_azimuth_rad=setting.azimuth,
        open_rad=setting.open_rad,
    )
    folded = fold(optics, made, surfaces=surfaces)
    plane = StarPlane(distance_mm=FOCAL, reference_rad=case.reference_angle)
    seen = seen_from_infinity(folded, plane, 200, np.random.default_rng(seed))[0]
    reference = case.reference_angle * FOCAL
    diameters = (
        seen.quantity(lambda n, q=q: n.diameters_mm(q, reference)).scaled(
            1 / FOCAL / ARCSEC
        )
        for q in (0.5, 0.9)
    )
    return folded, (*diameters, seen.quantity(lambda n: n.area_ratio))


@pytest.mark.parametrize(
    ("setting", "planes", "reduced"),
    [
        (Setting(quadrant=0), 1, True),
        (Setting(quadrant=2), 3, False),
        (Setting(off_axis=3 * ARCMIN), 1, False),
        (Setting(off_axis=3 * ARCMIN), 3, False),
        (Setting(off_axis=6 * ARCMIN), 1, False),
        (Setting(off_axis=3 * ARCMIN, quadrant=0), 1, False),
        (Setting(off_axis=3 * ARCMIN, quadrant=2), 1, False),
    ],
)
def test_the_truth_comes_back(case, setting, planes, reduced, whole_grid):
    if not whole_grid and not reduced:
        pytest.skip("runs with --whole-grid")
    folded, numbers = answer_to(case, setting, case.distances[:planes], 20261204)
    assert folded.accepted
    for k, (number, (value, error)) in enumerate(
        zip(numbers, truth_of(case, setting), strict=True)
    ):
        away = abs(number.value - value)
        sigma = math.hypot(number.uncertainty, error)
        assert away < max(BIAS * value, 2 * sigma), (k, away / value, sigma / value)


@pytest.fixture(scope="module")
def surfaces(case):
    """What a focus series of the whole mirror on the axis tells."""
    folded, _ = answer_to(case, Setting(), case.distances[:3], 20261126)
    assert folded.accepted
    return folded.surfaces


@pytest.mark.parametrize(
    ("setting", "reduced"),
    [
        (Setting(off_axis=3 * ARCMIN), True),
        (Setting(off_axis=6 * ARCMIN), False),
        (Setting(off_axis=6 * ARCMIN, azimuth=math.pi / 2), False),
    ],
)
def test_one_distance_is_enough_where_the_axis_has_told_of_the_cones(
    case, surfaces, setting, reduced, whole_grid
):
    """Bias below half a per cent, beside three standard errors of counting and truth."""
    if not whole_grid and not reduced:
        pytest.skip("runs with --whole-grid")
    folded, numbers = answer_to(case, setting, case.distances[:1], 20261127, surfaces)
    assert folded.accepted
    assert folded.given == surfaces
    for k, (number, (value, error)) in enumerate(
        zip(numbers, truth_of(case, setting), strict=True)
    ):
        away = abs(number.value - value)
        noise = math.hypot(number.statistical, error)
        assert away < 0.005 * value + 3 * noise, (k, away / value, noise / value)
        # Without it families spread the HPD by more than a per cent.
        assert number.uncertainty < 0.01 * value
