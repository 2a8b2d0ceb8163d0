"""The center of a round Gaussian fitted to the image."""

import numpy as np

from beamreduce.errors import MeasurementError
from beamreduce.image.center import Center, fitting_radius, half_power_radius
from beamreduce.image.photon_mean import centroid


def gaussian(
    net: np.ndarray, variance: np.ndarray, *, reference_px: float | None = None
) -> Center:
    """Return the center of a round Gaussian fitted inside the circle of radius HPD.

    Least squares with equal weights (unbiased where photons are sparse); the uncertainty
    is that of the fitted parameters given the variance of every pixel, right also where
    the image is no Gaussian (the sandwich of White 1980, Econometrica 48, 817, with the
    whole second derivative). Parameters as for :func:`centroid`, which gives the
    starting point.

    Raises
    ------
    MeasurementError
        When no Gaussian fits.
    """
    from scipy import optimize  # noqa: PLC0415 - slow import, seldom needed

    start = centroid(net, variance, reference_px=reference_px)
    window = 2 * start.half_power_radius
    x, y, inside = _window(net.shape, start.xy, window)
    fit = _Fit(x=x, y=y, data=net[inside])
    width = start.half_power_radius / 1.177
    first = np.array([max(fit.data.sum(), 1.0) / (2 * np.pi * width**2), *start.xy, width])
    found = optimize.least_squares(
        fit.residuals, first, jac=fit.derivatives, x_scale=np.abs(first) + 1
    )
    offset = np.hypot(found.x[1] - start.x, found.x[2] - start.y)
    sx, sy = fit.uncertainty(found.x, variance[inside])
    # A width of nothing (one bright pixel) or far beyond the window (even light) fits
    # the pixels, but says nothing of where the center is.
    width_fits = 0.2 < abs(found.x[3]) < 4 * window
    if not (found.success and width_fits and max(offset, sx, sy) < window):
        raise MeasurementError(
            f"a Gaussian does not fit the image near ({start.x:.1f}, {start.y:.1f}); "
            f'use center = "centroid" or give the center'
        )
    center = (float(found.x[1]), float(found.x[2]))
    reference = fitting_radius(net.shape, center, reference_px)
    return Center(
        x=center[0],
        y=center[1],
        x_uncertainty=sx,
        y_uncertainty=sy,
        half_power_radius=half_power_radius(net, center, reference),
        rule="gaussian",
    )


class _Fit:
    """Least squares of ``p[0] exp(-((x - p[1])² + (y - p[2])²)/2p[3]²)`` to pixels."""

    def __init__(self, *, x: np.ndarray, y: np.ndarray, data: np.ndarray) -> None:
        self.x, self.y, self.data = x, y, data

    def shape(self, p: np.ndarray) -> np.ndarray:
        r2 = (self.x - p[1]) ** 2 + (self.y - p[2]) ** 2
        return np.exp(-r2 / (2 * p[3] ** 2))

    def residuals(self, p: np.ndarray) -> np.ndarray:
        return p[0] * self.shape(p) - self.data

    def derivatives(self, p: np.ndarray) -> np.ndarray:
        g = self.shape(p)
        dx, dy = self.x - p[1], self.y - p[2]
        slope = p[0] * g / p[3] ** 2
        return np.stack([g, slope * dx, slope * dy, slope * (dx**2 + dy**2) / p[3]], axis=1)

    def uncertainty(self, p: np.ndarray, variance: np.ndarray) -> tuple[float, float]:
        """Standard uncertainty of ``p[1]`` and ``p[2]``."""
        slopes = self.derivatives(p)
        noise = slopes.T @ (slopes * variance[:, None])
        inverse = np.linalg.pinv(self._second_derivatives(p))
        sx, sy = np.sqrt(np.maximum((inverse @ noise @ inverse.T).diagonal()[1:3], 0.0))
        return float(sx), float(sy)

    def _second_derivatives(self, p: np.ndarray) -> np.ndarray:
        """Of half the sum of squares, by central differences of its gradient."""
        columns = []
        for step in np.diag(1e-4 * (np.abs(p) + 1e-3)):
            ahead, behind = p + step, p - step
            columns.append(
                (
                    self.derivatives(ahead).T @ self.residuals(ahead)
                    - self.derivatives(behind).T @ self.residuals(behind)
                )
                / (2 * step.sum())
            )
        return np.stack(columns, axis=1)


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
