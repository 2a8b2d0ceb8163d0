"""Where the center of the image is."""

from dataclasses import dataclass

import numpy as np
from numba import njit
from scipy import optimize

from beamreduce.errors import MeasurementError

_TOLERANCE_PX = 1e-3
_ROUNDS = 200


@dataclass(frozen=True, kw_only=True)
class Center:
    """A center in pixels and its standard uncertainty.

    Parameters
    ----------
    x, y
        Pixels; the first pixel has its center at (0, 0).
    x_uncertainty, y_uncertainty
        Statistical standard uncertainty in pixels.
    half_power_radius
        Radius in pixels about this center that holds half the net photons; how large the
        image is, for choosing rings.
    rule
        How it was found: ``centroid``, ``gaussian``, ``least_hpd`` or ``given``.
    """

    x: float
    y: float
    x_uncertainty: float
    y_uncertainty: float
    half_power_radius: float
    rule: str

    @property
    def xy(self) -> tuple[float, float]:
        """Center as a pair."""
        return self.x, self.y


def largest_radius(shape: tuple[int, int], center_xy: tuple[float, float]) -> float:
    """Return the radius in pixels of the largest circle about a center inside the image."""
    ny, nx = shape
    x, y = center_xy
    return min(x + 0.5, nx - 0.5 - x, y + 0.5, ny - 0.5 - y)


def half_power_radius(
    net: np.ndarray, center_xy: tuple[float, float], reference_px: float
) -> float:
    """Return the radius that holds half the net photons inside a reference radius.

    Quick form for centering, good to a fraction of a pixel: pixels count where their
    centers are. The exact curve is in ``encircled_energy``.

    Raises
    ------
    MeasurementError
        When the net photons inside the reference radius are not above zero.
    """
    growth = np.cumsum(_photons_by_radius(net, *center_xy, reference_px))
    if not growth[-1] > 0:
        raise MeasurementError(
            f"the net photons inside {reference_px:.1f} pixels about "
            f"({center_xy[0]:.1f}, {center_xy[1]:.1f}) are {growth[-1]:.4g}; expected more "
            f"than zero; check that the beam was on and which background was taken off"
        )
    k = int(np.argmax(growth >= growth[-1] / 2))
    below = growth[k - 1] if k else 0.0
    share = (growth[-1] / 2 - below) / (growth[k] - below)
    return float(np.sqrt((k * k + share * (2 * k + 1)) * _BIN_PX**2))


def rough_center(net: np.ndarray) -> tuple[float, float]:
    """Return the middle of the brightest part of an image, on a coarse grid.

    Blocks of pixels are summed and every block joined with its neighbours, so single
    bright pixels and sparse photons do not matter.
    """
    box = max(min(net.shape) // 32, 1)
    ny, nx = net.shape[0] // box, net.shape[1] // box
    blocks = net[: ny * box, : nx * box].reshape(ny, box, nx, box).sum(axis=(1, 3))
    padded = np.pad(blocks, 1)
    joined = sum(
        padded[1 + dy : 1 + dy + ny, 1 + dx : 1 + dx + nx]
        for dy in (-1, 0, 1)
        for dx in (-1, 0, 1)
    )
    y, x = np.unravel_index(int(np.argmax(joined)), joined.shape)
    return (x + 0.5) * box - 0.5, (y + 0.5) * box - 0.5


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
    uncertainty is that of a weighted mean, divided by ``1 - g`` because the circle
    follows the mean: ``g = π a² s(a)/N`` with ``s`` the photons a pixel at the circle's
    radius ``a`` and ``N`` those inside (derived: the derivative of the mean inside a
    circle with respect to where the circle is).
    """
    xy = np.array(rough_center(net))
    step = np.inf
    for round_ in range(_ROUNDS):
        window = 2 * half_power_radius(net, tuple(xy), _reference(net, xy, reference_px))
        photons, x, y = _mean_inside(net, xy[0], xy[1], window)
        if not photons > 0:
            raise MeasurementError(
                f"no net photons inside {window:.1f} pixels about ({xy[0]:.1f}, "
                f"{xy[1]:.1f}); give the center in [reduction] center"
            )
        new = np.array([x, y])
        # Half steps once the center goes back and forth across a pixel.
        new = new if round_ < _ROUNDS // 4 else (new + xy) / 2
        step = float(np.hypot(*(new - xy)))
        xy = new
        if step < _TOLERANCE_PX:
            break
    else:
        raise MeasurementError(
            f"the centroid does not settle (last step {step:.3g} pixels near "
            f"({xy[0]:.1f}, {xy[1]:.1f})); give the center in [reduction] center"
        )
    radius = half_power_radius(net, tuple(xy), _reference(net, xy, reference_px))
    sx, sy = _mean_uncertainty(net, variance, xy, 2 * radius)
    return Center(
        x=float(xy[0]),
        y=float(xy[1]),
        x_uncertainty=sx,
        y_uncertainty=sy,
        half_power_radius=radius,
        rule="centroid",
    )


def gaussian(
    net: np.ndarray, variance: np.ndarray, *, reference_px: float | None = None
) -> Center:
    """Return the center of a round Gaussian fitted inside the circle of radius HPD.

    Least squares with equal weights (unbiased where photons are sparse); the uncertainty
    is that of the fitted parameters given the variance of every pixel. Parameters as for
    :func:`centroid`, which gives the starting point.
    """
    start = centroid(net, variance, reference_px=reference_px)
    window = 2 * start.half_power_radius
    x, y, inside = _window(net.shape, start.xy, window)
    data = net[inside]
    width = start.half_power_radius / 1.177

    def shape(p: np.ndarray) -> np.ndarray:
        return np.exp(-((x - p[1]) ** 2 + (y - p[2]) ** 2) / (2 * p[3] ** 2))

    def derivatives(p: np.ndarray) -> np.ndarray:
        g = shape(p)
        dx, dy = x - p[1], y - p[2]
        return np.stack(
            [g, p[0] * g * dx / p[3] ** 2, p[0] * g * dy / p[3] ** 2,
             p[0] * g * (dx**2 + dy**2) / p[3] ** 3], axis=1,
        )  # fmt: skip

    first = np.array([max(data.sum(), 1.0) / (2 * np.pi * width**2), *start.xy, width])
    fit = optimize.least_squares(
        lambda p: p[0] * shape(p) - data, first, jac=derivatives, x_scale=np.abs(first) + 1
    )
    offset = np.hypot(fit.x[1] - start.x, fit.x[2] - start.y)
    if not fit.success or offset > window:
        raise MeasurementError(
            f"a Gaussian does not fit the image near ({start.x:.1f}, {start.y:.1f}); "
            f'use center = "centroid" or give the center'
        )
    slopes = derivatives(fit.x)
    inverse = np.linalg.inv(slopes.T @ slopes)
    spread = inverse @ (slopes.T @ (slopes * variance[inside][:, None])) @ inverse
    return Center(
        x=float(fit.x[1]),
        y=float(fit.x[2]),
        x_uncertainty=float(np.sqrt(max(spread[1, 1], 0.0))),
        y_uncertainty=float(np.sqrt(max(spread[2, 2], 0.0))),
        half_power_radius=half_power_radius(
            net, (fit.x[1], fit.x[2]), _reference(net, fit.x[1:3], reference_px)
        ),
        rule="gaussian",
    )


def given(
    net: np.ndarray, center_xy: tuple[float, float], *, reference_px: float | None = None
) -> Center:
    """Return a center that the user gave, with the size of the image about it."""
    xy = np.array(center_xy, dtype=float)
    if largest_radius(net.shape, (xy[0], xy[1])) <= 0:
        raise MeasurementError(
            f"the given center ({xy[0]:g}, {xy[1]:g}) lies outside the image of "
            f"{net.shape[1]} × {net.shape[0]} pixels"
        )
    return Center(
        x=float(xy[0]),
        y=float(xy[1]),
        x_uncertainty=0.0,
        y_uncertainty=0.0,
        half_power_radius=half_power_radius(
            net, (xy[0], xy[1]), _reference(net, xy, reference_px)
        ),
        rule="given",
    )


_BIN_PX = 0.25


def _reference(net: np.ndarray, xy: np.ndarray, reference_px: float | None) -> float:
    fits = max(largest_radius(net.shape, (float(xy[0]), float(xy[1]))), 2.0)
    return fits if reference_px is None else min(reference_px, fits)


def _window(
    shape: tuple[int, int], center_xy: tuple[float, float], radius: float
) -> tuple[np.ndarray, np.ndarray, tuple[np.ndarray, np.ndarray]]:
    """Coordinates and indices of the pixels whose centers lie inside a circle."""
    ny, nx = shape
    x0, y0 = center_xy
    rows = np.arange(max(int(y0 - radius), 0), min(int(y0 + radius) + 2, ny))
    columns = np.arange(max(int(x0 - radius), 0), min(int(x0 + radius) + 2, nx))
    y, x = np.meshgrid(rows, columns, indexing="ij")
    inside = np.hypot(x - x0, y - y0) < radius
    return x[inside], y[inside], (y[inside], x[inside])


def _mean_uncertainty(
    net: np.ndarray, variance: np.ndarray, xy: np.ndarray, window: float
) -> tuple[float, float]:
    x, y, inside = _window(net.shape, (xy[0], xy[1]), window)
    photons = net[inside].sum()
    spread = variance[inside]
    radius = np.hypot(x - xy[0], y - xy[1])
    near_edge = radius > 0.8 * window
    at_edge = net[inside][near_edge].mean() if near_edge.any() else 0.0
    following = float(np.clip(np.pi * window**2 * at_edge / photons, 0.0, 0.9))
    sx, sy = (
        np.sqrt(max(float((offset**2 * spread).sum()), 0.0)) / photons / (1 - following)
        for offset in (x - xy[0], y - xy[1])
    )
    return float(sx), float(sy)


@njit(cache=True, nogil=True)
def _photons_by_radius(
    net: np.ndarray, x0: float, y0: float, reference: float
) -> np.ndarray:
    ny, nx = net.shape
    bins = np.zeros(int(np.ceil(reference / _BIN_PX)) + 1)
    limit = reference * reference
    for row in range(max(int(y0 - reference), 0), min(int(y0 + reference) + 2, ny)):
        dy2 = (row - y0) ** 2
        for column in range(max(int(x0 - reference), 0), min(int(x0 + reference) + 2, nx)):
            r2 = (column - x0) ** 2 + dy2
            if r2 <= limit:
                bins[int(np.sqrt(r2) / _BIN_PX)] += net[row, column]
    return bins


@njit(cache=True, nogil=True)
def _mean_inside(
    net: np.ndarray, x0: float, y0: float, window: float
) -> tuple[float, float, float]:
    ny, nx = net.shape
    photons = mean_x = mean_y = 0.0
    reach = window + 1.0
    for row in range(max(int(y0 - reach), 0), min(int(y0 + reach) + 2, ny)):
        for column in range(max(int(x0 - reach), 0), min(int(x0 + reach) + 2, nx)):
            radius = np.hypot(column - x0, row - y0)
            share = min(max(window - radius + 0.5, 0.0), 1.0)
            if share > 0.0:
                weight = share * net[row, column]
                photons += weight
                mean_x += weight * (column - x0)
                mean_y += weight * (row - y0)
    if photons == 0.0:
        return 0.0, x0, y0
    return photons, x0 + mean_x / photons, y0 + mean_y / photons
