"""How often intervals of HPD and W90 at infinity hold the truth, over repeats.

Rings of repeats are drawn about what a long list of independent rays puts into them; the
family of slope errors is the right one, so that only counting is tested: one standard
deviation must hold the answer in 68.3 % (normal law; GUM, JCGM 100:2008, 2.3.1). What is
left between that answer and the truth is not of counting: it is quoted as a model term.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest

from beamreduce.infinity.answer import TRACED, star_views
from beamreduce.infinity.configuration import resolution_of, rings_to_fold
from beamreduce.infinity.fold import MeasuredRings, describe
from beamreduce.infinity.replicates import replicate_weights
from beamreduce.infinity.slope_ladder import SlopeLadder
from beamreduce.infinity.star import StarCurves, pair_growths, star_radii
from tests.external.independent_cases import cases
from tests.external.independent_measured import (
    add_light,
    drawn_rings,
    measured,
    optics_of,
)
from tests.external.independent_trace import trace_both
from tests.external.independent_truth import ARCSEC, STAR, curves

pytestmark = pytest.mark.slow

ONE_SIGMA = 0.6827
SHARES = (0.5, 0.9)
PHOTONS = 20_000
REPLICATES = 200
BATCHES, RAYS = 40, 100_000


@dataclass(frozen=True)
class Repeated:
    """What repeats are drawn about, what they are folded with, and the truth."""

    rings: tuple[MeasuredRings, ...]
    expected: tuple[np.ndarray, ...]
    ladder: SlopeLadder
    radii: np.ndarray
    pairs: np.ndarray
    truth: np.ndarray
    truth_error: np.ndarray
    to_arcsec: float
    rays: int

    def endless(self):
        """The rings as photons beyond number would fill them, weighed as repeats are."""
        return [
            replace(one, photons=light, poisson=light, covariance=np.diag(light))
            for one, light in zip(self.rings, self.expected, strict=True)
        ]

    def drawn(self, rng):
        return drawn_rings(self.rings, self.expected, rng)

    def diameters(self, weights):
        growth = np.atleast_2d(weights) @ self.pairs.T
        curve = StarCurves(radii_mm=self.radii, growth=growth)
        sizes = [curve.diameter_mm(q, self.radii[-1]) for q in SHARES]
        return np.stack(sizes, axis=-1) * self.to_arcsec


def repeated(name, planes):
    case = next(c for c in cases() if c.name == name)
    distances, focal = case.distances[:planes], case.prescription.focal_length_mm
    case = replace(case, photons=PHOTONS)
    optics, made = optics_of(case), measured(case, 20261205, distances)
    resolution = resolution_of(made)
    rings = rings_to_fold(optics, made, resolution)
    light = [np.zeros(one.radii_mm.size) for one in rings]
    star, rays = [], 0
    for k in range(BATCHES):
        rng = np.random.default_rng([20261206, k])
        far, near = trace_both(case.mirror, (STAR, case.beam), RAYS, rng)
        star.append(far)
        rays += near.weight.size
        add_light(light, rings, [near.at(d) for d in distances], near.weight)
    (view,) = star_views(optics, resolution, [focal])[0]
    radii = star_radii(resolution.hpd_rad * focal / 2, case.reference_angle * focal)
    truth = curves(star, focal, case.reference_angle, (0.0, 0.0))
    values, errors = zip(*(truth.diameter(q) for q in SHARES), strict=True)
    return Repeated(
        rings=rings,
        expected=tuple(PHOTONS * sums / sums.sum() for sums in light),
        ladder=resolution.ladder,
        radii=radii,
        pairs=pair_growths(view, radii, resolution.ladder),
        truth=np.array(values),
        truth_error=np.array(errors),
        to_arcsec=1 / focal / ARCSEC,
        rays=rays,
    )


@pytest.mark.parametrize(("name", "planes"), [("f3.5/60", 3), ("f5.2/30", 1)])
def test_coverage(name, planes, whole_grid):
    """Intervals hold what photons beyond number would give, and that is the truth."""
    if not whole_grid and planes == 1:
        pytest.skip("runs with --whole-grid")
    repeats = 1000 if whole_grid else 100
    case = repeated(name, planes)
    described = describe(case.endless(), case.ladder)
    endless = case.diameters(described.mixture.weights)[0]
    rng = np.random.default_rng(20261207)
    found, errors = np.empty((repeats, 2)), np.empty((repeats, 2))
    for k in range(repeats):
        described = describe(case.drawn(rng), case.ladder)
        found[k] = case.diameters(described.mixture.weights)[0]
        drawn = case.diameters(replicate_weights(described, REPLICATES, rng))
        errors[k] = drawn.std(axis=0, ddof=1)
    # The rays that repeats are drawn about are themselves a sample, the same in all planes.
    sample = errors.mean(axis=0) * math.sqrt(planes * PHOTONS / case.rays)
    noise = np.hypot(sample, case.truth_error)
    assert np.all(np.abs(endless - case.truth) < TRACED * case.truth + 3 * noise)
    # Three standard deviations of the binomial law: 4.4 % of 1 000 repeats, 14 % of 100.
    limit = 3 * math.sqrt(ONE_SIGMA * (1 - ONE_SIGMA) / repeats)
    for about in (found.mean(axis=0), endless):
        held = np.mean(np.abs(found - about) < errors, axis=0)
        assert np.all(np.abs(held - ONE_SIGMA) < limit), (held, endless / case.truth - 1)
