"""All curves of area that files are written of: whole, inside, quadrants, angles."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.effective_area.area_curve import (
    AreaCurve,
    AreaLine,
    area_curve,
    lines_by_id,
)
from beamreduce.effective_area.causes import Causes, causes_of_terms
from beamreduce.errors import AreaError
from beamreduce.response.encircled import Encircled
from beamreduce.response.mirror_model import Lights, Mirror

FULL = "full"
_SAME_ANGLE = 1e-6  # arcmin, deg
NO_AREAS = (
    "no measurement has an area at infinity: found null at all {count} of them; expected "
    "at least one, on the axis; response files need direct beam exposures (the notes in "
    "results.json say what is missing), and a fold to infinity"
)


@dataclass(frozen=True, kw_only=True)
class NamedCurve:
    """One curve and what it is of.

    Parameters
    ----------
    name
        Of its file, without ending.
    words
        What it is.
    curve
        The area.
    aperture, off_axis_arcmin, azimuth_deg, radius_arcsec
        Which part of mirror, direction and circle; None for any azimuth, and for all.
    """

    name: str
    words: str
    curve: AreaCurve
    aperture: str = FULL
    off_axis_arcmin: float = 0.0
    azimuth_deg: float | None = None
    radius_arcsec: float | None = None


Measurements = Sequence[Mapping[str, object]]


def lines_of(measurements: Measurements, *, aperture: str, off_axis: float = 0.0,
             azimuth: float | None = None) -> tuple[AreaLine, ...]:  # fmt: skip
    """Return the areas of one setting; measurements without an area are not in it."""
    chosen = [
        one
        for one in measurements
        if one["aperture"] == aperture
        and abs(float(one["off_axis_arcmin"]) - off_axis) < _SAME_ANGLE  # type: ignore[arg-type]
        and (off_axis == 0 or _same_azimuth(one.get("azimuth_deg"), azimuth))
    ]
    return tuple(lines_by_id(chosen).values())


def _same_azimuth(one: object, other: float | None) -> bool:
    first, second = float(one or 0.0), float(other or 0.0)  # type: ignore[arg-type]
    return abs((first - second + 180) % 360 - 180) < _SAME_ANGLE


def main_aperture(measurements: Measurements) -> str:
    """Return the aperture whose lines on the axis carry all curves: the full one if any.

    Raises
    ------
    AreaError
        When no line on the axis has an area.
    """
    names = dict.fromkeys([FULL, *(str(one["aperture"]) for one in measurements)])
    for name in names:
        if lines_of(measurements, aperture=name):
            return name
    raise AreaError(NO_AREAS.format(count=len(measurements)))


def whole_curve(
    mirror: Mirror,
    lights: Lights,
    lines: Sequence[AreaLine],
    between: tuple[float, float] | None = None,
) -> AreaCurve:
    """Scale the model of the whole mirror, or of an open part, through its lines."""
    paths = mirror.paths() if between is None else mirror.paths(between=between)
    at_lines, on_grid, others = lights.areas(paths, lines)
    curve = area_curve(
        lines,
        energy_kev=lights.energy_kev,
        model_at_lines_cm2=at_lines,
        model_cm2=on_grid,
        others=others,
    )
    return replace(curve, notes=(*curve.notes, *lights.notes))


def inside_curve(curve: AreaCurve, inside: Encircled, radius_arcsec: float) -> AreaCurve:
    """Return the area inside an angular radius: the whole area times the encircled share.

    Between lines the share goes in straight lines with energy; beyond them it is that of
    the nearest.
    """
    share, sigma = inside.share_inside(radius_arcsec)
    known = inside.energy_kev
    factor = np.interp(curve.energy_kev, known, share)
    changes = {}
    for place, energy in enumerate(known):
        unit = np.zeros(known.size)
        unit[place] = sigma[place] / share[place]
        row = np.interp(curve.energy_kev, known, unit)
        changes["model", f"encircled share at {energy:g} keV"] = row
    causes = curve.causes.plus(Causes(changes=changes, size=factor.size))
    return replace(curve, area_cm2=curve.area_cm2 * factor, causes=causes)


@dataclass(frozen=True, kw_only=True)
class Part:
    """A setting that few lines were measured at: a quadrant, or an angle off the axis.

    Parameters
    ----------
    off_axis, azimuth
        Direction of the star.
    between
        Open azimuths (rad), None for all.
    lines
        Areas measured there; none where only the model tells.
    words
        What it is, for messages.
    """

    off_axis: Quantity
    azimuth: Quantity
    between: tuple[float, float] | None
    lines: tuple[AreaLine, ...]
    words: str


def part_curve(
    curve: AreaCurve, mirror: Mirror, lights: Lights, part: Part, unmeasured: float
) -> AreaCurve:
    """Return the area of a part, from the whole curve and the model's ratio of the two.

    ``A_part(E) = A(E) · M_part(E)/M(E) · s``, where ``s`` takes it through the areas
    measured there, by one weighted mean of logarithms; what they share with the whole
    curve cancels or adds as it does.

    Parameters
    ----------
    curve
        Of the whole mirror on the axis.
    mirror, lights
        The model.
    part
        What is wanted.
    unmeasured
        Relative standard uncertainty of ``s`` where nothing was measured.

    Raises
    ------
    GeometryError
        When the angle is beyond the field of the model.
    """
    options = {"off_axis": part.off_axis, "azimuth": part.azimuth}
    if part.between is not None:
        options["between"] = part.between
    at_lines, on_grid, others = lights.areas(mirror.paths(**options), part.lines)
    whole_lines, whole_grid, whole_others = lights.areas(mirror.paths(), part.lines)
    ratio = on_grid / whole_grid
    notes = list(curve.notes)
    causes = curve.causes
    scale = 0.0
    if part.lines:
        known = np.log(curve.energy_kev)
        wanted = np.log([one.energy_kev for one in part.lines])
        there = np.exp(np.interp(wanted, known, np.log(curve.area_cm2)))
        own = causes_of_terms([(one.id, one.terms) for one in part.lines])
        left = own.plus(curve.causes.interpolated(known, wanted), -1.0)
        covariance = left.covariance() + 1e-12 * np.eye(wanted.size)
        weights = np.linalg.solve(covariance, np.ones(wanted.size))
        weights /= weights.sum()
        measured = np.log([one.area_cm2 for one in part.lines])
        scale = float(weights @ (measured - np.log(there * at_lines / whole_lines)))
        repeated = np.tile(weights, (curve.energy_kev.size, 1))
        causes = causes.plus(left.mapped(repeated))
    else:
        notes.append(
            f"no area was measured {part.words}: the curve is that of the axis times the "
            f"model's ratio"
        )
        key = "model", "scale of the model off the axis"
        row = np.full(ratio.size, unmeasured)
        causes = causes.plus(Causes(changes={key: row}, size=row.size))
    for other, whole in zip(others, whole_others, strict=True):
        change = np.log(other.on_grid_cm2 / whole.on_grid_cm2 / ratio)
        if part.lines:
            shift = np.log(
                other.at_lines_cm2 / whole.at_lines_cm2 / (at_lines / whole_lines)
            )
            change = change - weights @ shift
        key = other.kind, other.name
        causes = causes.plus(Causes(changes={key: other.share * change}, size=ratio.size))
    return replace(
        curve,
        area_cm2=curve.area_cm2 * ratio * np.exp(scale),
        model_cm2=on_grid,
        causes=causes,
        notes=tuple(notes),
    )


def measured_angles(measurements: Measurements, aperture: str) -> list[tuple[float, float]]:
    """Return off-axis angles (arcmin) and azimuths (deg) with an area, once each."""
    found: list[tuple[float, float]] = []
    for one in measurements:
        angle = float(one["off_axis_arcmin"])  # type: ignore[arg-type]
        if one["aperture"] != aperture or angle == 0:
            continue
        azimuth = float(one.get("azimuth_deg") or 0.0)  # type: ignore[arg-type]
        known = any(
            abs(a - angle) < _SAME_ANGLE and _same_azimuth(b, azimuth) for a, b in found
        )
        lines = lines_of(measurements, aperture=aperture, off_axis=angle, azimuth=azimuth)
        if lines and not known:
            found.append((angle, azimuth))
    return sorted(found)


def off_axis_part(
    measurements: Measurements, aperture: str, angle: Quantity, azimuth: Quantity
) -> Part:
    """Return what was measured at an angle off the axis."""
    arcmin, degrees = angle.to_value(u.arcmin), azimuth.to_value(u.deg)
    lines = lines_of(measurements, aperture=aperture, off_axis=arcmin, azimuth=degrees)
    words = f"at {arcmin:g} arcmin off the axis, azimuth {degrees:g} deg"
    return Part(off_axis=angle, azimuth=azimuth, between=None, lines=lines, words=words)
