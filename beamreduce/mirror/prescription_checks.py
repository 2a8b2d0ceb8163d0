"""Whether a nest of cones can exist, and whether it focuses where it is said to."""

import math
from statistics import median

import astropy.units as u

from beamreduce.errors import Problem, SettingsError
from beamreduce.mirror.optical_constants import coating_density
from beamreduce.mirror.prescription import MirrorDesign, Nesting, Prescription

_FOCAL_LENGTH_TOLERANCE = 0.005
_DESCRIBES = (
    0.01  # of a length that [mirror] gives: made mirrors are nearer to their design
)
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


def check_described(
    prescription: Prescription, design: MirrorDesign, *, file: str
) -> list[Problem]:
    """Return warnings where a file of nestings is not what ``[mirror]`` describes.

    The file is used; but of two mirrors that differ by more than one per cent one is
    another mirror. A nest with nestings left out is described well.
    """
    radii = [nesting.radius_mm for nesting in prescription.nestings]
    inner, outer = (
        float(getattr(design, f"{side}_radius").to_value(u.mm))
        for side in ("inner", "outer")
    )
    problems = []
    if min(radii) < inner * (1 - _DESCRIBES) or max(radii) > outer * (1 + _DESCRIBES):
        found = f"radii from {min(radii):g} mm to {max(radii):g} mm"
        expected = f"radii from mirror.inner_radius, {inner:g} mm, to mirror.outer_radius, "
        problems.append(("column radius", found, f"{expected}{outer:g} mm"))
    for column, key in (
        ("primary_length", "reflector_length"),
        ("secondary_length", "reflector_length"),
        ("thickness", "reflector_thickness"),
    ):
        typical = median(getattr(n, f"{column}_mm") for n in prescription.nestings)
        said = float(getattr(design, key).to_value(u.mm))
        if abs(typical / said - 1) > _DESCRIBES:
            found = f"{typical:g} mm in most rows"
            problems.append((f"column {column}", found, f"mirror.{key}, {said:g} mm"))
    return [
        Problem(
            file=file,
            item=item,
            found=found,
            expected=expected,
            action="the file is used; correct the one that is wrong",
            warning=True,
        )
        for item, found, expected in problems
    ] + _check_coatings(prescription, design, file)


def _check_coatings(
    prescription: Prescription, design: MirrorDesign, file: str
) -> list[Problem]:
    """Warn of layers that nothing is known of; campaign.toml answers for the design's."""
    problems = []
    for coating in sorted({n.coating for n in prescription.nestings} - {design.coating}):
        try:
            coating_density(coating, design.coating_density)
        except SettingsError as error:
            rows = [str(n.number) for n in prescription.nestings if n.coating == coating]
            problems.append(
                Problem(
                    file=file,
                    item=f"column coating, nestings {', '.join(rows)}",
                    found=repr(coating),
                    expected=str(error),
                    action="correct it; values at infinity are null as it stands",
                    warning=True,
                )
            )
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
