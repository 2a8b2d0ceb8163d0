"""Reflectivity on an even grid of grazing angles, for kernels that trace rays."""

from collections.abc import Sequence
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.errors import SettingsError
from beamreduce.mirror.prescription import MirrorDesign, Prescription
from beamreduce.mirror.reflectivity import Coating, coating_of, reflect
from beamreduce.units import convert, positive_in

INTERPOLATION_ERROR = 1e-5  # promised
_AIMED_ERROR = 5e-6  # at the middle of steps, where a straight line is furthest off
_FEWEST_STEPS = 1 << 10
_MOST_STEPS = 1 << 21


@dataclass(frozen=True, kw_only=True)
class ReflectivityTable:
    """What one coating reflects, by energy and grazing angle; straight lines between.

    Parameters
    ----------
    coating
        The surface, with the settings it was computed by.
    energy_kev
        Photon energies, shape (energies,).
    angle_step_rad
        Step of the grid of grazing angles, which begins at 0.
    specular, scattered
        Shares of the incident light in the mirror beam and out of it, shape
        (energies, angles).
    """

    coating: Coating
    energy_kev: np.ndarray
    angle_step_rad: float
    specular: np.ndarray
    scattered: np.ndarray

    @property
    def steepest_rad(self) -> float:
        """Last angle of the grid; beyond it nothing is reflected."""
        return self.angle_step_rad * (self.specular.shape[1] - 1)

    @property
    def total(self) -> np.ndarray:
        """All reflected light, specular and scattered, shape (energies, angles)."""
        return self.specular + self.scattered

    @property
    def scatters(self) -> bool:
        """True when the surface is rough."""
        return bool(self.scattered.any())

    def at(self, grazing_angle: Quantity) -> tuple[np.ndarray, np.ndarray]:
        """Return specular and scattered shares, shape (energies, *angles)."""
        angles = np.asarray(convert(grazing_angle, u.rad, name="grazing_angle").value)
        if np.any(angles < 0) or np.any(angles > self.steepest_rad):
            raise SettingsError(
                f"grazing_angle must be within the table, 0 to {self.steepest_rad:g} rad"
            )
        place = angles / self.angle_step_rad
        low = np.minimum(place.astype(int), self.specular.shape[1] - 2)
        share = place - low
        return tuple(
            values[:, low] * (1 - share) + values[:, low + 1] * share
            for values in (self.specular, self.scattered)
        )


def reflectivity_table(
    coating: Coating, energies: Quantity, *, steepest: Quantity = 0.05 * u.rad
) -> ReflectivityTable:
    """Tabulate a coating so finely that straight lines err by less than 1e-5.

    Parameters
    ----------
    coating
        The surface.
    energies
        Photon energies, one or an array of one dimension.
    steepest
        Largest grazing angle of any ray.

    Raises
    ------
    SettingsError
        When an energy is outside the table of optical constants, or when no grid of two
        million steps is fine enough (a coating that hardly absorbs, at its critical
        angle).

    Notes
    -----
    The number of steps is doubled until the share at the middle of every step lies
    within 5e-6 of the straight line.
    """
    energy = np.atleast_1d(convert(energies, u.keV, name="energies"))
    if energy.ndim != 1:
        raise SettingsError(f"energies must be a list; got shape {energy.shape}")
    last = positive_in(steepest, u.rad, name="steepest")
    steps = _FEWEST_STEPS
    coarse = _shares(coating, energy, np.linspace(0.0, last, steps + 1))
    while steps < _MOST_STEPS:
        steps *= 2
        fine = _shares(coating, energy, np.linspace(0.0, last, steps + 1))
        line = 0.5 * (coarse[..., 1:] + coarse[..., :-1])
        # Halving a step takes the error to a quarter: the finer grid is the safe one.
        if np.abs(fine[..., 1::2] - line).max() < _AIMED_ERROR:
            return ReflectivityTable(
                coating=coating,
                energy_kev=energy.value,
                angle_step_rad=last / steps,
                specular=fine[0],
                scattered=fine[1],
            )
        coarse = fine
    raise SettingsError(
        f"the reflectivity of {coating.formula} at {energy} changes too abruptly for a "
        f"table up to {last:g} rad; give a smaller steepest angle"
    )


def nest_reflectivity(
    prescription: Prescription, design: MirrorDesign, energies: Quantity
) -> tuple[tuple[ReflectivityTable, ...], np.ndarray]:
    """Tabulate every coating of a nest once.

    Parameters
    ----------
    prescription
        Nestings, each with its coating and roughness.
    design
        The ``[mirror]`` table: density, table and roughness model.
    energies
        Photon energies.

    Returns
    -------
    tables
        One for each different pair of coating and roughness, on one grid of angles.
    table_of_nesting
        Which of them each nesting has, shape (nestings,), integers.
    """
    kinds: list[tuple[str, float]] = []
    number = []
    for nesting in prescription.nestings:
        kind = (nesting.coating, nesting.roughness_nm)
        if kind not in kinds:
            kinds.append(kind)
        number.append(kinds.index(kind))
    tables = [
        reflectivity_table(
            coating_of(design, formula=formula, roughness=roughness_nm * u.nm), energies
        )
        for formula, roughness_nm in kinds
    ]
    return on_one_grid(tables), np.array(number)


def on_one_grid(tables: Sequence[ReflectivityTable]) -> tuple[ReflectivityTable, ...]:
    """Return the tables on the finest of their grids; they must share their energies."""
    finest = min(tables, key=lambda table: table.angle_step_rad)
    same = all(
        np.array_equal(table.energy_kev, finest.energy_kev)
        and np.isclose(table.steepest_rad, finest.steepest_rad, rtol=1e-12)
        for table in tables
    )
    if not same:
        raise SettingsError(
            "reflectivity tables must share energies and steepest angle; "
            "make them with the same arguments"
        )
    grid = np.arange(finest.specular.shape[1]) * finest.angle_step_rad
    result = []
    for table in tables:
        if table.specular.shape == finest.specular.shape:
            result.append(table)
            continue
        specular, scattered = _shares(table.coating, table.energy_kev * u.keV, grid)
        result.append(
            ReflectivityTable(
                coating=table.coating,
                energy_kev=table.energy_kev,
                angle_step_rad=finest.angle_step_rad,
                specular=specular,
                scattered=scattered,
            )
        )
    return tuple(result)


def _shares(coating: Coating, energy: Quantity, angles_rad: np.ndarray) -> np.ndarray:
    reflected = reflect(coating, energy, angles_rad * u.rad)
    return np.stack([reflected.specular, reflected.scattered])
