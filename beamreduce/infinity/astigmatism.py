"""Whether the azimuths of a mirror focus at one distance, from rings out of focus.

Inside focus the light of mirror azimuth φ lands at φ, outside at φ + 180°. A sector's
half-power radius is then the distance of that azimuth's focus from the detector, times the
slope of its rays.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.errors import SettingsError
from beamreduce.image import Sector
from beamreduce.record import Uncertain
from beamreduce.units import positive_in

_RESOLVED = 2.2  # ring radii in half-power radii of the blur: 1.5 σ of a normal law
_HARMONICS = 5  # mean, cos φ, sin φ, cos 2φ, sin 2φ


@dataclass(frozen=True, kw_only=True)
class FocusPlane:
    """The sectors of one measurement of a focus series.

    Parameters
    ----------
    id
        Measurement.
    detector_distance
        Behind the reference plane.
    sectors
        Equal sectors all around, the same in every plane, an even number.
    pixel_size
        Of the image they were measured in.
    """

    id: str
    detector_distance: Quantity
    sectors: Sequence[Sector]
    pixel_size: Quantity


@dataclass(frozen=True, kw_only=True)
class Astigmatism:
    """The focus of each azimuth, and the part of it that goes with twice the azimuth.

    Azimuths are those of the mirror in the frame that sectors are counted in.

    Parameters
    ----------
    azimuth_deg
        Middle of each sector, shape (sectors,).
    focus_mm, focus_uncertainty_mm
        Distance at which it focuses, mean over the sector.
    cos2_mm, sin2_mm
        Amplitudes of cos 2φ and sin 2φ in the focus distance.
    ring_slope
        Growth of a ring's half-power radius per distance from focus.
    chi_square, degrees_of_freedom
        Of straight lines of radius against distance with one slope; where they do not
        describe the radii, uncertainties are larger by the root of their ratio.
    planes
        Measurements that were used.
    """

    azimuth_deg: np.ndarray
    focus_mm: np.ndarray
    focus_uncertainty_mm: np.ndarray
    cos2_mm: Uncertain
    sin2_mm: Uncertain
    ring_slope: Uncertain
    chi_square: float
    degrees_of_freedom: int
    planes: tuple[str, ...]

    @property
    def amplitude_mm(self) -> float:
        """Half of the distance between the two line foci; noise alone makes it positive."""
        return math.hypot(self.cos2_mm.value, self.sin2_mm.value)

    @property
    def axis_deg(self) -> float:
        """Azimuth (0 to 180°) that focuses furthest from the mirror."""
        angle = math.degrees(math.atan2(self.sin2_mm.value, self.cos2_mm.value)) / 2
        return angle % 180.0


def astigmatism(
    planes: Sequence[FocusPlane], *, best_focus: Quantity, blur_radius: Quantity
) -> tuple[Astigmatism | None, str]:
    """Find the focus of each azimuth from a series on both sides of focus.

    Parameters
    ----------
    planes
        Measurements of one configuration.
    best_focus
        Of the whole mirror: tells the two sides apart.
    blur_radius
        Half-power radius of the image in focus: rings that are not well larger than it
        are not used, since light of an azimuth then lands on either side of the center.

    Returns
    -------
    tuple
        The result and an empty text, or None and the reason.

    Notes
    -----
    Least squares of ``R = s (u_φ − b D) + c`` with s = +1 inside and −1 outside focus,
    ``u_φ = b F_φ``; c (what spreads all rings alike) where a side has two distances, else
    0, which the difference of both sides does not feel. A center that is not the axis
    moves F by cos φ and sin φ, which are fitted beside 2φ and dropped. Averaging over
    sectors of width w lowers cos 2φ by sin(w)/w (derived), which is taken out.
    """
    focus_mm = positive_in(best_focus, u.mm, name="best_focus")
    blur_mm = positive_in(blur_radius, u.mm, name="blur_radius")
    rings = [_ring(plane, focus_mm) for plane in planes]
    _check_alike(rings)
    used = [ring for ring in rings if ring.resolved(blur_mm)]
    reason = _too_few(rings, used, blur_mm)
    if reason:
        return None, reason
    return _fitted(used), ""


@dataclass(frozen=True, kw_only=True)
class _Ring:
    """Radii by mirror azimuth of one plane, mm; NaN where a sector has none."""

    id: str
    distance_mm: float
    side: int  # +1 inside focus, -1 outside
    azimuth_deg: np.ndarray
    radius_mm: np.ndarray
    error_mm: np.ndarray

    def resolved(self, blur_mm: float) -> bool:
        known = np.isfinite(self.radius_mm).all() and np.all(self.error_mm > 0)
        return bool(known and np.all(self.radius_mm > _RESOLVED * blur_mm))


def _ring(plane: FocusPlane, focus_mm: float) -> _Ring:
    count = len(plane.sectors)
    if count < _HARMONICS + 1 or count % 2:
        raise SettingsError(
            f"astigmatism needs an even number of sectors, at least {_HARMONICS + 1}; "
            f"{plane.id} has {count}"
        )
    pixel_mm = positive_in(plane.pixel_size, u.mm, name="pixel_size")
    distance_mm = positive_in(plane.detector_distance, u.mm, name="detector_distance")
    radii = [sector.half_power_radius_px for sector in plane.sectors]
    values = np.array([np.nan if r is None else r.value for r in radii]) * pixel_mm
    errors = np.array([np.nan if r is None else r.uncertainty for r in radii]) * pixel_mm
    side = 1 if distance_mm < focus_mm else -1
    # Outside focus the light has crossed the axis: half a turn takes it back.
    turned = 0 if side > 0 else count // 2
    return _Ring(
        id=plane.id,
        distance_mm=distance_mm,
        side=side,
        azimuth_deg=np.array([(s.start_deg + s.end_deg) / 2 for s in plane.sectors]),
        radius_mm=np.roll(values, -turned),
        error_mm=np.roll(errors, -turned),
    )


def _check_alike(rings: Sequence[_Ring]) -> None:
    for ring in rings[1:]:
        if not np.array_equal(ring.azimuth_deg, rings[0].azimuth_deg):
            raise SettingsError(
                f"sectors of {rings[0].id} and {ring.id} differ; measure them alike"
            )


def _too_few(rings: Sequence[_Ring], used: Sequence[_Ring], blur_mm: float) -> str:
    missing = [
        name
        for name, side in (("inside", 1), ("outside", -1))
        if not any(ring.side == side for ring in used)
    ]
    if not missing:
        return ""
    sides = " and ".join(missing)
    near = [f"{r.id} at {r.distance_mm:.1f} mm" for r in rings if r not in used]
    text = f"no ring is resolved {sides} focus"
    if near:
        text += (
            f" ({', '.join(near)}: a sector's half-power radius is below "
            f"{_RESOLVED * blur_mm:.3g} mm, {_RESOLVED} times that in focus, or not known)"
        )
    return f"{text}; take an exposure further {sides} focus"


def _fitted(used: Sequence[_Ring]) -> Astigmatism:
    count = used[0].radius_mm.size
    origin = float(np.mean([ring.distance_mm for ring in used]))
    with_common = any(
        len({r.distance_mm for r in used if r.side == side}) > 1 for side in (1, -1)
    )
    design = np.vstack([_equations(r, count, origin, with_common) for r in used])
    radius = np.concatenate([ring.radius_mm for ring in used])
    error = np.concatenate([ring.error_mm for ring in used])
    solution, covariance, chi_square = _least_squares(design, radius, error)
    freedom = radius.size - design.shape[1]
    covariance *= max(chi_square / freedom, 1.0)
    slope = solution[count]
    focus = solution[:count] / slope
    # F = u/b: errors of u, and of b through F.
    change = np.hstack([np.eye(count), -focus[:, None]]) / slope
    focus_covariance = change @ covariance[: count + 1, : count + 1] @ change.T
    cos2, sin2 = _second_harmonic(used[0].azimuth_deg, focus, focus_covariance)
    return Astigmatism(
        azimuth_deg=used[0].azimuth_deg,
        focus_mm=focus + origin,
        focus_uncertainty_mm=np.sqrt(focus_covariance.diagonal()),
        cos2_mm=cos2,
        sin2_mm=sin2,
        ring_slope=Uncertain(
            value=float(slope), statistical=math.sqrt(covariance[count, count])
        ),
        chi_square=chi_square,
        degrees_of_freedom=freedom,
        planes=tuple(ring.id for ring in used),
    )


def _equations(ring: _Ring, count: int, origin: float, with_common: bool) -> np.ndarray:
    """Rows of the design for one plane; distances count from an origin amid the series."""
    slope = np.full((count, 1), -(ring.distance_mm - origin))
    rows = ring.side * np.hstack([np.eye(count), slope])
    return np.hstack([rows, np.ones((count, 1))]) if with_common else rows


def _least_squares(
    design: np.ndarray, values: np.ndarray, errors: np.ndarray
) -> tuple[np.ndarray, np.ndarray, float]:
    """Weighted solution, its covariance and chi-square."""
    scaled, target = design / errors[:, None], values / errors
    covariance = np.linalg.inv(scaled.T @ scaled)
    solution = covariance @ (scaled.T @ target)
    return solution, covariance, float(np.sum((target - scaled @ solution) ** 2))


def _second_harmonic(
    azimuth_deg: np.ndarray, focus: np.ndarray, covariance: np.ndarray
) -> tuple[Uncertain, Uncertain]:
    angle = np.radians(azimuth_deg)
    width = 2 * np.pi / angle.size
    harmonics = np.stack(
        [np.ones_like(angle), np.cos(angle), np.sin(angle), np.cos(2 * angle),
         np.sin(2 * angle)], axis=1
    )  # fmt: skip
    # All azimuths weigh the same: a sector with more light is no better a harmonic.
    take = np.linalg.pinv(harmonics)[3:] / (math.sin(width) / width)
    values, spread = take @ focus, np.sqrt((take @ covariance @ take.T).diagonal())
    cos2, sin2 = (
        Uncertain(value=float(value), statistical=float(error))
        for value, error in zip(values, spread, strict=True)
    )
    return cos2, sin2
