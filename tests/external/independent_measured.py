"""Photons of the independent trace as measurements, and the optics to fold them with.

What the package is told of a case: prescription, distances, source size, reflectivity and
the photons in rings; nothing of its errors.
"""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from beamreduce.infinity.configuration import Measured
from beamreduce.infinity.fold import MeasuredRings
from beamreduce.infinity.optics import Optics
from beamreduce.raytrace import MeridianLight
from tests.external.independent_cases import Case
from tests.external.independent_truth import diameter, encircled
from tests.infinity.made_rings import fine_radii, measured_of, perfect_reflection


def optics_of(case: Case, **more) -> Optics:
    """Nest and light of a case, without its errors."""
    optics = perfect_reflection(
        case.prescription, case.source_distance, case.source_diameter, **more
    )
    if case.reflectivity is None:
        return optics
    angle = np.linspace(0, 0.1, 4001)
    light = MeridianLight(
        source_distance_mm=case.source_distance,
        reflectivity=case.reflectivity(math.nan, angle)[None, None, None],
        angle_step_rad=float(angle[1]),
    )
    return replace(optics, light=light)


def in_rings(photons: np.ndarray, distance: float, reference: float) -> Measured:
    """Photons at (x, y) about the origin, counted in fine rings."""
    radius = np.hypot(*photons.T)
    radii = fine_radii(radius, reference)
    counts = np.histogram(radius, np.concatenate([[0.0], radii]))[0]
    return measured_of(radii, counts, distance)


def center_of(x, y, weight, reference):
    """The mean inside the circle about itself with its own HPD as radius.

    Points enter and leave the circle at its edge, so that the last steps may turn in a
    circle: their mean is taken.
    """
    center, last = np.average(np.stack([x, y]), axis=1, weights=weight), []
    for k in range(60):
        dx, dy = x - center[0], y - center[1]
        hpd = diameter(*encircled(dx, dy, weight, reference), 0.5)
        inner = np.where(np.hypot(dx, dy) <= hpd, weight, 0.0)
        center = center + np.array([inner @ dx, inner @ dy]) / inner.sum()
        if k >= 40:
            last.append(center)
    assert np.ptp(last, axis=0).max() < 1e-3 * hpd
    return tuple(np.mean(last, axis=0))


def add_light(
    sums: list[np.ndarray], rings: Sequence[MeasuredRings], places: Sequence[np.ndarray],
    weight: np.ndarray,
) -> None:  # fmt: skip
    """Add the light of rays, by where (2, rays) they meet each plane, to its rings."""
    for total, one, place in zip(sums, rings, places, strict=True):
        edges = np.concatenate([[0.0], one.radii_mm])
        total += np.histogram(np.hypot(*place), edges, weights=weight)[0]


def drawn_rings(
    rings: Sequence[MeasuredRings],
    expected: Sequence[np.ndarray],
    rng: np.random.Generator,
) -> list[MeasuredRings]:
    """The same rings with photons drawn about expected numbers."""
    repeat = []
    for one, numbers in zip(rings, expected, strict=True):
        counts = rng.poisson(numbers).astype(float)
        noise = np.diag(np.maximum(counts, 1.0))
        repeat.append(replace(one, photons=counts, poisson=counts, covariance=noise))
    return repeat


def measured(
    case: Case, seed: int, distances: tuple[float, ...] | None = None
) -> list[Measured]:
    """Independent exposures of a case, one distance or several."""
    return [
        in_rings(photons, distance, case.reference_angle * distance)
        for distance, photons in case.draw(seed, distances).items()
    ]
