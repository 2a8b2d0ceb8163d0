"""Trace photons through a nest of double cones: source, primary, secondary, detector.

A plain vectorised trace for made campaigns, to be replaced by the mirror model; the one
door is :func:`trace`. Straight rays in three dimensions; a ray is lost when it hits the
edge or the back of the next nesting inward (at the entrance, between the stages and at
the exit), misses a stage, or comes in under another aperture. Rays that reach the
detector without two reflections are not followed.

Two frames are used. *Beam*: z along the beam, from the source to the detector, 0 at the
reference plane; x and y as seen from the source. *Mirror*: the same, turned so that z
is the mirror's axis.
"""

from dataclasses import dataclass

import numpy as np

from beamreduce.errors import GeometryError, SettingsError
from beamreduce.mirror import Prescription
from beamreduce.simulate.coating import Coating
from beamreduce.simulate.figure_errors import QUADRANTS, FigureErrors

_MARGIN_MM = 1.0  # beyond the reflectors, for tilt, shift and a source that is no point


@dataclass(frozen=True, kw_only=True)
class MirrorAsMade:
    """A nest of cones with its errors and, at one energy, its coating.

    ``coating`` None reflects everything. ``quadrants_rad`` holds first and last azimuth
    of each quadrant.
    """

    prescription: Prescription
    figure: FigureErrors
    coating: Coating | None = None
    quadrants_rad: tuple[tuple[float, float], ...] = tuple(
        (i * np.pi / 2, (i + 1) * np.pi / 2) for i in range(QUADRANTS)
    )


@dataclass(frozen=True, kw_only=True)
class Beam:
    """Where the light comes from, and through which part of the mirror.

    Parameters
    ----------
    source_distance_mm
        From the reference plane; infinite for a parallel beam.
    source_diameter_mm
        Of a uniform disc; not used for a parallel beam.
    off_axis_rad, azimuth_rad
        Direction of the source from the mirror's axis; the mirror is tilted.
    opening_rad
        First and last azimuth of the aperture; None leaves the whole mirror open.
    """

    source_distance_mm: float
    source_diameter_mm: float = 0.0
    off_axis_rad: float = 0.0
    azimuth_rad: float = 0.0
    opening_rad: tuple[float, float] | None = None


@dataclass(frozen=True, kw_only=True)
class Photons:
    """Rays behind the mirror, in the beam frame.

    Parameters
    ----------
    start_mm, slope
        Place in the reference plane and dx/dz, dy/dz; shape (2, rays).
    weight
        Reflected share, the chance that this ray is a photon.
    collecting_mm2
        Area of the reference plane that one ray stands for.
    """

    start_mm: np.ndarray
    slope: np.ndarray
    weight: np.ndarray
    collecting_mm2: float

    def at(self, distance_mm: float) -> np.ndarray:
        """Return x and y in a plane behind the mirror, shape (2, rays), in mm."""
        return self.start_mm + self.slope * distance_mm


@dataclass(frozen=True)
class _Rays:
    """Rays inside the mirror: place and slope at z = 0, nesting, quadrant, weight."""

    start: np.ndarray
    slope: np.ndarray
    nesting: np.ndarray
    quadrant: np.ndarray
    weight: np.ndarray

    def keep(self, good: np.ndarray) -> "_Rays":
        kept = np.flatnonzero(good)  # several times faster than a boolean index
        return _Rays(
            self.start.take(kept, axis=1),
            self.slope.take(kept, axis=1),
            self.nesting.take(kept),
            self.quadrant.take(kept),
            self.weight.take(kept),
        )

    def radius(self, z: float) -> np.ndarray:
        return np.hypot(*(self.start + self.slope * z))


@dataclass(frozen=True)
class _Stage:
    """One stage of all nestings: surface ``r = radius - steepness·z`` from z0 to z1."""

    radius: np.ndarray
    steepness: np.ndarray
    thickness: np.ndarray
    z0: float
    z1: float
    number: int

    def inner_back(self, nesting: np.ndarray, z: float) -> np.ndarray:
        """Radius of the back of the next foil inward; nothing inside the innermost."""
        back = self.radius - self.steepness * z + self.thickness
        return np.concatenate([[-np.inf], back[:-1]])[nesting]


def lit_annulus_mm(prescription: Prescription) -> tuple[float, float]:
    """Return the radii in the reference plane between which all traced rays cross it."""
    first, last = prescription.nestings[0], prescription.nestings[-1]
    reach = last.primary_length_mm + last.gap_mm / 2
    outer = last.radius_mm + reach * np.tan(last.primary_angle_rad) + _MARGIN_MM
    return max(first.radius_mm - _MARGIN_MM, 0.0), float(outer)


def lit_area_mm2(mirror: MirrorAsMade, beam: Beam) -> float:
    """Return the area of the reference plane over which :func:`trace` spreads its rays."""
    inner, outer = lit_annulus_mm(mirror.prescription)
    first, last = _lit_azimuth(beam)
    return float((last - first) / 2 * (outer**2 - inner**2))


def trace(
    mirror: MirrorAsMade, beam: Beam, *, rays: int, rng: np.random.Generator
) -> Photons:
    """Send rays through the mirror and return those that leave it after two reflections.

    Parameters
    ----------
    mirror, beam
        What is traced, and from where.
    rays
        Number that cross the reference plane, uniform over :func:`lit_annulus_mm`
        (within the aperture when there is one), so that areas refer to the photon
        flux in that plane.
    rng
        Where chance comes from.
    """
    if rays < 1:
        raise SettingsError(f"rays must be at least 1; got {rays}")
    primary, secondary = _stages(mirror.prescription)
    start, slope = _launch(mirror, beam, rays, rng)
    turn = _turn(beam)
    start, slope = _into(turn, start, slope)
    inside = _enter(mirror, beam, primary, (start, slope))
    inside = _reflect(inside, primary, mirror, rng)
    inside = inside.keep(
        (inside.radius(primary.z1) > primary.inner_back(inside.nesting, primary.z1))
        & (inside.radius(secondary.z0) > secondary.inner_back(inside.nesting, secondary.z0))
    )
    inside = _reflect(inside, secondary, mirror, rng)
    inside = inside.keep(
        inside.radius(secondary.z1) > secondary.inner_back(inside.nesting, secondary.z1)
    )
    shifted = inside.start + mirror.figure.shifts_mm[inside.quadrant].T
    start, slope = _into(turn.T, shifted, inside.slope)
    return Photons(
        start_mm=start,
        slope=slope,
        weight=inside.weight,
        collecting_mm2=lit_area_mm2(mirror, beam) / rays,
    )


def _stages(prescription: Prescription) -> tuple[_Stage, _Stage]:
    nestings = prescription.nestings
    shared = {(n.primary_length_mm, n.secondary_length_mm, n.gap_mm) for n in nestings}
    if len(shared) != 1:
        raise GeometryError(
            f"nestings must share lengths and gap in a made campaign; got {len(shared)} "
            f"different sets; give them one reflector_length and gap"
        )
    upper, lower, gap = shared.pop()
    radius = np.array([n.radius_mm for n in nestings])
    thickness = np.array([n.thickness_mm for n in nestings])
    first = np.tan([n.primary_angle_rad for n in nestings])
    second = np.tan([n.secondary_angle_rad for n in nestings])
    return (
        _Stage(radius, first, thickness, -gap / 2 - upper, -gap / 2, 0),
        _Stage(radius, second, thickness, gap / 2, gap / 2 + lower, 1),
    )


def _launch(
    mirror: MirrorAsMade, beam: Beam, rays: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Draw where rays cross the reference plane (beam frame) and how they run."""
    inner, outer = lit_annulus_mm(mirror.prescription)
    radius = np.sqrt(rng.uniform(inner**2, outer**2, rays))
    start = radius * _circle(rng.uniform(*_lit_azimuth(beam), rays))
    if np.isinf(beam.source_distance_mm):
        return start, np.zeros((2, rays))
    spot = beam.source_diameter_mm / 2 * np.sqrt(rng.random(rays))
    spot = spot * _circle(rng.uniform(0.0, 2 * np.pi, rays))
    return start, (start - spot) / beam.source_distance_mm


def _lit_azimuth(beam: Beam) -> tuple[float, float]:
    if beam.opening_rad is None:
        return 0.0, 2 * np.pi
    # A tilted mirror's azimuth differs from the beam's by far less than this margin.
    first = beam.opening_rad[0] - 0.02
    return first, min(beam.opening_rad[1] + 0.02, first + 2 * np.pi)


def _circle(angle: np.ndarray) -> np.ndarray:
    return np.stack([np.cos(angle), np.sin(angle)])


def _turn(beam: Beam) -> np.ndarray:
    """Return the rotation from the beam frame to the mirror frame (Rodrigues' formula).

    It takes the beam's z to ``(-sinθ cosφ, -sinθ sinφ, cosθ)``: the source then stands
    at the angle θ and azimuth φ from the mirror's axis.
    """
    axis = np.array([np.sin(beam.azimuth_rad), -np.cos(beam.azimuth_rad), 0.0])
    cross = np.array([[0.0, 0.0, axis[1]], [0.0, 0.0, -axis[0]], [-axis[1], axis[0], 0.0]])
    angle = beam.off_axis_rad
    return np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross


def _into(
    turn: np.ndarray, start: np.ndarray, slope: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Turn rays into another frame and give their place at its z = 0."""
    if np.array_equal(turn, np.eye(3)):
        return start, slope
    place = turn[:, :2] @ start
    direction = turn[:, :2] @ slope + turn[:, 2:]
    slope = direction[:2] / direction[2]
    return place[:2] - slope * place[2], slope


def _enter(
    mirror: MirrorAsMade, beam: Beam, primary: _Stage, light: tuple[np.ndarray, np.ndarray]
) -> _Rays:
    """Find the channel between two foils that each ray enters; drop what hits an edge."""
    start, slope = light
    azimuth = np.arctan2(start[1], start[0])
    quadrant = np.zeros(start.shape[1], dtype=np.intp)
    covered = np.zeros(start.shape[1], dtype=bool)
    for number, limits in enumerate(mirror.quadrants_rad):
        inside = _between(azimuth, limits)
        quadrant[inside] = number
        covered |= inside
    if beam.opening_rad is not None:
        covered &= _between(azimuth, beam.opening_rad)
    start = start - mirror.figure.shifts_mm[quadrant].T
    radius = np.hypot(*(start + slope * primary.z0))
    edge = primary.radius - primary.steepness * primary.z0
    nesting = np.searchsorted(edge, radius)
    covered &= nesting < len(edge)
    nesting = np.minimum(nesting, len(edge) - 1)
    covered &= radius > primary.inner_back(nesting, primary.z0)
    everything = _Rays(start, slope, nesting, quadrant, np.ones(len(radius)))
    return everything.keep(covered)


def _between(azimuth: np.ndarray, limits: tuple[float, float]) -> np.ndarray:
    first, last = limits
    return np.mod(azimuth - first, 2 * np.pi) < last - first


def _reflect(
    rays: _Rays, stage: _Stage, mirror: MirrorAsMade, rng: np.random.Generator
) -> _Rays:
    """Reflect rays on a stage; drop those that miss it or would leave below its surface."""
    z = _meeting(rays, stage)
    hit = (z >= stage.z0) & (z <= stage.z1)
    rays, z = rays.keep(hit), z[hit]
    place = rays.start + rays.slope * z
    outward = place / np.hypot(*place)
    cone = np.arctan(stage.steepness)[rays.nesting]
    tilt = mirror.figure.tilts(stage.number, (rays.nesting, rays.quadrant), rng)
    sine = _sine(rays.slope, outward, cone + tilt)
    weight = rays.weight
    if mirror.coating is not None:
        weight = weight * mirror.coating.reflected(sine)
        scattered = mirror.coating.scattered(sine)
        tilt = tilt + mirror.figure.scatter(scattered, rng) / 2
    slope = _mirrored(rays.slope, outward, cone + tilt)
    good = (sine > 0) & (_sine(slope, outward, cone) < 0)
    return _Rays(place - slope * z, slope, rays.nesting, rays.quadrant, weight).keep(good)


def _meeting(rays: _Rays, stage: _Stage) -> np.ndarray:
    """Return z where each ray meets the cone of its nesting; NaN where it never does.

    ``|start + slope z|² = (R - k z)²``, the root that stays finite for a parallel ray.
    """
    radius, steepness = stage.radius[rays.nesting], stage.steepness[rays.nesting]
    (x, y), (slope_x, slope_y) = rays.start, rays.slope
    a = slope_x**2 + slope_y**2 - steepness**2
    b = x * slope_x + y * slope_y + radius * steepness
    c = x**2 + y**2 - radius**2
    root = b**2 - a * c
    return np.where(root >= 0, -c / (b + np.sqrt(np.abs(root))), np.nan)


def _sine(slope: np.ndarray, outward: np.ndarray, cone: np.ndarray) -> np.ndarray:
    """Return the sine of the grazing angle; positive when the ray runs into the surface.

    The outward normal of a cone that narrows downstream is ``(outward cos, sin)`` of its
    half-angle; the ray's direction is ``(slope, 1)`` made a unit vector.
    """
    against = (slope[0] * outward[0] + slope[1] * outward[1]) * np.cos(cone) + np.sin(cone)
    return against / np.sqrt(1 + slope[0] ** 2 + slope[1] ** 2)


def _mirrored(slope: np.ndarray, outward: np.ndarray, cone: np.ndarray) -> np.ndarray:
    """Return the slope after reflection, ``d - 2 (d·n) n``, whatever the length of d."""
    cosine, sine = np.cos(cone), np.sin(cone)
    twice = 2 * ((slope[0] * outward[0] + slope[1] * outward[1]) * cosine + sine)
    return (slope - twice * cosine * outward) / (1 - twice * sine)
