"""A mirror as it is: prescription, errors of its parts, obstructions, coatings."""

import math
from dataclasses import dataclass, field, replace

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.errors import GeometryError, SettingsError
from beamreduce.mirror import (
    MirrorDesign,
    Prescription,
    ReflectivityTable,
    check_nest,
    nest_reflectivity,
)
from beamreduce.raytrace.error_law import ErrorLaw
from beamreduce.raytrace.mirror_parts import (
    CLOSE_RAD,
    TURN,
    AlignmentBars,
    FigureErrors,
    Quadrant,
    four_quadrants,
    range_width,
)
from beamreduce.units import value_in


@dataclass(frozen=True, kw_only=True)
class MirrorState:
    """Everything a trace has to know about a mirror.

    Parameters
    ----------
    prescription
        Nestings from the inside out. Inside the innermost the mirror is closed.
    figure
        Slope errors.
    quadrants
        Parts of the mirror; azimuths outside all of them are closed.
    bars
        Alignment bars, None for none.
    pre_collimator_mm
        Length of the cylindrical blades that stand on the front end of every foil, as
        thick as it; 0 for none.
    open_rad
        Azimuth ranges that the aperture leaves open, first and last; None for all.
    coatings
        Reflectivity by energy; empty reflects everything, as at one energy.
    coating_of_nesting
        Which coating each nesting has; None when there is one.
    scatter
        Law of the angle by which scattered light is turned in the plane of reflection
        out of the mirror beam. Needed when a coating scatters: no roughness without its
        scattered light. ``ErrorLaw.none()`` returns it along the mirror beam.
    """

    prescription: Prescription
    figure: FigureErrors = field(default_factory=FigureErrors)
    quadrants: tuple[Quadrant, ...] = field(default_factory=four_quadrants)
    bars: AlignmentBars | None = None
    pre_collimator_mm: float = 0.0
    open_rad: tuple[tuple[float, float], ...] | None = None
    coatings: tuple[ReflectivityTable, ...] = ()
    coating_of_nesting: np.ndarray | None = None
    scatter: ErrorLaw | None = None

    def __post_init__(self) -> None:
        _check_prescription(self.prescription)
        _check_quadrants(self.quadrants)
        _check_coatings(self)
        for first_last in self.open_rad or ():
            range_width(first_last)
        if not 0 <= self.pre_collimator_mm < math.inf:
            raise SettingsError(
                f"pre_collimator_mm must not be below zero; got {self.pre_collimator_mm}"
            )

    @property
    def energy_kev(self) -> np.ndarray:
        """Photon energies of the coatings; NaN for a mirror that reflects everything."""
        if not self.coatings:
            return np.array([math.nan])
        return self.coatings[0].energy_kev

    def behind_aperture(self, name: str) -> "MirrorState":
        """Return the mirror behind a named aperture: ``"full"``, or one of its quadrants.

        Raises
        ------
        SettingsError
            When the name is neither; set ``open_rad`` for any other aperture.
        """
        ranges = {q.name: (q.azimuth_rad,) for q in self.quadrants} | {"full": None}
        if name not in ranges:
            raise SettingsError(
                f"aperture must be 'full' or the name of a quadrant "
                f"({', '.join(q.name for q in self.quadrants)}); got {name!r}"
            )
        return replace(self, open_rad=ranges[name])

    @property
    def scatters(self) -> bool:
        """True when a coating takes light out of the mirror beam."""
        return any(coating.scatters for coating in self.coatings)


def mirror_as_designed(
    design: MirrorDesign,
    prescription: Prescription,
    energies: Quantity,
    *,
    scatter: ErrorLaw | None = None,
) -> MirrorState:
    """Return a mirror without errors, by the ``[mirror]`` table of a campaign.

    Parameters
    ----------
    design
        Bars, pre-collimator, coating settings.
    prescription
        Its nestings.
    energies
        Photon energies.
    scatter
        Where scattered light goes; needed when a nesting is rough.
    """
    coatings, number = nest_reflectivity(prescription, design, energies)
    length = design.pre_collimator_length
    bars = None
    if design.bar_count and design.bar_width is not None and design.bar_width > 0 * u.mm:
        bars = AlignmentBars(
            count=design.bar_count,
            width_mm=value_in(design.bar_width, u.mm, name="bar_width"),
        )
    return MirrorState(
        prescription=prescription,
        bars=bars,
        pre_collimator_mm=(
            0.0 if length is None else value_in(length, u.mm, name="pre_collimator_length")
        ),
        coatings=coatings,
        coating_of_nesting=number,
        scatter=scatter,
    )


def _check_prescription(prescription: Prescription) -> None:
    for n in prescription.nestings:
        above = (n.radius_mm, n.primary_length_mm, n.secondary_length_mm)
        least = (n.gap_mm, n.thickness_mm, n.primary_angle_rad)
        numbers = (*above, *least, n.secondary_angle_rad)
        if not (all(map(math.isfinite, numbers)) and min(above) > 0 and min(least) >= 0):
            raise GeometryError(
                f"nesting {n.number}: radius and lengths must be above zero, gap, "
                f"thickness and angles not below; got {n}"
            )
    problems = check_nest(prescription, file="prescription")
    errors = [str(problem) for problem in problems if not problem.warning]
    if errors:
        raise GeometryError("\n".join(errors))


def _check_quadrants(quadrants: tuple[Quadrant, ...]) -> None:
    if not quadrants:
        raise SettingsError("a mirror must have at least one quadrant; got none")
    if len({q.name for q in quadrants}) != len(quadrants):
        raise SettingsError("quadrants must have different names")
    for one in quadrants:
        for other in quadrants:
            # Where the other begins, counted from where this one does.
            ahead = (other.azimuth_rad[0] - one.azimuth_rad[0]) % TURN
            if one is not other and ahead < one.width_rad - CLOSE_RAD:
                raise SettingsError(
                    f"quadrants must not share azimuths; {one.name} "
                    f"{np.degrees(one.azimuth_rad)} deg and {other.name} "
                    f"{np.degrees(other.azimuth_rad)} deg do"
                )


def _check_coatings(mirror: MirrorState) -> None:
    number, nestings = mirror.coating_of_nesting, len(mirror.prescription.nestings)
    if number is None and len(mirror.coatings) > 1:
        raise SettingsError("coating_of_nesting must say which coating each nesting has")
    if number is not None:
        number = np.asarray(number)
        if number.shape != (nestings,) or not np.issubdtype(number.dtype, np.integer):
            raise SettingsError(
                f"coating_of_nesting must hold a whole number for each nesting ({nestings})"
            )
        if np.any(number < 0) or np.any(number >= max(len(mirror.coatings), 1)):
            raise SettingsError(
                f"coating_of_nesting must be below {len(mirror.coatings)}, the number of "
                f"coatings; got {number.min()} to {number.max()}"
            )
    grids = {(c.angle_step_rad, *c.specular.shape) for c in mirror.coatings}
    energies = {tuple(c.energy_kev) for c in mirror.coatings}
    if len(grids) > 1 or len(energies) > 1:
        raise SettingsError(
            "coatings must share energies and angles; see nest_reflectivity"
        )
    if mirror.scatters and mirror.scatter is None:
        raise SettingsError(
            "a rough coating scatters light, so the mirror must say where to: set scatter "
            "to a law of angles, or to ErrorLaw.none() to return it along the mirror beam"
        )
