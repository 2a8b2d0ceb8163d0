"""Curves of growth that the same exposure might have given: a bootstrap of ring counts."""

import numpy as np

from beamreduce.encircled_energy.curve import NetRings
from beamreduce.statistics import correlated_normals

_FAR = 8.0  # standard deviations; a normal law is beyond it once in 10¹⁵ draws


def resample(net: NetRings, replicates: int, rng: np.random.Generator) -> np.ndarray:
    """Draw curves of growth that the same exposure might have given.

    Raw photons in each ring are drawn afresh (Poisson where pixels belong to one ring,
    normal with the remaining covariance for shared pixels and detector noise), and the
    background is drawn about its own value, its common part common to all rings.
    Net photons are never resampled.

    Returns
    -------
    numpy.ndarray
        Net photons inside each radius, shape (replicates, n).
    """
    drawn = rng.poisson(net.poisson_part, size=(replicates, net.photons.size)).astype(float)
    drawn -= net.poisson_part
    if np.any(net.noise_covariance):
        drawn += correlated_normals(net.noise_covariance, replicates, rng)
    for mode in net.modes:
        drawn += rng.standard_normal((replicates, 1)) * mode
    drawn *= net.scale
    drawn += net.photons
    return np.cumsum(drawn, axis=1, out=drawn)


def join_far_rings(net: NetRings, fractions: tuple[float, ...]) -> NetRings:
    """Join rings in which no replicate can cross a share of its last value.

    Most of a bootstrap's time goes into drawing rings that decide nothing: a curve of
    10⁵ photons crosses its half within one or two rings, whatever is drawn. Edges of rings
    stay where the curve is within eight standard deviations of a level; between them
    counts are summed, which changes neither the mean nor the covariance of the curve at
    the edges that stay.
    """
    growth = net.growth
    summed = np.cumsum(np.cumsum(net.covariance, axis=0), axis=1)
    variance, with_total = summed.diagonal(), summed[:, -1]
    stays = np.zeros(growth.size, dtype=bool)
    for q in fractions:
        height = growth - q * growth[-1]
        spread = variance - 2 * q * with_total + q * q * variance[-1]
        near = np.abs(height) < _FAR * np.sqrt(np.maximum(spread, 0.0))
        above = np.concatenate([[False], height >= 0])
        passes = above[1:] != above[:-1]  # the level is crossed in the ring that ends here
        here = near | passes
        stays |= here
        stays[:-1] |= here[1:]
        stays[1:] |= near[:-1]
    stays[-1] = True
    return join_rings(net, np.flatnonzero(stays))


def join_rings(net: NetRings, ends: np.ndarray) -> NetRings:
    """Sum rings up to each of the given ones, numbers and covariance alike.

    Parameters
    ----------
    net
        Rings.
    ends
        Indices of the rings that end a joined one, rising; the last ends at the
        reference radius.
    """
    starts = np.concatenate([[0], ends[:-1] + 1])

    def total(values: np.ndarray, axis: int = -1) -> np.ndarray:
        return np.add.reduceat(values, starts, axis=axis)

    poisson = total(net.poisson_part)
    # Of rings scaled unlike each other: the scale that keeps the variance of their sum.
    scaled = np.sqrt(total(net.scale**2 * net.poisson_part))
    scale = np.divide(
        scaled, np.sqrt(poisson), out=net.scale[ends].copy(), where=poisson > 0
    )

    def covariance(values: np.ndarray) -> np.ndarray:
        scaled = net.scale[:, None] * values * net.scale
        return total(total(scaled, axis=0)) / (scale[:, None] * scale)

    return NetRings(
        radius_mm=net.radius_mm[ends],
        photons=total(net.photons),
        poisson_part=poisson,
        noise_covariance=covariance(net.noise_covariance),
        background_covariance=covariance(net.background_covariance),
        modes=total(net.scale * net.modes) / scale,
        model_modes=total(net.scale * net.model_modes) / scale,
        systematic_modes=total(net.scale * net.systematic_modes) / scale,
        scale=scale,
        covered=net.covered[ends],
        detector_distance_mm=net.detector_distance_mm,
    )
