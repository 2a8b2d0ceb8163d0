"""How exactly alignment bars have to hold reflectors: what their errors do to the image.

A bar holds one end of all reflectors of a stage at one azimuth. Its grooves may be off
radially, and the bar itself may lean along the axis or be turned about it. At the bar a
reflector is where the groove is; between two bars it is taken to follow the straight line
between their errors. In the plane of reflection the image of that azimuth then moves: front
and rear off alike shift it a little, off by different amounts turn the surface, which moves
it by twice the angle.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity
from scipy.optimize import brentq
from scipy.special import erf

from beamreduce.errors import GeometryError, SettingsError
from beamreduce.mirror import Nesting, Prescription
from beamreduce.reflectors.folder import lit_area_cm2
from beamreduce.reflectors.scatter import IN_PLANE_HPD
from beamreduce.units import positive_in, value_in

ENDS = ("primary_front", "primary_rear", "secondary_front", "secondary_rear")
_RADIAN = math.degrees(1.0) * 3600.0
_STEP_MM = 1e-3
_POINTS = 12  # along a primary
# Between two bars: places, their weights, and how much of a bar's variance is there.
_BETWEEN, _WEIGHTS = np.polynomial.legendre.leggauss(24)
_BETWEEN, _WEIGHTS = (_BETWEEN + 1) / 2, _WEIGHTS / 2
_VARIANCE = (1 - _BETWEEN) ** 2 + _BETWEEN**2


@dataclass(frozen=True, kw_only=True)
class BarSensitivity:
    """What errors of the bars do to the image of one nesting.

    Parameters
    ----------
    nesting
        Its number.
    radius_mm
        At the reference plane.
    shift_arcsec_per_um
        By end: how far the image of the bar's azimuth moves outwards for a groove that is
        1 µm too far out.
    spread_arcsec_per_um
        By end: rms over the length of the primary of what moves less or more than that.
    hpd_arcsec_per_um
        By end: half-power diameter that independent radial errors of 1 µm rms of all bars
        of that end make of a point.
    shift_arcsec_per_arcmin
        By end: the same shift for a bar that leans outwards by 1 arcmin along the axis.
    """

    nesting: int
    radius_mm: float
    shift_arcsec_per_um: Mapping[str, float]
    spread_arcsec_per_um: Mapping[str, float]
    hpd_arcsec_per_um: Mapping[str, float]
    shift_arcsec_per_arcmin: Mapping[str, float]


def bar_sensitivities(
    prescription: Prescription,
    *,
    pivot_radius: Quantity | None = None,
    source_distance: Quantity | None = None,
    detector_distance: Quantity | None = None,
) -> tuple[BarSensitivity, ...]:
    """Return what bar errors do to the image, nesting by nesting.

    Parameters
    ----------
    prescription
        The mirror.
    pivot_radius
        Where on the bar a lean turns it, default the middle between the innermost and the
        outermost nesting: a groove farther out goes along the axis with the lean.
    source_distance
        From the reference plane; None for a star.
    detector_distance
        Behind the reference plane; default: where the source's image is.

    Notes
    -----
    Rays in the plane of reflection are followed exactly through both cones, moved by a
    micrometre each way. To first order an end that is out by e turns its surface by e/ℓ,
    and the image goes by ``2 D e/ℓ`` (mirror optics: a mirror turned by an angle turns
    light by twice that). A lean ψ moves a groove along the axis by ``(r − r_pivot) ψ``,
    which on a cone of half-angle α is radially ``−tan α (r − r_pivot) ψ``. Turning a bar
    about the optical axis moves grooves around the axis, which a cone does not mind, and
    out by only ``(r − r_pivot)²ψ²/2r``.

    Raises
    ------
    GeometryError
        When the source is nearer than the focal length.
    """
    focal = prescription.focal_length_mm
    source = None
    detector = focal
    if source_distance is not None:
        source = positive_in(source_distance, u.mm, name="source_distance")
        if source <= focal:
            raise GeometryError(
                f"source_distance must exceed the focal length, {focal:g} mm; "
                f"got {source_distance}"
            )
        detector = focal * source / (source - focal)
    if detector_distance is not None:
        detector = positive_in(detector_distance, u.mm, name="detector_distance")
    radii = [nesting.radius_mm for nesting in prescription.nestings]
    pivot = (min(radii) + max(radii)) / 2
    if pivot_radius is not None:
        pivot = value_in(pivot_radius, u.mm, name="pivot_radius")
    return tuple(
        _sensitivity(nesting, (source, detector), pivot)
        for nesting in prescription.nestings
    )


def _sensitivity(
    nesting: Nesting, distances: tuple[float | None, float], pivot_mm: float
) -> BarSensitivity:
    shift, spread, lean = {}, {}, {}
    for number, end in enumerate(ENDS):
        moved = []
        for sign in (1, -1):
            errors = np.zeros(4)
            errors[number] = sign * _STEP_MM
            moved.append(land_mm(nesting, errors, distances))
        a_um = (moved[0] - moved[1]) / (2 * _STEP_MM) / 1000 / distances[1] * _RADIAN
        shift[end] = float(a_um.mean())
        spread[end] = float(a_um.std())
        angle = nesting.primary_angle_rad if number < 2 else nesting.secondary_angle_rad
        out_um = -math.tan(angle) * (nesting.radius_mm - pivot_mm) * 1000
        lean[end] = shift[end] * out_um * math.radians(1 / 60)
    one = _point_hpd()
    return BarSensitivity(
        nesting=nesting.number,
        radius_mm=nesting.radius_mm,
        shift_arcsec_per_um=shift,
        spread_arcsec_per_um=spread,
        hpd_arcsec_per_um={end: one * abs(value) for end, value in shift.items()},
        shift_arcsec_per_arcmin=lean,
    )


def land_mm(
    nesting: Nesting, errors_mm: np.ndarray, distances: tuple[float | None, float]
) -> np.ndarray:
    """Return where rays along a primary land, outwards from the axis, shape (rays,).

    Parameters
    ----------
    nesting
        The cones.
    errors_mm
        How far out each of the four ends is, in the order of ``ENDS``, shape (4,).
    distances
        Of the source (None for a star) and of the detector, mm.

    Notes
    -----
    z points to the source.
    """
    source, detector = distances
    half = nesting.gap_mm / 2
    tan_p, tan_s = (
        math.tan(nesting.primary_angle_rad),
        math.tan(nesting.secondary_angle_rad),
    )
    z_p = np.array([half + nesting.primary_length_mm, half])
    z_s = np.array([-half, -half - nesting.secondary_length_mm])
    r_p = nesting.radius_mm + z_p * tan_p
    r_s = nesting.radius_mm + z_s * tan_s
    # Rays meet the primary where it is, at even steps along it: it takes its light along.
    along = (np.arange(_POINTS) + 0.5) / _POINTS
    z = half + along * nesting.primary_length_mm
    r = nesting.radius_mm + z * tan_p + errors_mm[1] + along * (errors_mm[0] - errors_mm[1])
    if source is None:
        direction = np.array([-np.ones_like(z), np.zeros_like(z)])
    else:
        direction = np.array([z - source, r])
        direction = direction / np.hypot(*direction)
    at = np.array([z, r])
    at, direction = _mirrored(at, direction, z_p, r_p + errors_mm[:2])
    at, direction = _mirrored(at, direction, z_s, r_s + errors_mm[2:])
    travel = (-detector - at[0]) / direction[0]
    return at[1] + travel * direction[1]


def _mirrored(
    at: np.ndarray, direction: np.ndarray, z_ends: np.ndarray, r_ends: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Follow rays in the plane to a straight surface and reflect them there."""
    along = np.array([z_ends[0] - z_ends[1], r_ends[0] - r_ends[1]])
    along = along / np.hypot(*along)
    normal = np.array([-along[1], along[0]])
    start = np.array([z_ends[0], r_ends[0]])
    distance = (normal @ (start[:, np.newaxis] - at)) / (normal @ direction)
    hit = at + distance * direction
    return hit, direction - 2 * (normal @ direction) * normal[:, np.newaxis]


def _point_hpd() -> float:
    """Half-power diameter of errors of 1 at every bar, straight between them."""
    return _half_power(lambda r: float(erf(r / np.sqrt(2 * _VARIANCE)) @ _WEIGHTS), 1.0)


def _half_power(curve: Callable[[float], float], size: float) -> float:
    return 2 * brentq(lambda r: curve(r) - 0.5, 0.0, 50 * size, xtol=1e-10 * size)


@dataclass(frozen=True, kw_only=True)
class BarBudget:
    """Bar errors that keep the half-power diameter below a target.

    Parameters
    ----------
    target_arcsec, core_arcsec
        Half-power diameter aimed at, and that without bar errors.
    radial_um
        Rms radial error of every groove of every bar, all four ends alike.
    radial_alone_um
        By end: the same if only the bars of that end were off.
    lean_arcmin
        Rms lean of every bar with exact grooves; None where it hardly matters.
    """

    target_arcsec: float
    core_arcsec: float
    radial_um: float
    radial_alone_um: Mapping[str, float]
    lean_arcmin: float | None


_NO_LEAN_ARCMIN = 600.0


def bar_budget(
    prescription: Prescription,
    sensitivities: Sequence[BarSensitivity],
    *,
    core_hpd: Quantity,
    target_hpd: Quantity,
) -> BarBudget:
    """Return the bar errors with which the half-power diameter reaches its target.

    Parameters
    ----------
    prescription
        The mirror: nestings weigh by the area they show to a star.
    sensitivities
        Of the same nestings.
    core_hpd
        Half-power diameter without bar errors; its light follows a normal law in the plane
        of reflection.
    target_hpd
        Not to be exceeded.

    Notes
    -----
    Errors of different bars and ends are independent and normal. At a place between two
    bars the image is moved by a normal law of variance ``Σ s² σ² ((1 − w)² + w²)``, over
    ends of sensitivity s, which adds to that of the core; the half-power diameter is that
    of all places and nestings together.

    Raises
    ------
    SettingsError
        When the target leaves nothing for the bars, or nestings do not match.
    """
    core = positive_in(core_hpd, u.arcsec, name="core_hpd")
    target = positive_in(target_hpd, u.arcsec, name="target_hpd")
    if target <= core:
        raise SettingsError(
            f"target_hpd must exceed the half-power diameter without bar errors, "
            f"{core_hpd}; got {target_hpd}"
        )
    if [s.nesting for s in sensitivities] != [n.number for n in prescription.nestings]:
        raise SettingsError("sensitivities must be those of the same nestings; got others")
    area = np.array([lit_area_cm2(nesting) for nesting in prescription.nestings])
    area = area / area.sum()
    shifts = np.array([[s.shift_arcsec_per_um[end] for end in ENDS] for s in sensitivities])
    leans = np.array(
        [[s.shift_arcsec_per_arcmin[end] for end in ENDS] for s in sensitivities]
    )

    def allowed(per_unit: np.ndarray) -> float:
        """Error at which the target is reached, per_unit being arcsec a unit of error."""
        if not np.any(per_unit):
            return math.inf

        def excess(error: float) -> float:
            return _whole_hpd(area, core, per_unit * error) - target

        high = target / float(np.max(per_unit))
        while excess(high) < 0:
            high *= 2
        return brentq(excess, 0.0, high, xtol=1e-9 * high)

    lean = allowed(np.sqrt((leans**2).sum(axis=1)))
    return BarBudget(
        target_arcsec=target,
        core_arcsec=core,
        radial_um=allowed(np.sqrt((shifts**2).sum(axis=1))),
        radial_alone_um={end: allowed(np.abs(shifts[:, i])) for i, end in enumerate(ENDS)},
        lean_arcmin=None if lean > _NO_LEAN_ARCMIN else lean,
    )


def hpd_with_bar_errors(
    prescription: Prescription,
    sensitivities: Sequence[BarSensitivity],
    *,
    core_hpd: Quantity,
    radial_error: Quantity,
) -> Quantity:
    """Return the half-power diameter with radial errors of every groove, rms."""
    area = np.array([lit_area_cm2(nesting) for nesting in prescription.nestings])
    shifts = np.array([[s.shift_arcsec_per_um[end] for end in ENDS] for s in sensitivities])
    size = np.sqrt((shifts**2).sum(axis=1)) * value_in(radial_error, u.um, name="error")
    core = positive_in(core_hpd, u.arcsec, name="core_hpd")
    return _whole_hpd(area / area.sum(), core, size) * u.arcsec


def _whole_hpd(area: np.ndarray, core: float, moved_arcsec: np.ndarray) -> float:
    """Half-power diameter of all nestings, bars moving each by so much rms at a bar."""
    variance = (core / IN_PLANE_HPD) ** 2 + np.outer(moved_arcsec**2, _VARIANCE)
    sigma = np.sqrt(2 * variance)

    def curve(r: float) -> float:
        return float(area @ erf(r / sigma) @ _WEIGHTS)

    return _half_power(curve, float(np.sqrt(variance.max())))
