"""Background as a smooth surface fitted to block sums beside the image."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.background.blocks import (
    LEAST_PHOTONS,
    BlockSums,
    block_sums,
    box_for,
    excess_scatter,
    powers,
)
from beamreduce.background.model import Background, Polynomial
from beamreduce.background.pixels import (
    distance_px,
    plain_pixels,
    radius_in_px,
    sum_variance,
)
from beamreduce.errors import MeasurementError, SettingsError
from beamreduce.image.focal_image import FocalImage
from beamreduce.units import positive_in

HIGHEST_DEGREE = 2
_BLOCKS_A_TERM = 3  # fewer blocks for each coefficient do not show a bad fit
_TOLD_APART = 0.01  # rms change of the shapes over the blocks; 0.02 with corners only
_ITERATIONS = 50
_CONVERGED = 1e-10  # relative change of the expected block sums


@dataclass(frozen=True, kw_only=True)
class _Fit:
    degree: int
    coefficients: np.ndarray
    covariance: np.ndarray
    chi_square: float
    degrees_of_freedom: int


def from_surface(
    image: FocalImage,
    *,
    center_xy: tuple[float, float],
    source_radius: Quantity,
    box: Quantity | int | None = None,
    degree: int = HIGHEST_DEGREE,
) -> Background:
    """Fit a polynomial in x and y to sums over blocks outside a circle.

    Parameters
    ----------
    image
        Photons a pixel, background still in.
    center_xy
        Center of the masked circle in pixels.
    source_radius
        Radius of the masked circle, a length on the detector.
    box
        Side of the blocks, a length or pixels. Without it, or where it is too small, so
        large that every block expects at least 25 photons.
    degree
        Highest total degree of the polynomial, 0 to 2; lower when there are fewer than
        three blocks for each coefficient or they do not tell the coefficients apart, and
        then a note says so.

    Returns
    -------
    Background
        Modes are the eigenvectors of the covariance of the coefficients.

    Raises
    ------
    SettingsError
        When degree or box cannot be used.
    MeasurementError
        When the mask leaves too few photons or blocks.

    Notes
    -----
    Least squares with the variance that the fitted surface itself predicts, repeated
    until it stands still. Variances taken from the data would favour blocks that happen
    to be low: at 25 photons a block the level would come out one photon a block, 4 %,
    too low. For pure counting this solves the Poisson likelihood equations
    (Nelder & Wedderburn 1972, J. R. Stat. Soc. A 135, 370).
    """
    if degree not in range(HIGHEST_DEGREE + 1):
        raise SettingsError(f"degree of the surface must be 0, 1 or 2; got {degree!r}")
    radius_px = radius_in_px(source_radius, image, name="source_radius")
    chosen = distance_px(image.shape, center_xy) > radius_px
    box_px, notes = _box(image, chosen, box)
    blocks = block_sums(image, chosen, box_px, degree=degree)
    fit = _fit_supported(blocks, degree, image.variance_per_photon)
    if fit.degree < degree:
        notes["background_degree"] = (
            f"{blocks.photons.size} blocks do not support degree {degree}; "
            f"degree {fit.degree} used"
        )
    excess = excess_scatter(fit.chi_square, fit.degrees_of_freedom)
    notes["background_fit"] = (
        f"surface of degree {fit.degree} to {blocks.photons.size} blocks of {box_px} "
        f"pixels a side: chi-square {fit.chi_square:.1f} for "
        f"{fit.degrees_of_freedom} degrees of freedom"
    )
    if excess:
        notes["background_fit"] += (
            "; the surface does not describe them, its uncertainty is enlarged (model)"
        )
    modes = _modes(fit, image.shape)
    return Background(
        method="surface",
        level=_polynomial(fit.coefficients, fit.degree, image.shape),
        modes=modes,
        model_modes=tuple(
            Polynomial(excess * mode.coefficients, image.shape) for mode in modes
        )
        if excess
        else (),
        notes=notes,
    )


def _box(
    image: FocalImage, chosen: np.ndarray, box: Quantity | int | None
) -> tuple[int, dict[str, str]]:
    """Return the side of the blocks in pixels, and a note when the setting was raised."""
    counted = chosen & plain_pixels(image)
    photons = float(np.sum(image.photons, where=counted))
    if photons < LEAST_PHOTONS:
        raise MeasurementError(
            f"a background surface needs at least {LEAST_PHOTONS} photons beside the "
            f"image; found {photons:.1f}: use the method annulus or exposure"
        )
    least = box_for(photons / np.count_nonzero(counted))
    if box is None:
        return least, {}
    if isinstance(box, Quantity):
        wanted = round(positive_in(box, u.mm, name="surface_box") / image.pixel_mm)
    else:
        wanted = int(box)
    if wanted < 1:
        raise SettingsError(f"surface_box must be at least one pixel; got {box}")
    if wanted >= least:
        return wanted, {}
    return least, {
        "background_box": f"surface_box of {wanted} pixels raised to {least}, so that "
        f"every block expects {LEAST_PHOTONS} photons"
    }


def _fit_supported(blocks: BlockSums, degree: int, variance_per_photon: float) -> _Fit:
    """Fit with the highest degree that the number of blocks supports."""
    n = blocks.photons.size
    if n < 1:
        raise MeasurementError(
            "no block beside the image is half free; use a smaller source_radius "
            "([reduction] annulus_inner) or surface_box, or another background method"
        )
    while degree > 0 and not _supports(blocks, degree):
        degree -= 1
    return _fit(blocks, degree, variance_per_photon)


def _supports(blocks: BlockSums, degree: int) -> bool:
    terms = len(powers(degree))
    if blocks.photons.size < _BLOCKS_A_TERM * terms:
        return False
    # A single row of blocks, say, tells nothing of a slope across it.
    shapes = blocks.moments[:, :terms] / blocks.moments[:, :1]
    return (
        np.linalg.matrix_rank(shapes, tol=_TOLD_APART * np.sqrt(shapes.shape[0])) == terms
    )


def _fit(blocks: BlockSums, degree: int, variance_per_photon: float) -> _Fit:
    design = blocks.moments[:, : len(powers(degree))]
    expected = design[:, 0] * (blocks.photons.sum() / design[:, 0].sum())
    for _ in range(_ITERATIONS):
        variance = sum_variance(expected, blocks.noise, variance_per_photon)
        weighted = design / variance[:, None]
        covariance = np.linalg.inv(design.T @ weighted)
        coefficients = covariance @ (weighted.T @ blocks.photons)
        before, expected = expected, design @ coefficients
        if np.allclose(before, expected, rtol=_CONVERGED, atol=0.0):
            break
    residual = blocks.photons - expected
    return _Fit(
        degree=degree,
        coefficients=coefficients,
        covariance=covariance,
        chi_square=float(np.sum(residual**2 / variance)),
        degrees_of_freedom=residual.size - coefficients.size,
    )


def _polynomial(terms: np.ndarray, degree: int, shape: tuple[int, int]) -> Polynomial:
    table = np.zeros((degree + 1, degree + 1))
    for term, (i, j) in zip(terms, powers(degree), strict=True):
        table[j, i] = term
    return Polynomial(table, shape)


def _modes(fit: _Fit, shape: tuple[int, int]) -> tuple[Polynomial, ...]:
    """Split the covariance of the coefficients into independent changes of the surface."""
    values, vectors = np.linalg.eigh(fit.covariance)
    sizes = np.sqrt(np.maximum(values, 0.0))
    return tuple(
        _polynomial(size * vector, fit.degree, shape)
        for size, vector in zip(sizes, vectors.T, strict=True)
    )
