"""What errors of alignment bars do to the image, nesting by nesting.

A bar holds one end of all reflectors of a stage at one azimuth. Its grooves may be off
radially, and the bar itself may lean along the axis or be turned about it. At the bar a
reflector is where the groove is; between two bars it is taken to follow the straight line
between their errors. In the plane of reflection the image of that azimuth then moves: front
and rear off alike shift it a little, off by different amounts turn the surface, which moves
it by twice the angle.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.errors import GeometryError
from beamreduce.mirror.prescription import Nesting, Prescription
from beamreduce.units import positive_in, value_in

BAR_ENDS = ("primary_front", "primary_rear", "secondary_front", "secondary_rear")
_RADIAN = math.degrees(1.0) * 3600.0
_STEP_MM = 1e-3
_POINTS = 12  # along the lit part of a primary


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
        By end: rms over the lit part of the primary of what moves less or more than that.
    shift_arcsec_per_arcmin
        By end: the same shift for a bar whose outer end leans by 1 arcmin towards the
        source.
    """

    nesting: int
    radius_mm: float
    shift_arcsec_per_um: Mapping[str, float]
    spread_arcsec_per_um: Mapping[str, float]
    shift_arcsec_per_arcmin: Mapping[str, float]

    @property
    def radial_arcsec_per_um(self) -> float:
        """Rms move of the image at a bar for independent errors of 1 µm rms of all ends."""
        return math.sqrt(sum(one**2 for one in self.shift_arcsec_per_um.values()))


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
    light by twice that). These are the same rays before and after: that an error also
    changes which rays are lost at an edge is left out (about 1 % of the move).

    A lean ψ moves a groove along the axis by ``(r − r_pivot) ψ``, which on a cone of
    half-angle α is radially ``−tan α (r − r_pivot) ψ``. Turning a bar about the optical
    axis moves grooves around the axis, which a cone does not mind, and out by only
    ``(r − r_pivot)²ψ²/2r``.

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
    along = _lit(nesting, distances)
    for number, end in enumerate(BAR_ENDS):
        moved = []
        for sign in (1, -1):
            errors = np.zeros(4)
            errors[number] = sign * _STEP_MM
            moved.append(_follow(nesting, errors, distances, along)[1])
        a_um = (moved[0] - moved[1]) / (2 * _STEP_MM) / 1000 / distances[1] * _RADIAN
        shift[end] = float(a_um.mean())
        spread[end] = float(a_um.std())
        angle = nesting.primary_angle_rad if number < 2 else nesting.secondary_angle_rad
        out_um = -math.tan(angle) * (nesting.radius_mm - pivot_mm) * 1000
        lean[end] = shift[end] * out_um * math.radians(1 / 60)
    return BarSensitivity(
        nesting=nesting.number,
        radius_mm=nesting.radius_mm,
        shift_arcsec_per_um=shift,
        spread_arcsec_per_um=spread,
        shift_arcsec_per_arcmin=lean,
    )


def _lit(nesting: Nesting, distances: tuple[float | None, float]) -> np.ndarray:
    """Return even steps over the part of a primary whose light meets the secondary.

    0 is the rear end, 1 the front end. Of a near source the front part's light passes
    behind the secondary.
    """
    ends = np.array([0.0, 1.0])
    met = _follow(nesting, np.zeros(4), distances, ends)[0]
    front = -nesting.gap_mm / 2
    rear = front - nesting.secondary_length_mm
    # Where a ray meets the secondary is linear in where it met the primary, but for α².
    lit = np.clip((np.array([front, rear]) - met[0]) / (met[1] - met[0]), 0.0, 1.0)
    return lit[0] + (np.arange(_POINTS) + 0.5) / _POINTS * (lit[1] - lit[0])


def _follow(
    nesting: Nesting,
    errors_mm: np.ndarray,
    distances: tuple[float | None, float],
    along: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Follow rays from places along a primary.

    Parameters
    ----------
    nesting
        The cones.
    errors_mm
        How far out each of the four ends is, in the order of ``BAR_ENDS``, shape (4,).
    distances
        Of the source (None for a star) and of the detector, mm.
    along
        Places on the primary, 0 at its rear end and 1 at its front, shape (rays,).

    Returns
    -------
    tuple
        Where they meet the secondary along the axis (z points to the source), and where
        they land, outwards from the axis, each in mm, shape (rays,).
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
    # Rays meet the primary where it is: a moved reflector takes its light along.
    z = half + along * nesting.primary_length_mm
    r = nesting.radius_mm + z * tan_p + errors_mm[1] + along * (errors_mm[0] - errors_mm[1])
    if source is None:
        direction = np.array([-np.ones_like(z), np.zeros_like(z)])
    else:
        direction = np.array([z - source, r])
        direction = direction / np.hypot(*direction)
    at = np.array([z, r])
    at, direction = _mirrored(at, direction, z_p, r_p + errors_mm[:2])
    met, direction = _mirrored(at, direction, z_s, r_s + errors_mm[2:])
    travel = (-detector - met[0]) / direction[0]
    return met[0], met[1] + travel * direction[1]


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
