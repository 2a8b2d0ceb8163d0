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
    distance = distance_px(image.shape, center_xy)
    inside = _share_in_rectangle(image.shape, center_xy)
    kept = plain_pixels(image) & (inside > 0)
    if outer_px is not None:
        kept &= distance < outer_px
    ring = (distance[kept] / _FINE_PX).astype(np.intp)
    share = inside[kept]
    del inside
    area = np.bincount(ring, weights=share)
    there = area > 0

    def count(values: np.ndarray) -> np.ndarray:
        weighted = values[kept]
        weighted *= share
        return np.bincount(ring, weights=weighted)[there]

    area_px = area[there]
    radius_px = count(distance) / area_px
    del distance
    level = np.zeros(image.shape) if known is None else known.level_image(image.shape)
    known_photons = count(level)
    extra = 0.0
    if known is not None:
        extra = known.photon_variance - 2.0 * known.shared_variance
    modes = ()
    if known and known.method in _APART:
        modes = known.modes + known.systematic_modes + known.model_modes
    return WingRings(
        radius_px=radius_px,
        area_px=area_px,
        photons=count(image.photons) - known_photons,
        known=known_photons,
        noise=count(np.broadcast_to(image.noise_variance + extra, image.shape)),
        templates=np.array([count(draw(mode, image.shape)) for mode in modes]).reshape(
            len(modes), np.count_nonzero(there)
        ),
        free=area_px * _free_shapes(radius_px, known),
        variance_per_photon=image.variance_per_photon,
        pixel_mm=image.pixel_mm,
    )


def _free_shapes(radius_px: np.ndarray, known: Background | None) -> np.ndarray:
    if known is not None and known.method in _APART:
        return np.zeros((0, radius_px.size))
    flat = np.ones_like(radius_px)
    if known is None or known.method != "surface":
        return flat[None]
    return np.stack([flat, (radius_px / radius_px.max(initial=1.0)) ** 2])


def _share_in_rectangle(
    shape: tuple[int, int], center_xy: tuple[float, float]
) -> np.ndarray:
    """Return the part of each pixel in the largest rectangle about the center."""
    center = checked_center(shape, center_xy)
    along = []
    for length, middle in zip(shape[::-1], center, strict=True):
        half = min(middle, length - 1 - middle) + 0.5
        offset = np.abs(np.arange(length) - middle)
        along.append(np.clip(half + 0.5 - offset, 0.0, 1.0))
    return along[1][:, None] * along[0]
