"""The first and the last ray that each perfect nesting lets through.

A source on the axis lights one stretch of each primary: further towards the source, rays
overshoot the secondary; towards the junction, the next foil inward may shade them. What is
between the two ends of that stretch follows from its ends, so they tell the lit parts, the
light of each nesting and its perfect image.
"""

import math
from dataclasses import dataclass

import numpy as np

from beamreduce.errors import GeometryError
from beamreduce.mirror import Prescription

_SCAN = 257  # places along a primary where the lit stretch is looked for
_BISECTIONS = 40


@dataclass(frozen=True, kw_only=True)
class _Cones:
    """Numbers of all nestings from the inside out, each of shape (nestings, 1)."""

    radius: np.ndarray
    primary_rise: np.ndarray
    secondary_rise: np.ndarray
    primary_length: np.ndarray
    secondary_length: np.ndarray
    half_gap: np.ndarray
    thickness: np.ndarray


@dataclass(frozen=True, kw_only=True)
class LitRays:
    """Two rays of each nesting; nestings run from the inside out.

    Shapes are (nestings, 2) where not said otherwise: the ray nearest to the front end,
    then the one nearest to the junction. Where nothing gets through the two are the same.

    Parameters
    ----------
    number
        Of each nesting, shape (nestings,).
    primary_mm, secondary_mm
        Where the rays are reflected, along the axis from the reference plane.
    radius_mm, slope
        Radius at the second reflection; growth of the radius per length behind it.
    grazing_rad
        Angles to primary and secondary, shape (nestings, 2, 2), the last axis the stages.
    opening_mm
        Width of the beam between the two rays, square to it, shape (nestings,).
    beam_mm2
        Part of a beam of one photon a mm² at the reference plane that is let through,
        before reflectivity, shape (nestings,).
    """

    number: np.ndarray
    primary_mm: np.ndarray
    secondary_mm: np.ndarray
    radius_mm: np.ndarray
    slope: np.ndarray
    grazing_rad: np.ndarray
    opening_mm: np.ndarray
    beam_mm2: np.ndarray

    def offsets_mm(self, distance_mm: float) -> np.ndarray:
        """Return the signed offsets at a distance; negative once across the axis."""
        return self.radius_mm + self.slope * (distance_mm - self.secondary_mm)


def lit_rays(
    prescription: Prescription,
    *,
    source_distance_mm: float,
    pre_collimator_mm: float = 0.0,
) -> LitRays:
    """Find both ends of what a point source on the axis lights in each nesting.

    Parameters
    ----------
    prescription
        Perfect cones.
    source_distance_mm
        From the reference plane; infinite for a star.
    pre_collimator_mm
        Length of the blades in front of the primaries, 0 for none.

    Raises
    ------
    GeometryError
        When no nesting lets anything through.
    """
    cones = _cones(prescription)
    source = source_distance_mm
    front = -cones.half_gap - cones.primary_length
    places = front + cones.primary_length * np.linspace(0.0, 1.0, _SCAN)
    lit = _gets_through(cones, source, places, pre_collimator_mm)
    if not lit.any():
        raise GeometryError(
            f"no ray from a source at {source / 1000:.4g} m gets through both reflections; "
            f"the source is too near for this mirror, or the prescription or its "
            f"pre-collimator stops all light"
        )
    first = lit.argmax(axis=1)
    last = _SCAN - 1 - lit[:, ::-1].argmax(axis=1)
    rows = np.arange(len(lit))
    ends = [
        _edge(
            (cones, source, pre_collimator_mm),
            dark=places[rows, np.clip(edge + step, 0, _SCAN - 1)][:, None],
            lit=places[rows, edge][:, None],
        )
        for edge, step in ((first, -1), (last, 1))
    ]
    primary = np.hstack(ends)
    primary[~lit.any(axis=1)] = -cones.half_gap[~lit.any(axis=1)]
    return _between(prescription, cones, source, primary)


def _cones(prescription: Prescription) -> _Cones:
    nestings = sorted(prescription.nestings, key=lambda n: n.radius_mm)
    columns = np.array(
        [
            (
                n.radius_mm,
                math.tan(n.primary_angle_rad),
                math.tan(n.secondary_angle_rad),
                n.primary_length_mm,
                n.secondary_length_mm,
                n.gap_mm / 2,
                n.thickness_mm,
            )
            for n in nestings
        ]
    ).T[:, :, None]
    return _Cones(
        radius=columns[0],
        primary_rise=columns[1],
        secondary_rise=columns[2],
        primary_length=columns[3],
        secondary_length=columns[4],
        half_gap=columns[5],
        thickness=columns[6],
    )


@dataclass(frozen=True, kw_only=True)
class _Path:
    """Rays by where they meet the primary: radii, slopes and the second meeting."""

    rho1: np.ndarray
    slope0: np.ndarray
    slope1: np.ndarray
    z2: np.ndarray
    rho2: np.ndarray
    slope2: np.ndarray
    grazing1: np.ndarray
    grazing2: np.ndarray


def _path(cones: _Cones, source: float, z1: np.ndarray) -> _Path:
    rho1 = cones.radius - cones.primary_rise * z1
    slope0 = rho1 / (source + z1)  # 0 for a star
    primary, secondary = np.arctan(cones.primary_rise), np.arctan(cones.secondary_rise)
    arriving = np.arctan(slope0)
    between = -2 * primary - arriving
    slope1 = np.tan(between)
    # A ray no steeper than the secondary never meets it: far behind stands for never.
    closing = np.maximum(slope1 + cones.secondary_rise, 1e-12)
    z2 = (cones.radius - rho1 + slope1 * z1) / closing
    return _Path(
        rho1=rho1,
        slope0=slope0,
        slope1=slope1,
        z2=z2,
        rho2=cones.radius - cones.secondary_rise * z2,
        slope2=np.tan(-2 * secondary - between),
        grazing1=primary + arriving,
        grazing2=between + secondary,
    )


def _gets_through(
    cones: _Cones, source: float, z1: np.ndarray, pre_collimator_mm: float
) -> np.ndarray:
    """Whether rays meet the secondary and pass the next foil inward, by their places.

    The way in is nearest to that foil at its front end (or that of its pre-collimator
    blade), the way between the reflections at the gap, the way out at the rear end.
    """
    ray = _path(cones, source, z1)
    rear = cones.half_gap + cones.secondary_length
    through = (ray.grazing2 > 0) & (ray.z2 >= cones.half_gap) & (ray.z2 <= rear)
    inner = {name: column[:-1] for name, column in vars(cones).items()}
    back = inner["radius"] + inner["thickness"]

    def clear(z: np.ndarray, rise: np.ndarray, radius: np.ndarray) -> np.ndarray:
        return radius > back - rise * z

    outer = through[1:]
    rho1, slope0, z = ray.rho1[1:], ray.slope0[1:], z1[1:]
    front = -inner["half_gap"] - inner["primary_length"]
    rim = back - inner["primary_rise"] * front
    for height in {0.0, pre_collimator_mm}:
        entering = rho1 + slope0 * (front - height - z)
        outer &= (entering > rim) | (front >= z)
    for middle, rise in (
        (-inner["half_gap"], inner["primary_rise"]),
        (inner["half_gap"], inner["secondary_rise"]),
    ):
        passing = clear(middle, rise, rho1 + ray.slope1[1:] * (middle - z))
        outer &= passing | (middle <= z) | (middle >= ray.z2[1:])
    end = inner["half_gap"] + inner["secondary_length"]
    leaving = ray.rho2[1:] + ray.slope2[1:] * (end - ray.z2[1:])
    outer &= clear(end, inner["secondary_rise"], leaving) | (end <= ray.z2[1:])
    return through


def _edge(
    nest: tuple[_Cones, float, float], *, dark: np.ndarray, lit: np.ndarray
) -> np.ndarray:
    """Bisect between a place that is dark and one that is lit, shape (nestings, 1)."""
    cones, source, pre_collimator_mm = nest
    # At an end of the primary both are the same place, which stays.
    for _ in range(_BISECTIONS):
        middle = 0.5 * (dark + lit)
        through = _gets_through(cones, source, middle, pre_collimator_mm)
        lit, dark = np.where(through, middle, lit), np.where(through, dark, middle)
    return lit


def _between(
    prescription: Prescription, cones: _Cones, source: float, primary: np.ndarray
) -> LitRays:
    ray = _path(cones, source, primary)
    if math.isinf(source):
        beam = math.pi * ray.rho1**2
    else:
        # Evenly into solid angle, one photon a mm² where the axis meets the plane.
        beam = 4 * math.pi * (source * np.sin(np.arctan(ray.slope0) / 2)) ** 2
    length = primary[:, 1] - primary[:, 0]
    opening = (
        length
        * np.sin(ray.grazing1.mean(axis=1))
        / np.cos(np.arctan(cones.primary_rise[:, 0]))
    )
    return LitRays(
        number=np.array(
            [n.number for n in sorted(prescription.nestings, key=lambda n: n.radius_mm)]
        ),
        primary_mm=primary,
        secondary_mm=ray.z2,
        radius_mm=ray.rho2,
        slope=ray.slope2,
        grazing_rad=np.stack([ray.grazing1, ray.grazing2], axis=-1),
        opening_mm=opening,
        beam_mm2=beam[:, 0] - beam[:, 1],
    )
