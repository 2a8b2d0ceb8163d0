"""Photons in rings outside the core, counted by the middles of pixels.

Each pixel belongs to one ring, so rings are independent of each other, and the model of
a ring is summed over the very pixels that were counted, whatever the mask has taken
away. Exact overlaps would add nothing but correlation.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from beamreduce.background.blocks import LEAST_PHOTONS
from beamreduce.background.model import Background, Polynomial
from beamreduce.background.pixels import checked_center
from beamreduce.image.focal_image import FocalImage

_FINE_PX = 0.5  # width of the rings that shapes are summed over
_RATIO = 1.06  # of the radii of a ring; a wing r^-3 falls by a sixth in it
_LEAST_RINGS = 8
_ROWS_AT_ONCE = 128
_APART = ("exposure", "none")  # methods that do not take the level from the image itself


@dataclass(frozen=True, kw_only=True)
class WingRings:
    """Fine rings about a center.

    Parameters
    ----------
    radius_px, area_px
        Mean distance of the pixels of each ring, and their area in pixels; shape (n,).
    photons
        Photons in each ring, without the known background where there is one.
    known
        Photons of the known background that were taken off; 0 where there is none.
    noise
        Variance of ``photons`` that does not come from photons of the image.
    templates
        What one standard deviation of each mode of the known background puts into each
        ring, shape (modes, n).
    free
        What may be added without limit, photons in each ring, shape (0 to 2, n): a flat
        level of one photon a pixel first, then a round curvature.
    variance_per_photon
        Variance that each photon brings.
    pixel_mm
        Side of a pixel.
    """

    radius_px: np.ndarray
    area_px: np.ndarray
    photons: np.ndarray
    known: np.ndarray
    noise: np.ndarray
    templates: np.ndarray
    free: np.ndarray
    variance_per_photon: float
    pixel_mm: float

    def beyond(self, start_px: float) -> "WingRings":
        """Return the rings that lie beyond a radius."""
        kept = self.radius_px >= start_px
        return WingRings(
            radius_px=self.radius_px[kept],
            area_px=self.area_px[kept],
            photons=self.photons[kept],
            known=self.known[kept],
            noise=self.noise[kept],
            templates=self.templates[:, kept],
            free=self.free[:, kept],
            variance_per_photon=self.variance_per_photon,
            pixel_mm=self.pixel_mm,
        )

    def joined(self) -> np.ndarray:
        """Return where wider rings start that are fit to be fitted.

        Each has a ratio of radii of at least 1.06 and expects at least 25 photons, or an
        eighth of what there is.
        """
        total = float((self.photons + self.known).sum())
        mean = max(total, 1.0) / self.area_px.sum()
        least_area = min(LEAST_PHOTONS, total / _LEAST_RINGS) / mean
        starts, area = [0], 0.0
        for k in range(self.radius_px.size):
            wide = self.radius_px[k] >= _RATIO * self.radius_px[starts[-1]]
            if wide and area >= least_area:
                starts.append(k)
                area = 0.0
            area += self.area_px[k]
        return np.array(starts)


def wing_rings(
    image: FocalImage,
    *,
    center_xy: tuple[float, float],
    outer_px: float | None,
    known: Background | None = None,
) -> WingRings:
    """Count an image in fine rings.

    Parameters
    ----------
    image
        Photons a pixel, background still in.
    center_xy
        Center in pixels.
    outer_px
        Where to end. None: the largest rectangle about the center inside the frame. Its
        corners reach out farther than the largest circle, where level and wing are told
        apart best, and a linear gradient still cancels. Pixels on its border count with
        the share that lies inside: half a pixel more on one side would let 0.1 % of a
        steep gradient through.
    known
        Background to take off. Beam-off exposures bring what is known of their level as
        templates. A level from the image itself was found under the same wing and may
        hold part of it, so it is left free; a surface is left free to bend, too.
    """
    level = 0.0 if known is None else known.level
    extra = 0.0
    if known is not None:
        extra = known.photon_variance - 2.0 * known.shared_variance
    modes = ()
    if known and known.method in _APART:
        modes = known.modes + known.systematic_modes + known.model_modes
    summed = _in_fine_rings(
        image,
        (center_xy, outer_px),
        (image.photons, level, image.noise_variance, extra, *modes),
    )
    area_px, distance, photons, known_photons, noise, of_level, *templates = summed
    radius_px = distance / area_px
    return WingRings(
        radius_px=radius_px,
        area_px=area_px,
        photons=photons - known_photons,
        known=known_photons,
        noise=noise + of_level,
        templates=np.array(templates).reshape(len(modes), area_px.size),
        free=area_px * _free_shapes(radius_px, known),
        variance_per_photon=image.variance_per_photon,
        pixel_mm=image.pixel_mm,
    )


def _in_fine_rings(
    image: FocalImage,
    where: tuple[tuple[float, float], float | None],
    surfaces: Sequence[Polynomial | np.ndarray | float],
) -> np.ndarray:
    """Sum area, distance and surfaces over fine rings, shape (2 + surfaces, n).

    Some rows at a time, so that no image but those given is held.
    """
    center_xy, outer_px = where
    ny, nx = image.shape
    along_y, along_x = _share_in_rectangle(image.shape, center_xy)
    x0, y0 = checked_center(image.shape, center_xy)
    count = int(np.hypot(nx, ny) / _FINE_PX) + 1
    sums = np.zeros((2 + len(surfaces), count))
    for start in range(0, ny, _ROWS_AT_ONCE):
        rows = slice(start, start + _ROWS_AT_ONCE)
        distance = np.hypot(np.arange(nx) - x0, (np.arange(ny)[rows] - y0)[:, None])
        share = along_y[rows, None] * along_x
        kept = (image.flags[rows] == 0) & (share > 0)
        if outer_px is not None:
            kept &= distance < outer_px
        distance, share = distance[kept], share[kept]
        ring = (distance / _FINE_PX).astype(np.intp)
        sums[0] += np.bincount(ring, weights=share, minlength=count)
        sums[1] += np.bincount(ring, weights=share * distance, minlength=count)
        for total, surface in zip(sums[2:], surfaces, strict=True):
            values = _rows_of(surface, rows, image.shape)[kept]
            total += np.bincount(ring, weights=share * values, minlength=count)
    return sums[:, sums[0] > 0]


def _rows_of(
    surface: Polynomial | np.ndarray | float, rows: slice, shape: tuple[int, int]
) -> np.ndarray:
    if isinstance(surface, Polynomial):
        return surface.draw(rows)
    return np.broadcast_to(surface, shape)[rows]


def _free_shapes(radius_px: np.ndarray, known: Background | None) -> np.ndarray:
    if known is not None and known.method in _APART:
        return np.zeros((0, radius_px.size))
    flat = np.ones_like(radius_px)
    if known is None or known.method != "surface":
        return flat[None]
    return np.stack([flat, (radius_px / radius_px.max(initial=1.0)) ** 2])


def _share_in_rectangle(
    shape: tuple[int, int], center_xy: tuple[float, float]
) -> tuple[np.ndarray, np.ndarray]:
    """Return the part of each row and column in the largest rectangle about the center."""
    center = checked_center(shape, center_xy)
    along = []
    for length, middle in zip(shape[::-1], center, strict=True):
        half = min(middle, length - 1 - middle) + 0.5
        offset = np.abs(np.arange(length) - middle)
        along.append(np.clip(half + 0.5 - offset, 0.0, 1.0))
    return along[1], along[0]
