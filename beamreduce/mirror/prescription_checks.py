"""Whether a nest of cones can exist, and whether it focuses where it is said to."""

import math
from statistics import median

from beamreduce.errors import Problem
from beamreduce.mirror.prescription import Nesting, Prescription

_FOCAL_LENGTH_TOLERANCE = 0.005
_TOUCHING_MM = 1e-6


def check_nest(prescription: Prescription, *, file: str) -> list[Problem]:
    """Return everything that is wrong with a nest, or looks wrong.

    Radii that do not grow with the number, angles that are no grazing pair, a secondary
    that crosses the axis, foils that overlap, a focal length that the angles contradict
    by more than 0.5 %.

    Parameters
    ----------
    prescription
        Nestings in the order of their numbers.
    file
        File to name in the problems.
    """
    problems = []
    for nesting in prescription.nestings:
        problems += _check_cones(nesting, file)
    for inner, outer in zip(prescription.nestings, prescription.nestings[1:], strict=False):
        problems += _check_neighbours(inner, outer, file)
    if not problems:
        problems += _check_focal_length(prescription, file)
    return problems


def junction_focal_length_mm(nesting: Nesting) -> float:
    """Return where the ray from the junction of the two cones crosses the axis, in mm.

    A ray parallel to the axis leaves the primary at twice its angle and the secondary at
    ``2 (secondary - primary)``, which is four primary angles when the secondary is
    three: ``f = r/tan(2 (secondary - primary))`` (derived; no small angles).
    """
    deflection = 2 * (nesting.secondary_angle_rad - nesting.primary_angle_rad)
    return nesting.radius_mm / math.tan(deflection)


def _check_cones(nesting: Nesting, file: str) -> list[Problem]:
    """Check one nesting by itself."""
    item = f"nesting {nesting.number}"
    primary, secondary = nesting.primary_angle_rad, nesting.secondary_angle_rad
    if not primary < secondary < math.pi / 8:
        return [
            Problem(
                file=file,
                item=item,
                found=f"primary_angle {math.degrees(primary):g} deg and secondary_angle "
                f"{math.degrees(secondary):g} deg",
                expected="cone half-angles, the secondary's larger (three times the "
                "primary's in the usual design) and below 22.5 deg",
                action="check whether the two are swapped or in another unit",
            )
        ]
    reach_mm = nesting.gap_mm / 2 + nesting.secondary_length_mm
    rear_mm = nesting.radius_mm - reach_mm * math.tan(secondary)
    if rear_mm > 0:
        return []
    return [
        Problem(
            file=file,
            item=item,
            found=f"a secondary whose rear end is at radius {rear_mm:g} mm",
            expected="a surface that does not cross the axis",
            action="check secondary_angle, secondary_length and radius",
        )
    ]


def _check_neighbours(inner: Nesting, outer: Nesting, file: str) -> list[Problem]:
    """Check that the outer one of two nestings is outside the inner one's foil."""
    item = f"nestings {inner.number} and {outer.number}"
    if outer.radius_mm <= inner.radius_mm:
        return [
            Problem(
                file=file,
                item=item,
                found=f"radii {inner.radius_mm:g} mm and {outer.radius_mm:g} mm, "
                "out of order",
                expected="radii that grow with the number of the nesting",
                action="number the nestings from the inside out",
            )
        ]
    places = {
        "front of the primaries": _common_mm(inner, outer, "primary"),
        "reference plane": 0.0,
        "rear of the secondaries": -_common_mm(inner, outer, "secondary"),
    }
    for place, height_mm in places.items():
        room_mm = _surface_mm(outer, height_mm) - _surface_mm(inner, height_mm)
        if room_mm < inner.thickness_mm - _TOUCHING_MM:
            return [
                Problem(
                    file=file,
                    item=item,
                    found=f"{room_mm:.4f} mm between the surfaces at the {place}",
                    expected=f"room for a foil of {inner.thickness_mm:g} mm",
                    action="check radius, angles, lengths and thickness: the foils overlap",
                )
            ]
    return []


def _common_mm(inner: Nesting, outer: Nesting, stage: str) -> float:
    """Return the distance from the reference plane to the end that both nestings reach."""
    return min(
        nesting.gap_mm / 2 + getattr(nesting, f"{stage}_length_mm")
        for nesting in (inner, outer)
    )


def _surface_mm(nesting: Nesting, height_mm: float) -> float:
    """Return the radius of the surface at a height, counted towards the source."""
    angle = nesting.primary_angle_rad if height_mm > 0 else nesting.secondary_angle_rad
    return nesting.radius_mm + height_mm * math.tan(angle)


def _check_focal_length(prescription: Prescription, file: str) -> list[Problem]:
    """Hold the focal length of every nesting, and of most, against the declared one."""
    declared_mm = prescription.focal_length_mm
    lengths_mm = {n.number: junction_focal_length_mm(n) for n in prescription.nestings}
    typical_mm = median(lengths_mm.values())
    expected = f"mirror.focal_length, {declared_mm:g} mm, within 0.5 %"
    if abs(typical_mm / declared_mm - 1) > _FOCAL_LENGTH_TOLERANCE:
        return [
            Problem(
                file=file,
                found=f"angles that focus at {typical_mm:.1f} mm "
                f"({100 * (typical_mm / declared_mm - 1):+.2f} %)",
                expected=expected,
                action="correct the angles or mirror.focal_length in campaign.toml",
            )
        ]
    return [
        Problem(
            file=file,
            item=f"nesting {number}",
            found=f"angles that focus at {length_mm:.1f} mm",
            expected=expected,
            action="check its angles and radius; the other nestings agree",
            warning=True,
        )
        for number, length_mm in lengths_mm.items()
        if abs(length_mm / declared_mm - 1) > _FOCAL_LENGTH_TOLERANCE
    ]
