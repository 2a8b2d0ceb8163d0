"""Everything that response files of a campaign hold, computed and not yet written."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import astropy.units as u
import numpy as np

from beamreduce.effective_area.area_curve import AreaCurve, AreaLine
from beamreduce.effective_area.model_area import field_of_nest, refraction
from beamreduce.effective_area.surface_fit import SurfaceBounds, SurfaceFit, fit_surface
from beamreduce.errors import GeometryError, SettingsError
from beamreduce.response.area_set import (
    FULL,
    NamedCurve,
    Part,
    inside_curve,
    lines_of,
    main_aperture,
    measured_angles,
    off_axis_part,
    part_curve,
    whole_curve,
)
from beamreduce.response.encircled import Encircled, read_encircled
from beamreduce.response.energy_grid import EnergyGrid
from beamreduce.response.mirror_model import Lights, lights_of
from beamreduce.response.off_axis_files import AreaGrid
from beamreduce.response.planned import planned_channels, planned_grid, planned_shape
from beamreduce.response.redistribution import Redistribution, redistribution
from beamreduce.response.request_file import ResponseRequest
from beamreduce.response.results_input import ResultsInput

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, kw_only=True)
class ResponseSet:
    """What is written.

    Parameters
    ----------
    grid
        Bins of energy.
    curves
        Curves of area, the whole mirror first.
    matrix
        Redistribution.
    areas
        The curves at angles, as a grid; None where there is only the axis.
    inside
        Encircled energy by line; None where it is not known.
    notes
        What a reader has to know.
    surface
        Coating density and roughness by the areas, where that was asked for.
    detector
        Name of the one whose lines the matrix is of.
    """

    grid: EnergyGrid
    curves: tuple[NamedCurve, ...]
    matrix: Redistribution
    areas: AreaGrid | None
    inside: Encircled | None
    notes: tuple[str, ...]
    surface: SurfaceFit | None
    detector: str


def make_responses(
    given: ResultsInput,
    request: ResponseRequest,
    grid_folder: Path,
    tell: Progress | None = None,
) -> ResponseSet:
    """Compute all curves and the matrix.

    Parameters
    ----------
    given
        Results, mirror and detector.
    request
        What is wanted.
    grid_folder
        Where files that the request names are looked for.
    tell
        Progress.

    Raises
    ------
    AreaError, SettingsError, GeometryError, ResultsError
        As :func:`~beamreduce.reduction.responses_run.write_responses` says.
    """
    tell = tell or (lambda what, done, total: None)
    aperture = main_aperture(given.measurements)
    angles = _angles(given, request, aperture)
    lines = lines_of(given.measurements, aperture=aperture)
    line_kev = np.array([one.energy_kev for one in lines])
    grid = planned_grid(request.energy, line_kev, tuple(given.mirror.coatings))
    detector = _detector(given, request)
    shape = planned_shape(request.line, given.detectors[detector], grid_folder)
    channels = planned_channels(request.line, shape, grid)
    inside = read_encircled(given.folder, _on_axis(given, aperture))
    radii = _radii(request, inside)
    tell("optical constants", 0, 1)
    every = [one for m in given.measurements if m.get("effective_area_infinity_cm2")
             for one in [float(m["energy_keV"])]]  # type: ignore[arg-type]  # fmt: skip
    lights = lights_of(given.mirror, np.array(every), grid.centers_kev)
    tell("optical constants", 1, 1)
    # Last of what may be refused: it is the longest where there are many channels.
    tell("redistribution", 0, 1)
    matrix = redistribution(grid, channels, shape, threshold=request.line.threshold)
    between = None if aperture == FULL else given.quadrants.get(aperture)
    whole = whole_curve(given.mirror, lights, lines, between)
    words = "whole mirror" if aperture == FULL else f"aperture {aperture}"
    curves = [
        NamedCurve(name="total", words=f"{words}, on the axis", curve=whole,
                   aperture=aperture)
    ]  # fmt: skip
    notes = [*whole.notes, *_line_notes(given, request, matrix)]
    if inside is None:
        notes.append(
            "no areas inside a radius: no measurement with an area has encircled energy "
            "for a star"
        )
    curves += _inside_curves(radii, inside, whole, aperture)
    if aperture == FULL:
        curves += _quadrant_curves(given, lights, whole, notes)
        curves += _angle_curves(given, lights, whole, angles, tell)
    if whole.beyond().any():
        notes.append(
            f"energies beyond {whole.lowest_kev:g} to {whole.highest_kev:g} keV are "
            f"extrapolated, as [energy] extrapolate asks for: nothing was measured there"
        )
    notes += [n for c in curves[1:] for n in c.curve.notes if n not in notes]
    return ResponseSet(
        grid=grid,
        curves=tuple(curves),
        matrix=matrix,
        areas=_area_grid(grid, [c for c in curves if _of_whole(c)]),
        inside=inside,
        notes=tuple(dict.fromkeys(notes)),
        surface=_surface(given, request, lines, between),
        detector=detector,
    )


def _detector(given: ResultsInput, request: ResponseRequest) -> str:
    """Return the detector that the matrix is of: as asked for, else that of the lines."""
    name = request.line.detector or given.area_detectors[0]
    if name not in given.detectors:
        raise SettingsError(
            f"redistribution.detector must be a detector of the campaign; got {name!r}, "
            f"expected one of {', '.join(given.detectors)}; correct the grid file"
        )
    return name


def _line_notes(
    given: ResultsInput, request: ResponseRequest, matrix: Redistribution
) -> list[str]:
    """What has to be known of the shape of lines."""
    names = given.area_detectors
    notes = []
    if len(names) > 1 and request.line.detector is None:
        notes.append(
            f"areas come from the detectors {', '.join(names)}; the redistribution is that "
            f"of {names[0]}: [redistribution] detector chooses another"
        )
    notes += [
        f"the spectrum of the line at {one.energy_kev:g} keV is not a core with escape "
        f"line and shelf: deviance {one.deviance:.0f} for {one.channels} channels"
        for one in matrix.fitted
        if not one.accepted
    ]
    return notes


def _surface(
    given: ResultsInput,
    request: ResponseRequest,
    lines: Sequence[AreaLine],
    between: tuple[float, float] | None,
) -> SurfaceFit | None:
    if request.surface is None:
        return None
    mirror = given.mirror
    coating = mirror.coatings[mirror.prescription.nestings[0].coating]
    if len(mirror.coatings) > 1:
        raise SettingsError(
            f"[surface] fits one coating; found {', '.join(mirror.coatings)} in the nest; "
            f"take the table out of the grid file"
        )
    energies = np.array([one.energy_kev for one in lines]) * u.keV
    return fit_surface(
        lines,
        mirror.paths() if between is None else mirror.paths(between=between),
        refraction(mirror.coatings, energies),
        coating,
        bounds=SurfaceBounds(
            density=request.surface.density, roughness=request.surface.roughness
        ),
    )


def _on_axis(given: ResultsInput, aperture: str) -> list:
    return [
        one
        for one in given.measurements
        if one["aperture"] == aperture and not one["off_axis_arcmin"]
    ]


def _angles(
    given: ResultsInput, request: ResponseRequest, aperture: str
) -> list[tuple[u.Quantity, u.Quantity]]:
    """Angles that are wanted, checked before anything long begins."""
    if request.angles is None:
        found = measured_angles(given.measurements, aperture)
        return [(angle * u.arcmin, azimuth * u.deg) for angle, azimuth in found]
    limit = field_of_nest(given.mirror.prescription).to(u.arcmin)
    for angle, _ in request.angles:
        if angle >= limit:
            raise GeometryError(
                f"off_axis.angles must be below {limit:.4g}, the largest grazing angle, "
                f"beyond which the model of the mirror has no light; got {angle:.4g}"
            )
    return [(angle, azimuth) for angle, azimuth in request.angles if angle > 0]


def _radii(request: ResponseRequest, inside: Encircled | None) -> list[float]:
    """Radii that are wanted (arcsec), checked before anything long begins."""
    if inside is None:
        return []
    if request.radii is None:
        return [inside.reference_arcsec]
    radii = [float(radius) for radius in request.radii.to_value(u.arcsec)]
    for radius in radii:
        inside.share_inside(radius)
    return radii


def _inside_curves(
    radii: Sequence[float], inside: Encircled | None, whole: AreaCurve, aperture: str
) -> list[NamedCurve]:
    return [
        NamedCurve(
            name=f"inside_{radius:.4g}arcsec",
            words=f"inside {radius:.4g} arcsec, on the axis",
            curve=inside_curve(whole, inside, radius),
            aperture=aperture,
            radius_arcsec=radius,
        )
        for radius in radii
    ]


def _quadrant_curves(
    given: ResultsInput, lights: Lights, whole: AreaCurve, notes: list[str]
) -> list[NamedCurve]:
    curves = []
    for name, between in sorted(given.quadrants.items()):
        lines = lines_of(given.measurements, aperture=name)
        if not lines:
            notes.append(f"no file of quadrant {name}: none of its areas was measured")
            continue
        part = Part(off_axis=0 * u.arcmin, azimuth=0 * u.deg, between=between, lines=lines,
                    words=f"of {name}")  # fmt: skip
        curve = part_curve(whole, given.mirror, lights, part, 0.0)
        words = f"quadrant {name}, on the axis"
        curves.append(NamedCurve(name=name, words=words, curve=curve, aperture=name))
    return curves


def _angle_curves(
    given: ResultsInput,
    lights: Lights,
    whole: AreaCurve,
    angles: Sequence[tuple[u.Quantity, u.Quantity]],
    tell: Progress,
) -> list[NamedCurve]:
    """Curves off the axis; what was not measured is as unsure as others are off."""
    curves: list[NamedCurve] = []
    measured: list[float] = []
    parts = [off_axis_part(given.measurements, FULL, *pair) for pair in angles]
    order = sorted(range(len(parts)), key=lambda k: not parts[k].lines)
    found: dict[int, AreaCurve] = {}
    for done, k in enumerate(order):
        rms = float(np.sqrt(np.mean(np.square(measured)))) if measured else 0.0
        found[k] = part_curve(whole, given.mirror, lights, parts[k], rms)
        if parts[k].lines:
            model = whole.area_cm2 * found[k].model_cm2 / whole.model_cm2
            measured.append(float(np.log(found[k].area_cm2 / model).mean()))
        tell("off-axis angles", done + 1, len(parts))
    for k, part in enumerate(parts):
        arcmin, degrees = part.off_axis.to_value(u.arcmin), part.azimuth.to_value(u.deg)
        curves.append(
            NamedCurve(
                name=f"off_axis_{arcmin:.4g}arcmin_{degrees:.4g}deg",
                words=f"{arcmin:.4g} arcmin off the axis, azimuth {degrees:.4g} deg",
                curve=found[k],
                off_axis_arcmin=float(arcmin),
                azimuth_deg=float(degrees),
            )
        )
    return curves


def _of_whole(one: NamedCurve) -> bool:
    return one.aperture == FULL and one.radius_arcsec is None


def _area_grid(grid: EnergyGrid, curves: list[NamedCurve]) -> AreaGrid | None:
    """Areas over angle and azimuth; where one is missing, that of the next azimuth."""
    off = [one for one in curves if one.azimuth_deg is not None]
    if not curves:
        return None
    axis = next(one for one in curves if one.azimuth_deg is None)
    theta = np.array(sorted({0.0, *(one.off_axis_arcmin for one in off)}))
    phi = np.array(sorted({one.azimuth_deg for one in off})) if off else np.zeros(1)
    shape = phi.size, theta.size, grid.bins
    area, sigma, ratio, spread = (np.zeros(shape) for _ in range(4))
    for i, azimuth in enumerate(phi):
        for j, angle in enumerate(theta):
            one = axis if angle == 0 else _nearest(off, angle, azimuth)
            area[i, j] = one.curve.area_cm2
            sigma[i, j] = one.curve.uncertainty_cm2()
            ratio[i, j] = one.curve.area_cm2 / axis.curve.area_cm2
            left = one.curve.causes.plus(axis.curve.causes, -1.0)
            spread[i, j] = ratio[i, j] * left.relative()
    return AreaGrid(
        grid=grid,
        theta_arcmin=theta,
        phi_deg=phi,
        area_cm2=area,
        uncertainty_cm2=sigma,
        vignetting=ratio,
        vignetting_uncertainty=spread,
    )


def _nearest(off: list[NamedCurve], angle: float, azimuth: float) -> NamedCurve:
    there = [one for one in off if one.off_axis_arcmin == angle]
    return min(there, key=lambda one: abs((one.azimuth_deg - azimuth + 180) % 360 - 180))
