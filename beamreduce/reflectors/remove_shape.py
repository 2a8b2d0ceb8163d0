"""The shape a reflector should have taken out of a map, spikes and drop-outs masked."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial import legendre

from beamreduce.errors import ReflectorError, SettingsError
from beamreduce.reflectors.height_map import FEWEST_PIXELS, HeightMap

# Powers of x and y that each shape is made of. The axis of a cylinder may lie any way in
# the map; the curvature of a cone changes along its axis, to first order linearly.
SHAPES = {
    "plane": ((0, 0), (1, 0), (0, 1)),
    "cylinder": ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2)),
    "cone": ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2), (2, 1), (1, 2)),
}
DEFAULT_SHAPE = "cylinder"
DEFAULT_OUTLIER_LIMIT = 6.0
_MAD_TO_SIGMA = 1.482602218505602  # of a normal law: 1/Φ⁻¹(3/4)
_ROUNDS = 8


@dataclass(frozen=True, kw_only=True)
class Residual:
    """What is left of a map when its shape is taken out.

    Parameters
    ----------
    map
        Heights above the shape; NaN where there was none, or an outlier. Mean zero.
    missing_fraction
        Share of the points that had no height.
    outlier_fraction
        Share of the points masked as spikes or drop-outs.
    shape
        Name of the shape.
    coefficients_nm
        Of the shape, by power of x and y: products of Legendre polynomials on −1…1 from
        edge to edge of the map.
    """

    map: HeightMap
    missing_fraction: float
    outlier_fraction: float
    shape: str
    coefficients_nm: dict[str, float]


def remove_shape(
    heights: HeightMap,
    *,
    shape: str = DEFAULT_SHAPE,
    outlier_limit: float = DEFAULT_OUTLIER_LIMIT,
) -> Residual:
    """Take piston, tilt and curvature out of a map by least squares, outliers masked.

    Parameters
    ----------
    heights
        The map as measured.
    shape
        ``plane`` (piston and tilt), ``cylinder`` (curvature too, its axis any way in the
        map) or ``cone`` (a curvature that changes along the axis).
    outlier_limit
        Points farther from the shape than this many standard deviations are masked; the
        standard deviation is that of a normal law with the same median absolute
        deviation. A normal law has one point in 5·10⁸ beyond 6.

    Raises
    ------
    ReflectorError
        When the map has too few heights to tell a shape from roughness.
    SettingsError
        When the shape is not known or the limit is below 3.
    """
    powers = _powers(shape)
    if not outlier_limit >= 3:
        raise SettingsError(f"outlier_limit must be at least 3; got {outlier_limit:g}")
    check_enough(heights)
    rows, columns = heights.height_nm.shape
    legendre_y, legendre_x = _polynomials(rows, powers), _polynomials(columns, powers)
    there = heights.good
    values = np.where(there, heights.height_nm, 0.0)
    # Heights from a far zero would lose digits in the products below.
    level = float(np.median(values[there]))
    values = np.where(there, values - level, 0.0)
    good = there
    for _ in range(_ROUNDS):
        coefficients = _fit((legendre_y, legendre_x), powers, values, good)
        residual = values - legendre_y.T @ coefficients @ legendre_x
        spread = _MAD_TO_SIGMA * float(np.median(np.abs(residual[good])))
        kept = there & (np.abs(residual) <= outlier_limit * spread) if spread > 0 else good
        if np.array_equal(kept, good):
            break
        good = kept
    left = np.where(good, residual, np.nan)
    left -= np.nanmean(left)
    left.setflags(write=False)
    coefficients[0, 0] += level
    return Residual(
        map=replace(heights, height_nm=left),
        missing_fraction=heights.missing_fraction,
        outlier_fraction=float(np.count_nonzero(there & ~good)) / there.size,
        shape=shape,
        coefficients_nm={f"x{i}y{j}": float(coefficients[j, i]) for i, j in powers},
    )


def check_enough(heights: HeightMap) -> None:
    """Refuse a map from which no roughness can be had.

    Raises
    ------
    ReflectorError
        When it is too small, or has too few heights.
    """
    rows, columns = heights.height_nm.shape
    if min(rows, columns) < FEWEST_PIXELS:
        raise ReflectorError(
            f"{heights.name}: found a map of {rows} × {columns} points; expected at least "
            f"{FEWEST_PIXELS} × {FEWEST_PIXELS}; measure a map instead"
        )
    count = int(np.count_nonzero(heights.good))
    if count < FEWEST_PIXELS**2:
        raise ReflectorError(
            f"{heights.name}: found {count or 'no'} heights in {rows * columns} points; "
            f"expected at least {FEWEST_PIXELS**2}; measure it again, with more light"
        )


def _powers(shape: str) -> tuple[tuple[int, int], ...]:
    if shape not in SHAPES:
        raise SettingsError(f"shape must be one of {', '.join(SHAPES)}; got {shape!r}")
    return SHAPES[shape]


def _polynomials(points: int, powers: tuple[tuple[int, int], ...]) -> np.ndarray:
    """Legendre polynomials at even steps from −1 to 1, shape (degrees, points)."""
    highest = max(max(pair) for pair in powers)
    return legendre.legvander(np.linspace(-1.0, 1.0, points), highest).T


def _fit(
    polynomials: tuple[np.ndarray, np.ndarray],
    powers: tuple[tuple[int, int], ...],
    values: np.ndarray,
    good: np.ndarray,
) -> np.ndarray:
    """Coefficients by least squares, shape (degrees of y, degrees of x).

    Products of polynomials in x and in y: sums over the map factor into two small matrix
    products, so memory does not grow with the number of terms.
    """
    along_y, along_x = polynomials
    degrees = len(along_y)
    pairs_y, pairs_x = (
        (part[:, np.newaxis] * part).reshape(degrees**2, -1) for part in polynomials
    )
    weights = good.astype(float)
    moments = (pairs_y @ weights @ pairs_x.T).reshape([degrees] * 4)
    products = along_y @ (weights * values) @ along_x.T
    matrix = np.array([[moments[j, m, i, k] for k, m in powers] for i, j in powers])
    right = np.array([products[j, i] for i, j in powers])
    solved, *_ = np.linalg.lstsq(matrix, right, rcond=None)
    coefficients = np.zeros((degrees, degrees))
    for (i, j), value in zip(powers, solved, strict=True):
        coefficients[j, i] = value
    return coefficients
