"""Rings about any center of one image, quickly enough to follow a hand that moves it.

The sums are the exact ones of :mod:`beamreduce.rings`. The covariance is taken as that of
rings that share no pixel: what pixels on a circle's edge add is left out, which changes the
uncertainty of a diameter by less than the share of its pixels that lie on the two circles.
"""

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.background import BackgroundRings, Polynomial
from beamreduce.background.model import draw
from beamreduce.image import FocalImage
from beamreduce.reduction.locate import Located
from beamreduce.rings import RingCounts, overlap_sums

_THREADS = 2  # the sums need no lock of Python's


@dataclass(frozen=True, kw_only=True)
class Surfaces:
    """What is summed in circles, worked out once for an image and its background.

    Parameters
    ----------
    image
        Photons a pixel, background still in.
    usable
        1 where a pixel counts and 0 elsewhere; None where all do.
    noise
        Variance a pixel of the net image, beyond that of the photons of the image.
    level
        Background photons a pixel: one number, or an image.
    modes, systematic_modes, model_modes
        Common changes of the level by one standard deviation.
    """

    image: FocalImage
    usable: np.ndarray | None
    noise: np.ndarray
    level: np.ndarray | float
    modes: tuple[np.ndarray | float, ...]
    systematic_modes: tuple[np.ndarray | float, ...]
    model_modes: tuple[np.ndarray | float, ...]


def surfaces_of(located: Located) -> Surfaces:
    """Return what rings of a located image are summed from."""
    image, background = located.image, located.background
    usable = image.usable

    def surface(values: Polynomial | np.ndarray | float) -> np.ndarray | float:
        if isinstance(values, Polynomial):
            if values.is_flat:
                return float(values.coefficients[0, 0])
            values = draw(values, image.shape)
        return values if np.isscalar(values) else np.where(usable, values, 0.0)

    noise = image.noise_variance + background.photon_variance
    return Surfaces(
        image=image,
        usable=None if usable.all() else usable.astype(float),
        noise=np.where(usable, noise - 2.0 * background.shared_variance, 0.0),
        level=surface(background.level),
        modes=tuple(surface(mode) for mode in background.modes),
        systematic_modes=tuple(surface(mode) for mode in background.systematic_modes),
        model_modes=tuple(surface(mode) for mode in background.model_modes),
    )


def quick_rings(
    surfaces: Surfaces, center_xy: tuple[float, float], radii: Quantity
) -> tuple[RingCounts, BackgroundRings]:
    """Count photons and background in rings about a center.

    Parameters
    ----------
    surfaces
        Of the image.
    center_xy
        Center in pixels.
    radii
        Outer radii of the rings, rising lengths.
    """
    image = surfaces.image
    radii_px = radii.to_value(u.mm) / image.pixel_mm
    box, middle = _box_about(image.shape, center_xy, radii_px[-1])

    def sums(values: np.ndarray) -> np.ndarray:
        return np.diff(overlap_sums(values[box], middle, radii_px), prepend=0.0)

    area = np.pi * np.diff(radii_px**2, prepend=0.0)
    images = [image.photons, surfaces.noise]
    images += [] if surfaces.usable is None else [surfaces.usable]
    kinds = (surfaces.modes, surfaces.systematic_modes, surfaces.model_modes)
    common = [surfaces.level, *(mode for kind in kinds for mode in kind)]
    images += [values for values in common if not np.isscalar(values)]
    with ThreadPoolExecutor(_THREADS) as pool:
        photons, noise, *others = pool.map(sums, images)
    covered = area if surfaces.usable is None else others.pop(0)
    level, *modes = (
        values * covered if np.isscalar(values) else others.pop(0) for values in common
    )
    rings = RingCounts(
        radius_mm=radii_px * image.pixel_mm,
        photons=photons,
        poisson_part=np.maximum(photons, 0.0),
        covariance=np.diag(np.maximum(image.variance_per_photon * photons + noise, noise)),
        covered_px=covered,
        pixel_mm=image.pixel_mm,
        detector_distance_mm=image.distance_mm,
    )
    statistical, systematic, model = _divided(modes, [len(kind) for kind in kinds])
    background = BackgroundRings(
        photons=level,
        covariance=np.zeros((area.size, area.size)),  # it is in that of the image
        modes=np.array(statistical).reshape(-1, area.size),
        systematic_modes=np.array(systematic).reshape(-1, area.size),
        model_modes=np.array(model).reshape(-1, area.size),
    )
    return rings, background


def _divided(rows: Sequence[np.ndarray], counts: Sequence[int]) -> list[list[np.ndarray]]:
    ends = np.cumsum(counts)
    return [list(rows[end - count : end]) for end, count in zip(ends, counts, strict=True)]


def _box_about(
    shape: tuple[int, int], center_xy: tuple[float, float], radius_px: float
) -> tuple[tuple[slice, slice], tuple[float, float]]:
    """Return the part of an image that a circle touches, and the center in it."""
    spans = [
        slice(
            max(math.floor(middle - radius_px) - 1, 0),
            min(math.ceil(middle + radius_px) + 2, length),
        )
        for middle, length in zip(center_xy, shape[::-1], strict=True)
    ]
    columns, rows = spans
    x, y = center_xy
    return (rows, columns), (x - columns.start, y - rows.start)
