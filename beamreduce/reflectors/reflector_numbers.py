"""What all maps and traces of a reflector say together, what it costs, and its grade."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import astropy.units as u
import numpy as np

from beamreduce.errors import SettingsError
from beamreduce.record import Uncertain
from beamreduce.reflectors.agreement import combine, compare_magnifications
from beamreduce.reflectors.figure_error import FigureError, figure_error
from beamreduce.reflectors.folder import grazing_angles
from beamreduce.reflectors.grading import Grade, grade
from beamreduce.reflectors.limits_file import energy_name
from beamreduce.reflectors.map_list import Reflector
from beamreduce.reflectors.measure_map import MapNumbers
from beamreduce.reflectors.read_trace import read_trace
from beamreduce.reflectors.scatter import Halo, scatter_effect, scatter_of
from beamreduce.reflectors.setup import ReflectorSetup

_SAME_STEP = 1.02  # pixel sizes closer than that are one magnification


@dataclass(frozen=True, kw_only=True)
class ReflectorNumbers:
    """The numbers of one reflector.

    Parameters
    ----------
    reflector
        What it is.
    values
        By column: ``Sa``, ``Sq``, ``Sz``, ``Sq_band`` (nm), ``Ssk``, ``Sku``,
        ``scatter_<energy>``, ``figure_slope`` (arcsec); those that could be had.
    hpd_arcsec
        By energy name: half-power diameter with the scatter of this reflection.
    core_hpd_arcsec
        Without it: what the trace gives, or what is declared; None without either.
    halo
        How scattered light is spread, the mean of the maps.
    grazing_rad
        Angle it works at; None without a mirror.
    grade
        The verdict.
    notes
        What cannot be had, and what disagrees, in sentences.
    maps_used
        Maps that the values rest on.
    """

    reflector: Reflector
    values: Mapping[str, Uncertain]
    grade: Grade
    hpd_arcsec: Mapping[str, float] = field(default_factory=dict)
    core_hpd_arcsec: float | None = None
    halo: Halo | None = None
    grazing_rad: float | None = None
    notes: tuple[str, ...] = ()
    maps_used: int = 0
    agree: bool = True


def reflector_numbers(
    reflectors: Sequence[Reflector],
    maps: Mapping[str, MapNumbers],
    setup: ReflectorSetup,
) -> tuple[ReflectorNumbers, ...]:
    """Bring the maps of each reflector together and grade it.

    Parameters
    ----------
    reflectors
        Those of the folder.
    maps
        Numbers of every map by its name.
    setup
        Energies, mirror, limits.

    Raises
    ------
    ReflectorError
        When a trace cannot be read.
    """
    angle_of = grazing_angles(setup)
    return tuple(_one(reflector, maps, setup, angle_of) for reflector in reflectors)


def _one(
    reflector: Reflector,
    maps: Mapping[str, MapNumbers],
    setup: ReflectorSetup,
    angle_of: Callable[[Reflector], float | None],
) -> ReflectorNumbers:
    numbers = [maps[row.map] for row in reflector.maps]
    groups = _by_magnification([one for one in numbers if one.usable])
    # Of coarser magnifications only the comparison counts, not what they cannot show.
    finest = {one.map for one in groups[0]} if groups else set()
    quoted = [one for one in numbers if not one.usable or one.map in finest]
    notes = [f"{one.map}: {one.note}" for one in quoted if one.note]
    values, agree = _together(groups[0], notes) if groups else ({}, True)
    _check_magnifications(groups, notes)
    figure = _figure(reflector, setup)
    core = setup.core_hpd_arcsec
    if figure is not None:
        values["figure_slope"] = figure.slope_arcsec
        core = figure.hpd_arcsec.value
    angle = angle_of(reflector)
    halo = _halo(groups[0]) if groups else None
    hpd = {}
    if angle is None and setup.energies_kev:
        notes.append("scatter: no grazing angle is known, since there is no [mirror]")
    for energy in setup.energies_kev if angle is not None and "Sq" in values else ():
        name = energy_name(energy)
        values[f"scatter_{name}"] = scatter_of(values["Sq"], energy, angle)
        if core is not None and core > 0:
            try:
                hpd[name] = scatter_effect(
                    values[f"scatter_{name}"],
                    core_hpd=core * u.arcsec,
                    halo=halo,
                    at=(energy * u.keV, angle * u.rad),
                ).hpd_arcsec
            except SettingsError as error:
                notes.append(f"HPD at {name}: {error}")
    verdict = grade(values, setup.limits, stage=reflector.stage, nesting=reflector.nesting)
    if not agree:
        verdict = Grade(
            grade=verdict.grade,
            reason=f"{verdict.reason}; its maps disagree, see notes",
            quantity=verdict.quantity,
            margin=verdict.margin,
        )
    return ReflectorNumbers(
        reflector=reflector,
        values=values,
        grade=verdict,
        hpd_arcsec=hpd,
        core_hpd_arcsec=core,
        halo=halo,
        grazing_rad=angle,
        notes=tuple(notes),
        maps_used=len(groups[0]) if groups else 0,
        agree=agree,
    )


def _by_magnification(numbers: Sequence[MapNumbers]) -> list[list[MapNumbers]]:
    """Group maps by their step, the finest first."""
    groups: list[list[MapNumbers]] = []
    for one in sorted(numbers, key=lambda n: (n.pixel_size_um[0], n.map)):
        same = (
            groups and one.pixel_size_um[0] <= _SAME_STEP * (groups[-1][0].pixel_size_um[0])
        )
        if same:
            groups[-1].append(one)
        else:
            groups.append([one])
    return groups


def _together(
    numbers: Sequence[MapNumbers], notes: list[str]
) -> tuple[dict[str, Uncertain], bool]:
    """Mean of every parameter over the maps of the finest magnification."""
    values, agree = {}, True
    for key in numbers[0].values:
        own = [one.values[key] for one in numbers if key in one.values]
        found = combine(own)
        values[key] = found.combined
        if key == "Sq" and not found.agree:
            agree = False
            seen = ", ".join(f"{v.value:.3g} ± {v.uncertainty:.2g}" for v in own)
            notes.append(
                f"Sq of its {len(own)} maps: {seen} nm, which chance does in "
                f"{found.probability:.1g} of cases; the mean carries their scatter; "
                f"measure again"
            )
    return values, agree


def _check_magnifications(groups: Sequence[Sequence[MapNumbers]], notes: list[str]) -> None:
    """Compare each coarser magnification with the finest, in their common band."""
    for coarse in groups[1:]:
        found = compare_magnifications(groups[0][0].bands, coarse[0].bands)
        names = f"{groups[0][0].map} and {coarse[0].map}"
        if found is None:
            notes.append(f"{names} have no band of waves in common to compare")
            continue
        fine, rough = found.rms_nm
        verdict = "agree" if found.agreement.agree else "disagree"
        notes.append(
            f"{names} {verdict} in waves of {1 / found.high_per_um:.3g} to "
            f"{1 / found.low_per_um:.3g} um: {fine.value:.3g} ± {fine.uncertainty:.1g} and "
            f"{rough.value:.3g} ± {rough.uncertainty:.1g} nm"
        )


def _figure(reflector: Reflector, setup: ReflectorSetup) -> FigureError | None:
    """Slope error of the reflector; of several traces the mean."""
    found = []
    for row in reflector.traces:
        name = f"{row.file} (trace {row.trace})"
        position, height = read_trace(row.path, name=name)
        found.append(
            figure_error(
                position, height, slope_length=setup.slope_length_mm * u.mm, name=name
            )
        )
    if not found:
        return None
    return FigureError(
        slope_arcsec=combine([one.slope_arcsec for one in found]).combined,
        hpd_arcsec=combine([one.hpd_arcsec for one in found]).combined,
        sag_um=float(np.mean([one.sag_um for one in found])),
        length_mm=float(np.mean([one.length_mm for one in found])),
    )


def _halo(numbers: Sequence[MapNumbers]) -> Halo | None:
    """Mean of the halos of maps that have the same bands, else that of the first."""
    bands = [one.bands for one in numbers]
    same = [
        b
        for b in bands
        if (b.first, len(b.line_nm2)) == (bands[0].first, len(bands[0].line_nm2))
    ]
    if bands[0].halo is None:
        return None
    return Halo(
        edges_per_um=bands[0].edges_per_um[1:],
        mean_square_nm2=np.mean([b.line_nm2 for b in same], axis=0),
    )
