"""The mirror's own areas that measured ones are carried by, with its other models."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.effective_area.area_curve import AreaLine, OtherModel
from beamreduce.effective_area.model_area import (
    WHOLE,
    BeamPaths,
    Refraction,
    beam_paths,
    model_area_cm2,
    refraction,
)
from beamreduce.mirror import (
    OPTICAL_TABLES,
    Coating,
    MirrorDesign,
    Prescription,
    coating_of,
    energy_range_kev,
)

OTHER_TABLE = "table of optical constants"
DENSITY = "coating density"
# Two tables that are wrong independently and by alike amounts differ by √2 of that amount.
_ONE_OF_TWO = 1 / math.sqrt(2)


@dataclass(frozen=True, kw_only=True)
class Mirror:
    """A mirror as declared, and what is not known of it.

    Parameters
    ----------
    prescription, design
        Nest and ``[mirror]`` table.
    density_relative
        Declared uncertainty of the coating density, as a part of it.
    """

    prescription: Prescription
    design: MirrorDesign
    density_relative: float = 0.0

    @cached_property
    def coatings(self) -> dict[str, Coating]:
        """Every coating of the nest by formula."""
        formulas = sorted({n.coating for n in self.prescription.nestings})
        return {name: coating_of(self.design, formula=name) for name in formulas}

    def paths(
        self,
        off_axis: Quantity = 0 * u.arcmin,
        azimuth: Quantity = 0 * u.deg,
        between: tuple[float, float] = WHOLE,
    ) -> BeamPaths:
        """Return the ways of a star's light."""
        return beam_paths(
            self.prescription,
            off_axis=off_axis,
            azimuth=azimuth,
            between=between,
            pre_collimator=self.design.pre_collimator_length,
        )


@dataclass(frozen=True, kw_only=True)
class Lights:
    """Optical constants at the lines and on the grid, as declared and otherwise.

    Parameters
    ----------
    energy_kev
        Of the grid.
    line_kev
        Of the lines, rising, each once.
    declared
        Constants at ``line_kev`` followed by ``energy_kev``.
    others
        Name, kind, share of the change that is one standard uncertainty, constants.
    notes
        What could not be varied.
    """

    energy_kev: np.ndarray
    line_kev: np.ndarray
    declared: Refraction
    others: tuple[tuple[str, str, float, Refraction], ...]
    notes: tuple[str, ...]

    def areas(
        self, paths: BeamPaths, lines: Sequence[AreaLine]
    ) -> tuple[np.ndarray, np.ndarray, tuple[OtherModel, ...]]:
        """Return the model's areas at the lines and on the grid, and by other models."""
        place = np.searchsorted(self.line_kev, [one.energy_kev for one in lines])
        count = self.line_kev.size

        def both(light: Refraction) -> tuple[np.ndarray, np.ndarray]:
            area = model_area_cm2(paths, light)
            return area[:count][place], area[count:]

        others = tuple(
            OtherModel(name=name, kind=kind, share=share, at_lines_cm2=a, on_grid_cm2=b)
            for name, kind, share, light in self.others
            for a, b in [both(light)]
        )
        return *both(self.declared), others


def lights_of(mirror: Mirror, line_kev: np.ndarray, energy_kev: np.ndarray) -> Lights:
    """Look up the optical constants of a mirror, once for all curves.

    Raises
    ------
    SettingsError
        When an energy is outside the declared table.
    """
    lines = np.unique(line_kev)
    energies = np.concatenate([lines, energy_kev]) * u.keV
    declared = refraction(mirror.coatings, energies)
    others, notes = [], []
    for table in OPTICAL_TABLES:
        used = {one.table for one in mirror.coatings.values()}
        if used == {table}:
            continue
        ranges = [energy_range_kev(name, table) for name in mirror.coatings]
        low, high = max(r[0] for r in ranges), min(r[1] for r in ranges)
        if energies.value.min() < low or energies.value.max() > high:
            notes.append(
                f"the {table} table does not reach these energies ({low:.3g} to {high:.3g} "
                f"keV): what the choice of a table changes is not in the uncertainty"
            )
            continue
        other = {n: replace(one, table=table) for n, one in mirror.coatings.items()}
        others.append((OTHER_TABLE, "model", _ONE_OF_TWO, refraction(other, energies)))
    if mirror.density_relative:
        denser = declared.denser(mirror.design.coating, 1 + mirror.density_relative)
        others.append((DENSITY, "systematic", 1.0, denser))
    return Lights(
        energy_kev=energy_kev,
        line_kev=lines,
        declared=declared,
        others=tuple(others),
        notes=tuple(notes),
    )
