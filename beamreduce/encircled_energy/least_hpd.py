"""The center about which the half-power diameter is least."""

import numpy as np

from beamreduce.encircled_energy.diameters import crossing_diameters_mm
from beamreduce.errors import MeasurementError
from beamreduce.image import Center, centroid
from beamreduce.image.center import fitting_radius, half_power_radius
from beamreduce.rings import overlap_sums

_GRID = np.linspace(-1.0, 1.0, 5)


def least_hpd(
    net: np.ndarray,
    variance: np.ndarray,
    rng: np.random.Generator,
    *,
    reference_px: float | None = None,
    replicates: int = 12,
) -> Center:
    """Return the center about which half the photons lie in the smallest circle.

    Parameters
    ----------
    net, variance
        Net photons and their variance a pixel.
    rng
        Random generator of the replicates that give the uncertainty.
    reference_px
        Reference radius of the HPD in pixels; the largest circle about the centroid
        where it is None or does not fit.
    replicates
        Images drawn about this one (normal with the variance of every pixel) whose
        scatter of centers is the uncertainty.

    Notes
    -----
    The HPD is evaluated with exact overlaps on a square grid of centers, 0.6 half-power
    radii to each side, and a paraboloid fitted to it gives the least; the grid then moves
    there, three times in all. A fit to 25 centers averages the ripple that counting noise
    puts on the HPD as a function of the center; a narrower grid would follow the ripple.

    Raises
    ------
    MeasurementError
        When the HPD has no least near the centroid.
    """
    start = centroid(net, variance, reference_px=reference_px)
    found = _least(net, start, reference_px)
    spread = np.sqrt(np.maximum(variance, 0.0))
    drawn = np.array(
        [
            _least(net + spread * rng.standard_normal(net.shape), start, reference_px)
            for _ in range(replicates)
        ]
    )
    sx, sy = drawn.std(axis=0, ddof=1)
    radius = half_power_radius(net, found, fitting_radius(net.shape, found, reference_px))
    return Center(
        x=found[0],
        y=found[1],
        x_uncertainty=float(sx),
        y_uncertainty=float(sy),
        half_power_radius=radius,
        rule="least_hpd",
    )


def _least(
    net: np.ndarray, start: Center, reference_px: float | None
) -> tuple[float, float]:
    x, y = start.xy
    reach = 0.6 * start.half_power_radius
    for _ in range(3):
        dx, dy = (d.ravel() for d in np.meshgrid(_GRID * reach, _GRID * reach))
        # Half of one and the same flux: a circle that moved with the center would reach
        # the frame's edge sooner, lose photons there and seem to hold them in less.
        reference = fitting_radius(net.shape, (x, y), reference_px)
        total = overlap_sums(net, (x, y), np.array([reference]))[0]
        if not total > 0:
            raise MeasurementError(
                f"the net photons about ({x:.1f}, {y:.1f}) are not distinguishable from "
                f'background; use center = "centroid" or give the center'
            )
        hpd = np.array(
            [
                _hpd_px(net, (x + a, y + b), start.half_power_radius, total)
                for a, b in zip(dx, dy, strict=True)
            ]
        )
        move = _bottom(dx, dy, hpd)
        size = float(np.hypot(*move))
        if size > 2 * reach:
            move *= 2 * reach / size
        x, y = float(x + move[0]), float(y + move[1])
    if np.hypot(x - start.x, y - start.y) > 2 * start.half_power_radius:
        raise MeasurementError(
            f"the HPD has no least near the centroid ({start.x:.1f}, {start.y:.1f}); "
            f'use center = "centroid" or give the center'
        )
    return x, y


def _hpd_px(net: np.ndarray, xy: tuple[float, float], size: float, total: float) -> float:
    radii = np.linspace(0.5, 2.0, 31) * size
    growth = np.append(overlap_sums(net, xy, radii), total)
    radii = np.append(radii, 2.5 * size)
    return float(crossing_diameters_mm(radii, growth[None, :], (0.5,))[0, 0])


def _bottom(dx: np.ndarray, dy: np.ndarray, hpd: np.ndarray) -> np.ndarray:
    """Least of a paraboloid fitted to the HPD over a grid of centers."""
    terms = np.stack([np.ones_like(dx), dx, dy, dx**2, dx * dy, dy**2], axis=1)
    _, bx, by, cxx, cxy, cyy = np.linalg.lstsq(terms, hpd, rcond=None)[0]
    curvature = np.array([[2 * cxx, cxy], [cxy, 2 * cyy]])
    if np.linalg.eigvalsh(curvature)[0] <= 0:
        raise MeasurementError(
            "the HPD has no least near the centroid; use "
            'center = "centroid" or give the center'
        )
    return -np.linalg.solve(curvature, np.array([bx, by]))
