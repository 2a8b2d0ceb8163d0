"""Photons in rings outside the core, counted by the middles of pixels.

Each pixel belongs to one ring, so rings are independent of each other, and the model of
a ring is summed over the very pixels that were counted, whatever the mask has taken
away. Exact overlaps would add nothing but correlation.
"""

from dataclasses import dataclass

import numpy as np

from beamreduce.background.blocks import LEAST_PHOTONS
from beamreduce.background.model import Background, draw
from beamreduce.background.pixels import checked_center, distance_px, plain_pixels
from beamreduce.image.focal_image import FocalImage

_FINE_PX = 0.5  # width of the rings that shapes are summed over
_RATIO = 1.06  # of the radii of a ring; a wing r^-3 falls by a sixth in it
_LEAST_RINGS = 8


@dataclass(frozen=True, kw_only=True)
class WingRings:
    """Fine rings about a center.

    Parameters
    ----------
    radius_px, area_px
        Mean distance of the pixels of each ring, and their number; shape (n,).
    photons
        Photons in each ring, without the known background where there is one.
    known
        Photons of the known background that were taken off; 0 where there is none.
    noise
        Variance of ``photons`` that does not come from photons of the image.
    templates
        What one standard deviation of each mode of the known background puts into each
        ring, shape (modes, n).
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
        Where to end. None: all pixels whose opposite, seen from the center, lies in the
        frame too. Their corners reach out farther than the largest circle, where level
        and wing are told apart best, and a linear gradient still cancels in every ring.
    known
        Background to take off, with its modes as templates.
    """
    distance = distance_px(image.shape, center_xy)
    kept = plain_pixels(image) & _with_opposite(image.shape, center_xy)
    if outer_px is not None:
        kept &= distance < outer_px
    ring = (distance[kept] / _FINE_PX).astype(np.intp)
    area = np.bincount(ring)
    there = area > 0

    def count(values: np.ndarray) -> np.ndarray:
        return np.bincount(ring, weights=values[kept])[there]

    level = np.zeros(image.shape) if known is None else known.level_image(image.shape)
    extra = 0.0 if known is None else known.photon_variance
    modes = () if known is None else known.modes + known.model_modes
    return WingRings(
        radius_px=count(distance) / area[there],
        area_px=area[there].astype(float),
        photons=count(image.photons - level),
        known=count(level),
        noise=count(np.broadcast_to(image.noise_variance + extra, image.shape)),
        templates=np.array([count(draw(mode, image.shape)) for mode in modes]).reshape(
            len(modes), np.count_nonzero(there)
        ),
        variance_per_photon=image.variance_per_photon,
        pixel_mm=image.pixel_mm,
    )


def _with_opposite(shape: tuple[int, int], center_xy: tuple[float, float]) -> np.ndarray:
    x0, y0 = checked_center(shape, center_xy)
    half_x = min(x0, shape[1] - 1 - x0) + 0.5
    half_y = min(y0, shape[0] - 1 - y0) + 0.5
    near_x = np.abs(np.arange(shape[1]) - x0) < half_x
    near_y = np.abs(np.arange(shape[0]) - y0) < half_y
    return near_y[:, None] & near_x
