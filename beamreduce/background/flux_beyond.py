"""Flux of the image beyond the reference radius, estimated from its wing."""

import math
from dataclasses import dataclass, replace

import numpy as np
from astropy.units import Quantity

from beamreduce.background.blocks import excess_scatter
from beamreduce.background.exponential_wing import exponential_beyond
from beamreduce.background.model import Background, Polynomial, draw
from beamreduce.background.pixels import checked_center, radius_in_px
from beamreduce.background.wing_model import WingModel
from beamreduce.background.wing_rings import WingRings, wing_rings
from beamreduce.background.wing_starts import LEAST_REACH, combined, fit_from_starts
from beamreduce.image.center import largest_radius
from beamreduce.image.focal_image import FocalImage
from beamreduce.record.uncertain import Uncertain
from beamreduce.rings import overlap_sums

_START = 0.5  # of the reference radius, where the wing fit begins


@dataclass(frozen=True, kw_only=True)
class FluxBeyond:
    """Flux beyond the reference radius.

    Parameters
    ----------
    fraction
        As a fraction of the net flux inside; None when it cannot be had.
    note
        How it was found, or why not.
    wing
        The fitted wing; None when there was none to fit.
    """

    fraction: Uncertain | None
    note: str
    wing: WingModel | None = None


def flux_beyond_reference(
    image: FocalImage,
    background: Background,
    *,
    center_xy: tuple[float, float],
    reference_radius: Quantity,
) -> FluxBeyond:
    """Estimate the flux from the reference radius to infinity.

    Parameters
    ----------
    image
        Photons a pixel, background still in.
    background
        Found by any method.
    center_xy
        Center in pixels.
    reference_radius
        Where the encircled energy is set to one, a length on the detector.

    Returns
    -------
    FluxBeyond
        Statistical: photons and background with a wing shape given; model: spread among
        wing shapes and start radii. When the rings do not show a wing the value is 0
        with the root mean square of what they allow. None for a wing that falls no
        faster than r^-2, whose flux has no end.

    Notes
    -----
    Wing shapes as in :func:`beamreduce.background.from_wings`, fitted from half the
    reference radius outward to the rings without background. Beam-off exposures bring
    their level and its uncertainty as prior knowledge; a level that was taken from the
    image itself may hold part of the wing and is fitted again together with it.
    """
    reference_px = radius_in_px(reference_radius, image, name="reference_radius")
    inside = _flux_inside(image, background, center_xy, reference_px)
    if inside.value <= 0:
        return FluxBeyond(fraction=None, note="no net photons inside the reference radius")
    rings = wing_rings(image, center_xy=center_xy, outer_px=None, known=background)
    start_px = _START * reference_px
    if not rings.radius_px.size or rings.radius_px[-1] < LEAST_REACH * start_px:
        return FluxBeyond(
            fraction=None,
            note="the frame does not reach far enough beyond the core to see a wing",
        )
    fits = fit_from_starts(rings, start_px)
    beyond = _from_fits(fits.chosen, fits.others, inside, reference_radius)
    beyond = _with_what_shapes_leave_open(beyond, image, rings, center_xy, reference_px)
    if background.method not in ("exposure", "none"):  # taken from the same rings
        return beyond
    return _held_to_rings(beyond, image, background, center_xy, (reference_px, inside))


def _with_what_shapes_leave_open(
    beyond: FluxBeyond,
    image: FocalImage,
    rings: WingRings,
    center_xy: tuple[float, float],
    reference_px: float,
) -> FluxBeyond:
    """Add the difference to an exponential wing, and all that lies outside the frame.

    A power law and an exponential that describe the same rings may differ by a factor of
    several beyond them; of light outside the frame nothing was seen at all.
    """
    wing, fraction = beyond.wing, beyond.fraction
    if wing is None or fraction is None or not wing.detected or not fraction.value > 0:
        return beyond
    whole = wing.photons_beyond(reference_px * image.pixel_size)
    outer_px = largest_radius(image.shape, center_xy)
    outside = wing.photons_beyond(max(outer_px, reference_px) * image.pixel_size)
    if whole is None or outside is None or not whole.value > 0:
        return beyond
    open_parts = [outside.value / whole.value]
    other = exponential_beyond(rings.beyond(_START * reference_px), reference_px)
    if other is not None:
        open_parts.append(1 - other / whole.value)
    spread = fraction.value * math.hypot(*open_parts)
    return replace(
        beyond, fraction=replace(fraction, model=math.hypot(fraction.model, spread))
    )


def _held_to_rings(
    beyond: FluxBeyond,
    image: FocalImage,
    background: Background,
    center_xy: tuple[float, float],
    reference: tuple[float, Uncertain],
) -> FluxBeyond:
    """Compare the wing with the net photons from the reference radius to the frame.

    What lies there can be counted, if less precisely than the wing tells it. Where the two
    differ by more than the counting allows, the difference is model uncertainty.
    """
    reference_px, inside = reference
    outer_px = largest_radius(image.shape, center_xy)
    if beyond.fraction is None or beyond.wing is None or outer_px < 1.05 * reference_px:
        return beyond
    counted = _flux_inside(image, background, center_xy, outer_px, from_px=reference_px)
    pixel = image.pixel_size
    ends = [beyond.wing.photons_beyond(r * pixel) for r in (reference_px, outer_px)]
    if ends[0] is None or ends[1] is None:
        return beyond
    gap = counted.value - (ends[0].value - ends[1].value)
    unexplained = math.sqrt(max(gap**2 - counted.uncertainty**2, 0.0)) / inside.value
    if unexplained == 0.0:
        return beyond
    return replace(
        beyond,
        fraction=replace(
            beyond.fraction, model=math.hypot(beyond.fraction.model, unexplained)
        ),
        note=f"{beyond.note}; between reference radius and frame "
        f"{counted.value / inside.value:.3g} of the flux inside were counted",
    )


def _from_fits(
    wing: WingModel,
    others: tuple[WingModel, ...],
    inside: Uncertain,
    reference_radius: Quantity,
) -> FluxBeyond:
    photons = wing.photons_beyond(reference_radius)
    if photons is None:
        return FluxBeyond(
            fraction=None,
            note=f"the wing falls as r^-{wing.mean_exponent:.1f}; the flux beyond the "
            f"reference radius has no end when it falls no faster than r^-2",
            wing=wing,
        )
    if not wing.detected:
        note = "the rings show no wing; 0 with what they allow as its uncertainty"
    else:
        further = (other.photons_beyond(reference_radius) for other in others)
        photons = combined(photons, tuple(p for p in further if p is not None))
        note = (
            f"wing fitted from {wing.start_px * wing.pixel_mm:.4g} mm outward, falling "
            f"as r^-{wing.mean_exponent:.2f}, taken to infinity"
        )
    excess = excess_scatter(wing.chi_square, wing.degrees_of_freedom)
    if excess:
        note += "; no wing describes the rings, the uncertainty is enlarged (model)"
    fraction = photons.value / inside.value
    return FluxBeyond(
        fraction=Uncertain(
            value=fraction,
            statistical=math.hypot(photons.statistical, fraction * inside.statistical)
            / inside.value,
            systematic=fraction * inside.systematic / inside.value,
            model=math.hypot(
                photons.model, excess * photons.statistical, fraction * inside.model
            )
            / inside.value,
        ),
        note=note,
        wing=wing,
    )


def _flux_inside(
    image: FocalImage,
    background: Background,
    center_xy: tuple[float, float],
    radius_px: float,
    *,
    from_px: float = 0.0,
) -> Uncertain:
    """Return the net photons of usable pixels inside a circle, or between two."""
    center = checked_center(image.shape, center_xy)
    usable = image.usable

    def inside(values: Polynomial | np.ndarray | float) -> float:
        surface = (
            draw(values, image.shape)
            if isinstance(values, Polynomial)
            else np.broadcast_to(values, image.shape)
        )
        used = np.where(usable, surface, 0.0)
        sums = overlap_sums(used, center, np.array([from_px, radius_px]))
        return float(sums[1] - sums[0])

    photons = inside(image.photons)
    noise = inside(image.noise_variance) + inside(background.photon_variance)
    noise -= 2.0 * inside(background.shared_variance)
    variance = image.variance_per_photon * photons + noise
    return Uncertain(
        value=photons - inside(background.level),
        statistical=math.hypot(
            math.sqrt(max(variance, 0.0)), *(inside(mode) for mode in background.modes)
        ),
        systematic=math.hypot(*(inside(mode) for mode in background.systematic_modes)),
        model=math.hypot(*(inside(mode) for mode in background.model_modes)),
    )
