"""Do the quoted intervals of HPD and W90 hold the truth as often as they say?

Repeats of one exposure with fixed settings: the statistical interval of one standard
deviation must hold the true diameter in 68.3 % of them (normal law; GUM, JCGM 100:2008,
2.3.1), within three standard deviations of the binomial law of the repeats.
"""

import astropy.units as u
import numpy as np
import pytest
from scipy import special

from beamreduce.background import (
    BackgroundRings,
    background_in_rings,
    from_annulus,
)
from beamreduce.encircled_energy import (
    crossing_diameters_mm,
    measure_diameters,
    net_rings,
    standard_radii,
)
from beamreduce.image import centroid
from beamreduce.rings import count_in_image, plan_for
from tests.made_images import PIXEL_MM, focal_image, gaussian_image, ring_counts

ONE_SIGMA = 0.6827
SHARES = (0.5, 0.9)
REPLICATES = 200


def assert_covered(truth, values, errors):
    """Coverage, mean and root mean square of the pulls of diameters, shape (repeats, 2)."""
    repeats = len(values)
    pulls = (np.array(values) - truth) / np.array(errors)
    relative = np.mean(errors, axis=0) / truth
    covered = np.mean(np.abs(pulls) < 1, axis=0)
    binomial = np.sqrt(ONE_SIGMA * (1 - ONE_SIGMA) / repeats)
    assert np.all(np.abs(covered - ONE_SIGMA) < 3 * binomial), covered
    # Means: 4 standard errors, and the terms beyond first order, whose size relative to
    # the error is that of the error relative to the diameter (twice it).
    mean = pulls.mean(axis=0)
    assert np.all(np.abs(mean) < 4 / np.sqrt(repeats) + 2 * relative), mean
    # Root mean square: 4/√(2n), the noise of a scatter of 200 replicates (0.25 %), and
    # the same terms beyond first order.
    rms = np.sqrt(np.mean(pulls**2, axis=0))
    assert np.all(np.abs(rms - 1) < 4 / np.sqrt(2 * repeats) + relative), rms


# Shapes: radius of half power in mm, share of light inside a radius.
SHAPES = {
    "gaussian": (0.5887, lambda r: -np.expm1(-(r**2) / 0.5)),
    "rotated gaussian": (0.3372, lambda r: special.erf(r / 0.5 / np.sqrt(2))),
    "king 1.5": (0.4330, lambda r: 1 - 1 / np.sqrt(1 + (r / 0.25) ** 2)),
}
LEVEL = 0.05  # background photons a pixel


def drawn_background(how, area, rng):
    """Background as measured, with what is known of its error."""
    none = np.zeros((0, area.size))
    if how == "exposure":  # a beam-off exposure twice as long: its own photons in each ring
        photons = rng.poisson(2 * LEVEL * area) / 2
        noise, modes = np.diag(photons / 2), none
    else:  # one level, known to 3 %, common to all rings
        error = 0.03 * LEVEL
        photons = (LEVEL + error * rng.standard_normal()) * area
        noise, modes = np.zeros((area.size, area.size)), error * area[None, :]
    return BackgroundRings(photons=photons, covariance=noise, modes=modes, model_modes=none)


def assert_curve_level(shape, how, seed, repeats=1000, number=3000):
    rng = np.random.default_rng(seed)
    half_power_mm, inside = SHAPES[shape]
    reference = 2.5 * u.mm
    radii = standard_radii(
        half_power_mm * u.mm, reference_radii=reference, largest_radius=reference
    ).value
    area = np.pi * np.diff(radii**2, prepend=0.0) / PIXEL_MM**2
    source = number * np.diff(inside(radii), prepend=0.0)
    truth = crossing_diameters_mm(radii, np.cumsum(source), SHARES)[0]
    values, errors = np.empty((repeats, 2)), np.empty((repeats, 2))
    for k in range(repeats):
        rings = ring_counts(radii, rng.poisson(source + LEVEL * area))
        net = net_rings(rings, drawn_background(how, area, rng), reference)
        found = measure_diameters(net, rng, fractions=SHARES, replicates=REPLICATES)
        values[k] = [found.of(share).value for share in SHARES]
        errors[k] = [found.of(share).statistical for share in SHARES]
    assert_covered(truth, values, errors)


@pytest.mark.parametrize("how", ["exposure", "common"])
def test_curves_of_a_gaussian_on_background(how):
    assert_curve_level("gaussian", how, [20240625, len(how)])


@pytest.mark.slow
def test_curves_of_other_shapes_on_background(whole_grid):
    # Symmetric intervals are first-order. With errors above a tenth of the diameter (W90
    # of 3 000 photons in King wings on this background, its level known to 3 %) they hold
    # 66.6 ± 0.7 % (5 000 repeats): a low W90 is quoted too small an error. So the King
    # profile is tested where errors stay below 5 %.
    shapes = {"rotated gaussian": 3000, "king 1.5": 15_000}
    for shape in shapes if whole_grid else ("king 1.5",):
        for how in ("exposure", "common") if whole_grid else ("exposure",):
            repeats = 1000 if whole_grid else 400
            seed = [20240626, len(shape), len(how)]
            assert_curve_level(shape, how, seed, repeats, shapes[shape])


SHAPE = (130, 128)
CENTER = (63.4, 64.2)
REFERENCE = 40 * PIXEL_MM * u.mm
VARIANCE_PER_PHOTON, NOISE_VARIANCE = 1.06, 0.03


def exposed(expected, rng):
    """An integrating detector: photons, the scatter of their charge, read noise."""
    photons = rng.poisson(expected).astype(float)
    spread = np.sqrt(photons * (VARIANCE_PER_PHOTON - 1) + NOISE_VARIANCE)
    return focal_image(
        photons + spread * rng.standard_normal(expected.shape),
        noise_variance=NOISE_VARIANCE,
        variance_per_photon=VARIANCE_PER_PHOTON,
    )


def measured(image, rng, center=None):
    """Frame to diameters the package's own way; the center too unless it is given."""
    start = center or CENTER
    background = from_annulus(image, center_xy=start, inner=REFERENCE)
    level = background.level_image(image.shape)
    if center is None:
        center = centroid(image.photons - level, image.variance, reference_px=40.0).xy
    radii = standard_radii(
        6.3 * PIXEL_MM * u.mm, reference_radii=REFERENCE, largest_radius=REFERENCE
    )
    plan = plan_for(image, center, radii)
    in_rings = background_in_rings(background, plan, image.usable)
    net = net_rings(count_in_image(image, plan), in_rings, REFERENCE)
    return measure_diameters(net, rng, fractions=SHARES, replicates=REPLICATES)


@pytest.mark.slow
def test_images_with_background_read_noise_and_their_own_center(whole_grid):
    rng = np.random.default_rng(20240627)
    repeats = 1000 if whole_grid else 150
    source = 0.85 * gaussian_image(SHAPE, CENTER, 5.0)
    source += 0.15 * gaussian_image(SHAPE, CENTER, 10.0)  # ends 4 σ before the annulus
    expected = 4000 * source + LEVEL
    # What the same pixels would give with photons beyond number, about the true center.
    endless = measured(focal_image(1e6 * source), rng, CENTER)
    truth = np.array([endless.of(share).value for share in SHARES])
    values, errors = np.empty((repeats, 2)), np.empty((repeats, 2))
    for k in range(repeats):
        found = measured(exposed(expected, rng), rng)
        values[k] = [found.of(share).value for share in SHARES]
        errors[k] = [found.of(share).statistical for share in SHARES]
    assert_covered(truth, values, errors)
