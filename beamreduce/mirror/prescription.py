"""The nest of cones as designed: radii, angles, lengths and thickness of each nesting."""

import math
from dataclasses import dataclass

import astropy.units as u
from astropy.units import Quantity

from beamreduce.errors import GeometryError
from beamreduce.units import positive_in

_MOST_NESTINGS = 10_000  # real nests have some hundred; more is a slip, and fills memory


@dataclass(frozen=True, kw_only=True, slots=True)
class Nesting:
    """One pair of reflectors, primary and secondary, all around the axis.

    Lengths in mm along the axis, angles in rad, roughness in nm. ``radius_mm`` is that of
    the reflecting surface extended to the reference plane; ``gap_mm`` is the distance
    between the facing ends, split evenly about the reference plane; the foil is
    ``thickness_mm`` thick, outward.
    """

    number: int
    radius_mm: float
    primary_angle_rad: float
    secondary_angle_rad: float
    primary_length_mm: float
    secondary_length_mm: float
    gap_mm: float
    thickness_mm: float
    coating: str
    roughness_nm: float


@dataclass(frozen=True, kw_only=True)
class Prescription:
    """All nestings, from the inside out, and the focal length for a source at infinity."""

    nestings: tuple[Nesting, ...]
    focal_length_mm: float

    def __post_init__(self) -> None:
        if not self.nestings:
            raise GeometryError("a prescription must have at least one nesting; got none")


@dataclass(frozen=True, kw_only=True)
class MirrorDesign:
    """The ``[mirror]`` table of a campaign: the numbers a nest can be built from."""

    focal_length: Quantity
    inner_radius: Quantity
    outer_radius: Quantity
    reflector_length: Quantity
    reflector_thickness: Quantity
    coating: str
    roughness: Quantity
    gap: Quantity = 0 * u.mm
    pre_collimator_length: Quantity | None = None
    bar_width: Quantity | None = None
    bar_count: int | None = None
    coating_density: Quantity | None = None
    optical_constants: str | None = None
    roughness_model: str | None = None
    primary_sag: Quantity | None = None
    secondary_sag: Quantity | None = None


def nestings_from_design(design: MirrorDesign) -> Prescription:
    """Build the nest that just avoids shadowing a source at infinity.

    ``tan 4α = r/f``; secondary ``3α``; the next radius is
    ``r + ℓ tan α + thickness`` while it does not exceed the outer radius.

    Raises
    ------
    GeometryError
        When not even one nesting fits, more than 10 000 do, or a length is not above
        zero.
    """
    focal_mm = positive_in(design.focal_length, u.mm, name="focal_length")
    inner_mm = positive_in(design.inner_radius, u.mm, name="inner_radius")
    outer_mm = positive_in(design.outer_radius, u.mm, name="outer_radius")
    length_mm = positive_in(design.reflector_length, u.mm, name="reflector_length")
    thickness_mm = positive_in(design.reflector_thickness, u.mm, name="reflector_thickness")
    if inner_mm > outer_mm:
        raise GeometryError(
            f"inner_radius must not exceed outer_radius; got {inner_mm:g} mm and "
            f"{outer_mm:g} mm (are the two swapped?)"
        )
    nestings = []
    radius_mm = inner_mm
    while radius_mm <= outer_mm * (1 + 1e-12):
        if len(nestings) == _MOST_NESTINGS:
            raise GeometryError(
                f"reflector_length and reflector_thickness must leave room for at most "
                f"{_MOST_NESTINGS} nestings; got {length_mm:g} mm and {thickness_mm:g} mm"
            )
        angle = math.atan(radius_mm / focal_mm) / 4
        nestings.append(
            Nesting(
                number=len(nestings) + 1,
                radius_mm=radius_mm,
                primary_angle_rad=angle,
                secondary_angle_rad=3 * angle,
                primary_length_mm=length_mm,
                secondary_length_mm=length_mm,
                gap_mm=float(design.gap.to_value(u.mm)),
                thickness_mm=thickness_mm,
                coating=design.coating,
                roughness_nm=float(design.roughness.to_value(u.nm)),
            )
        )
        radius_mm += length_mm * math.tan(angle) + thickness_mm
    return Prescription(nestings=tuple(nestings), focal_length_mm=focal_mm)


def lit_area_cm2(nesting: Nesting) -> float:
    """Return the ring area that the primary of a nesting shows to a star."""
    tan = math.tan(nesting.primary_angle_rad)
    rear = nesting.radius_mm + nesting.gap_mm / 2 * tan
    front = rear + nesting.primary_length_mm * tan
    return math.pi * (front**2 - rear**2) / 100
