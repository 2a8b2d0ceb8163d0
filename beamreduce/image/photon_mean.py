"""The photon-weighted mean inside the circle that follows it, and how sure it is."""

import numpy as np
from numba import njit

from beamreduce.errors import MeasurementError
from beamreduce.image.center import (
    Center,
    fitting_radius,
    growth_near_center,
    half_power_radius,
    pixels_within,
    rough_center,
)

_TOLERANCE_PX = 1e-3
_ROUNDS = 200
_WHOLE_STEPS = 20  # afterwards steps shrink, so that going to and fro dies out
_SETTLED = 0.2  # of the uncertainty; counting noise leaves no finer answer


def centroid(
    net: np.ndarray, variance: np.ndarray, *, reference_px: float | None = None
) -> Center:
    """Return the photon-weighted mean inside the circle about it whose radius is its HPD.

    Parameters
    ----------
    net
        Net photons a pixel, background taken off, 0 where pixels do not count.
    variance
        Variance a pixel; may be unclipped (negative in single pixels).
    reference_px
        Radius in pixels that the HPD refers to; where it is None or does not fit, the
        largest circle about the center of the moment.

    Raises
    ------
    MeasurementError
        When there are no net photons, or the center does not settle.

    Notes
    -----
    Pixels on the circle count with a share that falls linearly over one pixel. The
    uncertainty is the first-order propagation of the variance of every pixel through
    the rule as a whole: the mean, the circle's radius that changes with the photons, and
    the circle that follows the mean (derived; tested by repetition).
    """
    xy = np.array(rough_center(net))
    for round_ in range(_ROUNDS):
        move = _follow(net, xy, reference_px) - xy
        if np.hypot(*move) < _TOLERANCE_PX:
            break
        xy = xy + move * min(_WHOLE_STEPS / (round_ + 1), 1.0)
    reference = fitting_radius(net.shape, (xy[0], xy[1]), reference_px)
    covariance = _covariance(net, variance, xy, reference_px)
    sx, sy = np.sqrt(np.maximum(covariance.diagonal(), 0.0))
    size = float(np.hypot(*move))
    if size > max(_TOLERANCE_PX, _SETTLED * float(np.hypot(sx, sy))):
        raise MeasurementError(
            f"the centroid does not settle (last step {size:.3g} pixels near "
            f"({xy[0]:.1f}, {xy[1]:.1f})); give the center in [reduction] center"
        )
    return Center(
        x=float(xy[0]),
        y=float(xy[1]),
        x_uncertainty=float(sx),
        y_uncertainty=float(sy),
        half_power_radius=half_power_radius(net, (xy[0], xy[1]), reference),
        rule="centroid",
        xy_covariance=float(covariance[0, 1]),
    )


def _follow(net: np.ndarray, xy: np.ndarray, reference_px: float | None) -> np.ndarray:
    """Mean inside the circle about a center whose radius is the HPD about that center."""
    center = (float(xy[0]), float(xy[1]))
    reference = fitting_radius(net.shape, center, reference_px)
    window = 2 * half_power_radius(net, center, reference)
    photons, x, y = _mean_inside(net, *center, window)
    if not photons > 0:
        raise MeasurementError(
            f"no net photons inside {window:.1f} pixels about ({xy[0]:.1f}, "
            f"{xy[1]:.1f}); give the center in [reduction] center"
        )
    return np.array([x, y])


def _covariance(
    net: np.ndarray, variance: np.ndarray, xy: np.ndarray, reference_px: float | None
) -> np.ndarray:
    """Covariance of the settled mean ``c = F(c)``: ``(1-G)⁻¹ V (1-G)⁻ᵀ``, ``G = ∂F/∂c``.

    ``V`` comes from what one more photon in a pixel does to ``F`` about a fixed center:
    ``share (x - c)/N`` through the mean, and through the radius ``a`` that holds half the
    photons ``F′(a) (1/2 - [r < a])/C′(a)`` with ``C`` the curve of growth. Derivatives
    are differences over a sixth of ``a``: wide enough for counting noise to average out.
    """
    center = (float(xy[0]), float(xy[1]))
    reference = fitting_radius(net.shape, center, reference_px)
    radius = half_power_radius(net, center, reference)
    step = max(radius / 12, 0.5)
    follows = np.empty((2, 2))
    for axis in (0, 1):
        offset = step * np.eye(2)[axis]
        ahead = _follow(net, xy + offset, reference_px)
        follows[:, axis] = (ahead - _follow(net, xy - offset, reference_px)) / (2 * step)
    inner, outer = max(radius - step, 0.0), radius + step
    wider = np.array(_mean_inside(net, *center, 2 * outer))
    wider -= np.array(_mean_inside(net, *center, 2 * inner))
    growth = growth_near_center(net, *center, outer)
    radii = np.linspace(0.0, outer, growth.size)
    gained = growth[-1] - np.interp(inner, radii, growth)
    with_radius = wider[1:] / gained if gained > 0 else np.zeros(2)
    photons = _mean_inside(net, *center, 2 * radius)[0]
    noise = _noise_of_mean(
        np.asarray(variance, dtype=float), center, (radius, reference), with_radius, photons
    )
    # Where the photons at the circle would outweigh those inside, the mean runs away.
    left, sizes, right = np.linalg.svd(np.eye(2) - follows)
    inverse = np.linalg.inv(left @ np.diag(np.maximum(sizes, 0.1)) @ right)
    return inverse @ noise @ inverse.T


@njit(cache=True, nogil=True)
def _mean_inside(
    net: np.ndarray, x0: float, y0: float, window: float
) -> tuple[float, float, float]:
    ny, nx = net.shape
    photons = mean_x = mean_y = 0.0
    reach = window + 0.5
    for row in range(*pixels_within(y0, reach, ny)):
        half = np.sqrt(max(reach * reach - (row - y0) ** 2, 0.0))
        for column in range(*pixels_within(x0, half, nx)):
            radius = np.hypot(column - x0, row - y0)
            weight = min(max(reach - radius, 0.0), 1.0) * net[row, column]
            photons += weight
            mean_x += weight * (column - x0)
            mean_y += weight * (row - y0)
    if photons == 0.0:
        return 0.0, x0, y0
    return photons, x0 + mean_x / photons, y0 + mean_y / photons


@njit(cache=True, nogil=True)
def _noise_of_mean(
    variance: np.ndarray,
    center: tuple[float, float],
    radii: tuple[float, float],
    with_radius: np.ndarray,
    photons: float,
) -> np.ndarray:
    ny, nx = variance.shape
    x0, y0 = center
    half, reference = radii
    window = 2 * half + 0.5
    beyond = 0.0
    sums = np.zeros((2, 2))
    for row in range(*pixels_within(y0, reference, ny)):
        dy = row - y0
        width = np.sqrt(max(reference * reference - dy * dy, 0.0))
        first, end = pixels_within(x0, width, nx)
        # Beyond the window a photon moves the mean through the radius alone.
        near = np.sqrt(max(window * window - dy * dy, 0.0))
        near_first, near_end = pixels_within(x0, near, nx)
        near_first, near_end = max(first, near_first), min(end, near_end)
        beyond += variance[row, first:near_first].sum()
        beyond += variance[row, max(near_end, near_first) : end].sum()
        for column in range(near_first, near_end):
            dx = column - x0
            radius = np.sqrt(dx * dx + dy * dy)
            through_radius = -0.5 if radius < half else 0.5
            share = min(max(window - radius, 0.0), 1.0)
            ux = share * dx / photons + with_radius[0] * through_radius
            uy = share * dy / photons + with_radius[1] * through_radius
            sums[0, 0] += ux * ux * variance[row, column]
            sums[0, 1] += ux * uy * variance[row, column]
            sums[1, 1] += uy * uy * variance[row, column]
    beyond *= 0.25
    sums[0, 0] += beyond * with_radius[0] * with_radius[0]
    sums[0, 1] += beyond * with_radius[0] * with_radius[1]
    sums[1, 1] += beyond * with_radius[1] * with_radius[1]
    sums[1, 0] = sums[0, 1]
    return sums
