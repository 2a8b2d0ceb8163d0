"""What the detector could not hold: saturated cores and images cut by its edge."""

import astropy.units as u
import numpy as np

from beamreduce.background import NetImage
from beamreduce.beamline import image_distance
from beamreduce.errors import MeasurementError
from beamreduce.frame import MasterCache, gather_masters
from beamreduce.image import FocalImage, pedestal_of, safe_exposure_time
from beamreduce.reduction.locate import Located
from beamreduce.reduction.request import MeasureRequest

_SIGNIFICANT = 5.0  # standard deviations
_WORTH_SAYING = 1e-3  # of the net photons
_LEAST_REFERENCE = 2.0  # pixels


def saturated_inside(
    image: FocalImage, center_xy: tuple[float, float], radius_px: float
) -> bool:
    """True when any saturated pixel touches a circle about the center."""
    if not image.saturated.any():
        return False
    y, x = np.nonzero(image.saturated)
    distance = np.hypot(x - center_xy[0], y - center_xy[1])
    return bool(np.any(distance < radius_px + np.sqrt(0.5)))


def checked_reference_mm(
    request: MeasureRequest, located: Located, reference_mm: float
) -> float:
    """Return a reference radius that fits the frame and spans more than one pixel.

    Raises
    ------
    MeasurementError
        When it does not; light inside a pixel cannot be told apart.
    """
    center, largest_mm = located.center, located.largest_radius_mm
    about = f"about the center ({center.x:.1f}, {center.y:.1f})"
    if reference_mm > largest_mm * (1 + 1e-9):
        raise MeasurementError(
            f"found a reference_radius of {reference_mm:g} mm, beyond the frame; expected "
            f"at most {largest_mm:.4g} mm {about}; lower [reduction] reference_radius"
            f"{_out_of_focus(request, reference_mm)}"
        )
    least_mm = _LEAST_REFERENCE * located.image.pixel_mm
    if reference_mm < least_mm:
        raise MeasurementError(
            f"found a reference_radius of {reference_mm:g} mm {about}; expected at least "
            f"{_LEAST_REFERENCE:g} pixels, {least_mm:g} mm; raise [reduction] "
            f"reference_radius, or move the image away from the edge of the detector"
        )
    return reference_mm


def _out_of_focus(request: MeasureRequest, reference_mm: float) -> str:
    """Say so when the outer nestings' light is a ring that the circle hardly holds."""
    mirror, facility = request.setup.mirror, request.setup.facility
    if facility.source_distance <= mirror.focal_length:
        return ""
    image_mm = image_distance(
        source_distance=facility.source_distance, focal_length=mirror.focal_length
    ).to_value(u.mm)
    away_mm = float(request.inputs.detector_distance.to_value(u.mm) - image_mm)
    ring_mm = float(mirror.outer_radius.to_value(u.mm)) * abs(away_mm) / image_mm
    if ring_mm < reference_mm / 2:
        return ""
    return (
        f"; the detector stands {abs(away_mm):.4g} mm out of focus, where the light of the "
        f"outer nestings is a ring of radius {ring_mm:.3g} mm: expose nearer to the image"
    )


def saturation_note(
    request: MeasureRequest, located: Located, masters: MasterCache | None = None
) -> str | None:
    """Say why there is no HPD, and which exposure time would have been safe.

    None when no saturated pixel touches the half-power circle.

    Parameters
    ----------
    request, located
        The exposures and their image.
    masters
        Masters of earlier calls, to know the pedestal from; None to make them anew.
    """
    center = located.center
    if not saturated_inside(located.image, center.xy, center.half_power_radius):
        return None
    detector = request.inputs.detector
    longest = max(request.inputs.beam, key=lambda row: row.exposure.exposure_time)
    found = gather_masters(longest, folder=request.folder, detector=detector, cache=masters)
    safe = safe_exposure_time(
        located.image,
        detector=detector,
        frame_time=longest.exposure.exposure_time,
        pedestal=pedestal_of(found),
    )
    count = int(located.image.saturated.sum())
    return (
        f"{count} saturated pixels, some inside the half-power circle, so no diameter and "
        f"no area can be had; an exposure time of about {safe:.3g} would have been safe"
    )


def cut_at_edges(net: NetImage) -> dict[str, float]:
    """Return the share of the net photons at each side of the frame that the image reaches.

    A strip along each side, a thirty-second of the frame wide, is compared with its
    noise; what lies beyond is at least of the size of what lies in the strip.
    """
    edge = _strip(net)
    ny, nx = net.photons.shape
    strips = {
        "x = 0": np.s_[:, :edge],
        f"x = {nx - 1}": np.s_[:, -edge:],
        "y = 0": np.s_[:edge, :],
        f"y = {ny - 1}": np.s_[-edge:, :],
    }
    total, variance = net.photons.sum(), net.variance
    cut = {}
    for side, strip in strips.items():
        photons = net.photons[strip].sum()
        noise = np.sqrt(variance[strip].sum())
        if photons > _SIGNIFICANT * noise and photons > _WORTH_SAYING * total:
            cut[side] = float(photons / total)
    return cut


def edge_warning(net: NetImage, pixel_mm: float) -> str | None:
    """Say when the image reaches the edge of the frame, and how much may be missing."""
    cut = cut_at_edges(net)
    if not cut:
        return None
    sides = ", ".join(f"{side} ({share:.1%})" for side, share in cut.items())
    return (
        f"the image reaches the edge of the detector at {sides} of the net photons in a "
        f"strip of {_strip(net) * pixel_mm:.3g} mm; at least as much may be missing beyond"
    )


def _strip(net: NetImage) -> int:
    """Width of the strip along each side, in pixels."""
    return max(min(net.photons.shape) // 32, 1)
