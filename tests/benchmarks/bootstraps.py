"""Uncertainty of an HPD by bootstrap, against drawing everything afresh."""

import astropy.units as u
import numpy as np

from beamreduce.background import (
    Background,
    BackgroundRings,
    Polynomial,
    background_in_rings,
)
from beamreduce.encircled_energy import (
    NetRings,
    crossing_diameters_mm,
    measure_diameters,
    net_rings,
    standard_radii,
)
from beamreduce.rings import RingCounts, count_in_image, count_photons, plan_for
from tests.benchmarks.timing import Result, at_least, medians
from tests.made_images import PIXEL_MM, focal_image, gaussian_image, ring_counts

REPLICATES = 1000
# A scatter of n draws is known to 1/√(2n): 0.22 % for 10⁵, three of which leave room
# for the width of rings within the 1 % asked for.
PROOF_RUNS = 100
WITHIN = 0.01


def _assert_scatter(net: NetRings, expected_mm: float) -> str:
    rng = np.random.default_rng(2)
    drawn = [
        measure_diameters(net, rng, fractions=(0.5,), replicates=REPLICATES).replicates_mm
        for _ in range(PROOF_RUNS)
    ]
    ratio = float(np.concatenate(drawn).std()) / expected_mm
    assert abs(ratio - 1) <= WITHIN, ratio
    return (
        f"σ(HPD) of {PROOF_RUNS * REPLICATES:,} replicates is {ratio:.4f} of the analytic "
        f"value (asserted within {WITHIN:.0%})"
    )


def photons() -> list[Result]:
    """1 000 replicates of 10⁵ photons with known positions."""
    number, sigma_mm = 100_000, 0.5
    reference = 3.5 * u.mm
    radii = standard_radii(
        1.17741 * sigma_mm * u.mm, reference_radii=reference, largest_radius=reference
    )
    rng = np.random.default_rng(3)
    offsets = np.hypot(*rng.normal(0, sigma_mm, (2, number)))

    def counted(rings: RingCounts) -> NetRings:
        return net_rings(rings, BackgroundRings.none(radii.size), reference)

    def ours() -> None:
        rings = count_photons(offsets * u.mm, radii, detector_distance=5 * u.m)
        measure_diameters(counted(rings), rng, fractions=(0.5,), replicates=REPLICATES)

    def resample_and_sort() -> float:
        drawn = np.sort(offsets[rng.integers(0, number, number)])
        return 2 * drawn[number // 2]

    one, all_of_them = medians((resample_and_sort, ours), repeats=15)
    # Order statistic of a Gaussian: σ(HPD)/HPD = 1/(2 ln 2 √N) (derived). The curve that
    # is resampled is the expected one, whose slope is known.
    expected_mm = 2.354820045 * sigma_mm / (2 * np.log(2) * np.sqrt(number))
    inside = -np.expm1(-(radii.value**2) / (2 * sigma_mm**2))
    expected = ring_counts(radii.value, number * np.diff(inside, prepend=0.0))
    return [
        Result(
            work="bootstrap of HPD, 1 000 replicates, 10⁵ photons",
            accuracy=_assert_scatter(counted(expected), expected_mm),
            **at_least(REPLICATES * one / all_of_them, 200, "resample and sort"),
        )
    ]


SHAPE, CENTER, SIGMA_PX = (2048, 2048), (1023.3, 1022.8), 150.0
NUMBER, LEVEL, LEVEL_ERROR = 1e6, 0.1, 0.0005
PER_PHOTON, NOISE_VARIANCE = 1.06, 0.02
REFERENCE = 6 * SIGMA_PX * PIXEL_MM * u.mm


def _analytic_frame_scatter_mm() -> float:
    """σ(HPD) of a Gaussian on a flat background (derived, first order).

    Variance of C(r) - C(R)/2, both discs about the center, over the slope of C squared:
    photons with the scatter of their charge and noise of pixels count 1/4 wherever they
    are, the common error of the background by the difference of areas.
    """
    radius, full = SIGMA_PX * np.sqrt(2 * np.log(2)), 6 * SIGMA_PX
    area = np.pi * full**2
    variance = (PER_PHOTON * (NUMBER + LEVEL * area) + NOISE_VARIANCE * area) / 4
    variance += (LEVEL_ERROR * np.pi * (radius**2 - full**2 / 2)) ** 2
    slope = NUMBER * radius / SIGMA_PX**2 / 2
    return 2 * np.sqrt(variance) / slope * PIXEL_MM


def frames() -> list[Result]:
    """1 000 replicates of a 2048² frame; ours from frame to HPD, rings planned anew."""
    expected = NUMBER * gaussian_image(SHAPE, CENTER, SIGMA_PX) + LEVEL
    background = Background(
        method="annulus",
        level=Polynomial.flat(LEVEL, SHAPE),
        modes=(Polynomial.flat(LEVEL_ERROR, SHAPE),),
    )
    radii = standard_radii(
        1.17741 * SIGMA_PX * PIXEL_MM * u.mm,
        reference_radii=REFERENCE,
        largest_radius=REFERENCE,
    )
    rng = np.random.default_rng(4)

    def net_of(photons: np.ndarray) -> NetRings:
        image = focal_image(
            photons, noise_variance=NOISE_VARIANCE, variance_per_photon=PER_PHOTON
        )
        plan = plan_for(image, CENTER, radii)
        in_rings = background_in_rings(background, plan, image.usable)
        return net_rings(count_in_image(image, plan), in_rings, REFERENCE)

    plan = plan_for(focal_image(expected), CENTER, radii)
    area = plan.sums(np.ones(SHAPE))

    def redraw() -> float:
        growth = np.cumsum(plan.sums(rng.poisson(expected)) - LEVEL * area)
        radius_mm = plan.radii_px * PIXEL_MM
        return float(crossing_diameters_mm(radius_mm, growth, (0.5,))[0, 0])

    drawn = rng.poisson(expected).astype(float)
    one, all_of_them = medians(
        (
            redraw,
            lambda: measure_diameters(
                net_of(drawn), rng, fractions=(0.5,), replicates=REPLICATES
            ),
        ),
        repeats=7,
    )
    return [
        Result(
            work="bootstrap of HPD, 1 000 replicates, 2048² frame",
            accuracy=_assert_scatter(net_of(expected), _analytic_frame_scatter_mm()),
            **at_least(REPLICATES * one / all_of_them, 100, "redrawing frames"),
        )
    ]
