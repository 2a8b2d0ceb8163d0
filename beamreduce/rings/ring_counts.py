"""Photons in rings about a center, unnormalised, with their covariance.

Everything downstream works from these; nothing there asks for pixels.
"""

from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.errors import SettingsError
from beamreduce.image import FocalImage
from beamreduce.rings.plan import RingPlan, plan_rings
from beamreduce.units import convert, positive_in


@dataclass(frozen=True, kw_only=True)
class RingCounts:
    """Photons in rings, background still in.

    Parameters
    ----------
    radius_mm
        Outer radius of each ring, shape (n,); the innermost ring is a disc.
    photons
        Photons in each ring, shape (n,); background still in.
    poisson_part
        The part of ``photons`` that follows a Poisson law ring by ring (pixels that
        only one ring has, each photon counting once), shape (n,), never below zero.
    covariance
        Covariance of ``photons``, shape (n, n): photons, their charge statistics,
        detector noise, and the pixels that neighbouring rings share.
    covered_px
        Area of usable pixels in each ring, in pixels, shape (n,).
    pixel_mm
        Side of a pixel; 0 where photons have positions rather than pixels.
    detector_distance_mm
        Distance of the detector from the reference plane.
    """

    radius_mm: np.ndarray
    photons: np.ndarray
    poisson_part: np.ndarray
    covariance: np.ndarray
    covered_px: np.ndarray
    pixel_mm: float
    detector_distance_mm: float

    @property
    def area_px(self) -> np.ndarray:
        """Full area of each ring in pixels (mm² where there are no pixels)."""
        unit = self.pixel_mm if self.pixel_mm > 0 else 1.0
        return np.pi * np.diff((self.radius_mm / unit) ** 2, prepend=0.0)

    @property
    def covered_fraction(self) -> np.ndarray:
        """Share of each ring that usable pixels cover."""
        return self.covered_px / self.area_px


def plan_for(
    image: FocalImage, center_xy: tuple[float, float], radii: Quantity
) -> RingPlan:
    """Work out which ring every pixel of an image lies in; ``radii`` are lengths."""
    radii_mm = convert(radii, u.mm, name="radii").value
    return plan_rings(image.shape, center_xy, np.atleast_1d(radii_mm) / image.pixel_mm)


def count_in_image(image: FocalImage, plan: RingPlan) -> RingCounts:
    """Count the photons of an image in planned rings.

    Parameters
    ----------
    image
        Photons a pixel, background still in.
    plan
        From :func:`plan_for`.

    Notes
    -----
    ``cov[j, k] = Σ share_j share_k (v photons + noise)`` over pixels, with ``v`` the
    variance that each photon brings. The photons enter unclipped, so that sums over
    rings are unbiased even where noise makes single pixels negative.
    """
    usable = image.usable
    noise = np.where(usable, image.noise_variance, 0.0)
    covariance = plan.covariance(image.variance_per_photon * image.photons + noise)
    whole = plan.whole_pixel_sums(image.photons)
    floor = plan.covariance(noise).diagonal()
    at = np.arange(whole.size)
    covariance[at, at] = np.maximum(covariance.diagonal(), floor)
    return RingCounts(
        radius_mm=plan.radii_px * image.pixel_mm,
        photons=plan.sums(image.photons),
        poisson_part=np.maximum(whole, 0.0),
        covariance=covariance,
        covered_px=plan.sums(usable),
        pixel_mm=image.pixel_mm,
        detector_distance_mm=image.distance_mm,
    )


def count_photons(
    offsets: Quantity, radii: Quantity, *, detector_distance: Quantity
) -> RingCounts:
    """Count photons with known positions in rings.

    Parameters
    ----------
    offsets
        Distance of each photon from the center, shape (photons,), a length.
    radii
        Outer radii of the rings in rising order from above zero, a length.
    detector_distance
        From the reference plane to the detector.

    Raises
    ------
    SettingsError
        When radii do not rise from above zero, or an offset is below zero.
    """
    radii_mm = np.atleast_1d(convert(radii, u.mm, name="radii").value)
    if radii_mm[0] <= 0 or np.any(np.diff(radii_mm) <= 0):
        raise SettingsError("radii must rise from above zero")
    offsets_mm = convert(offsets, u.mm, name="offsets").value
    if np.any(offsets_mm < 0):
        raise SettingsError(
            f"offsets are distances from the center, not below zero; "
            f"got {offsets_mm.min():g} mm"
        )
    edges = np.concatenate([[0.0], radii_mm])
    counts = np.histogram(offsets_mm, bins=edges)[0].astype(float)
    return RingCounts(
        radius_mm=radii_mm,
        photons=counts,
        poisson_part=counts,
        covariance=np.diag(counts),
        covered_px=np.pi * np.diff(edges**2),
        pixel_mm=0.0,
        detector_distance_mm=positive_in(detector_distance, u.mm, name="detector_distance"),
    )
