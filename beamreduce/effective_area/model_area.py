"""Effective area of a perfect nest for a star, at any energy and angle.

In a plane through the axis all rays of a star meet one primary at one grazing angle, and
the secondary at one other: ``α₁ − t`` and ``α₂ − 2 α₁ + t`` for rays with inward slope
``t``. So the area is a sum over nestings and planes of the beam that is used, times two
reflectivities. All light that leaves a surface counts, mirrored or scattered: areas mean
the whole focused area.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import astropy.units as u
import numpy as np
from astropy.units import Quantity
from numba import njit

from beamreduce.errors import GeometryError
from beamreduce.mirror import Coating, Prescription, fresnel, optical_constants
from beamreduce.raytrace.used_primaries import used_area_mm2
from beamreduce.units import value_in

TURN = 2 * math.pi
WHOLE = (0.0, TURN)
# Planes of a whole turn: with 96 a vignetting curve changes by less than 1e-4.
_PLANES = 48
_CHUNK = 128  # energies tabulated at once: bounds memory
_FEWEST, _MOST = 256, 1 << 15
INTERPOLATION_ERROR = 1e-5


@dataclass(frozen=True, kw_only=True)
class Refraction:
    """Optical constants of every coating on a grid of energies.

    Parameters
    ----------
    energy_kev
        Shape (energies,).
    constants
        δ and β by formula.
    """

    energy_kev: np.ndarray
    constants: dict[str, tuple[np.ndarray, np.ndarray]]

    def denser(self, formula: str, factor: float) -> "Refraction":
        """Return the same with one coating denser: δ and β go with density."""
        delta, beta = self.constants[formula]
        changed = {**self.constants, formula: (delta * factor, beta * factor)}
        return Refraction(energy_kev=self.energy_kev, constants=changed)


@dataclass(frozen=True, kw_only=True)
class BeamPaths:
    """Ways of a star's light through the nest.

    Parameters
    ----------
    area_mm2
        Beam that takes each way, shape (ways,).
    grazing_rad
        Grazing angles on primary and secondary, shape (2, ways).
    coating
        Formula of each way's surfaces, shape (ways,).
    """

    area_mm2: np.ndarray
    grazing_rad: np.ndarray
    coating: np.ndarray


def refraction(coatings: dict[str, Coating], energies: Quantity) -> Refraction:
    """Look up optical constants once for all that follows.

    Raises
    ------
    SettingsError
        When an energy is outside the table.
    """
    return Refraction(
        energy_kev=np.atleast_1d(energies.to_value(u.keV)),
        constants={name: _constants(one, energies) for name, one in coatings.items()},
    )


def _constants(coating: Coating, energies: Quantity) -> tuple[np.ndarray, np.ndarray]:
    """Look up constants; the same energies of the same coating are looked up once.

    A look-up takes milliseconds an energy, longer than all areas made of it.
    """
    kev = tuple(np.atleast_1d(energies.to_value(u.keV)).tolist())
    grams = float(coating.density.to_value(u.g / u.cm**3))
    return _looked_up(coating.formula, coating.table, grams, kev)


@lru_cache(maxsize=32)
def _looked_up(
    formula: str, table: str, grams: float, kev: tuple[float, ...]
) -> tuple[np.ndarray, np.ndarray]:
    found = optical_constants(formula, grams * u.g / u.cm**3, np.array(kev) * u.keV, table)
    for values in found:
        values.flags.writeable = False  # they are shared
    return found


def field_of_nest(prescription: Prescription) -> Quantity:
    """Return the off-axis angle from which no ray can be reflected twice.

    Then the source is seen from behind by every reflector on one side, and above twice
    its grazing angle on the other: the largest grazing angle of the nest.
    """
    return max(n.primary_angle_rad for n in prescription.nestings) * u.rad


def beam_paths(
    prescription: Prescription,
    *,
    off_axis: Quantity = 0 * u.arcmin,
    azimuth: Quantity = 0 * u.deg,
    between: tuple[float, float] = WHOLE,
    pre_collimator: Quantity | None = None,
) -> BeamPaths:
    """Return the ways of a star's light through a perfect nest.

    Parameters
    ----------
    prescription
        The nest.
    off_axis, azimuth
        Direction of the star from the axis.
    between
        Open azimuths, first and last, rad.
    pre_collimator
        Length of its blades.

    Raises
    ------
    GeometryError
        When the angle is below zero or beyond the nest's field.
    """
    off = value_in(off_axis, u.rad, name="off_axis")
    limit = field_of_nest(prescription)
    if not 0 <= off < limit.value:
        raise GeometryError(
            f"off-axis angles must be from 0 to below {limit.to(u.arcmin):.4g}, "
            f"the largest grazing angle, beyond which the model has no light; got "
            f"{off_axis.to(u.arcmin):.4g}"
        )
    blade = 0.0 if pre_collimator is None else value_in(pre_collimator, u.mm, name="blade")
    away, width = _planes(off, value_in(azimuth, u.rad, name="azimuth"), between)
    inward, aside = off * np.cos(away), off * np.sin(away)
    used = used_area_mm2(
        prescription, np.stack([inward, aside], axis=1), pre_collimator_mm=blade
    )
    nestings = sorted(prescription.nestings, key=lambda n: n.radius_mm)
    first = np.array([n.primary_angle_rad for n in nestings])
    second = np.array([n.secondary_angle_rad for n in nestings])
    grazing = np.stack(
        [first - inward[:, None], (second - 2 * first) + inward[:, None]]
    ).reshape(2, -1)
    area = (used * width[:, None]).ravel()
    coating = np.tile([n.coating for n in nestings], away.size)
    kept = (area > 0) & (grazing > 0).all(axis=0)
    return BeamPaths(
        area_mm2=area[kept], grazing_rad=grazing[:, kept], coating=coating[kept]
    )


def _planes(
    off: float, azimuth: float, between: tuple[float, float]
) -> tuple[np.ndarray, np.ndarray]:
    """Azimuths of planes from where the source is off to, and how much each stands for."""
    first, last = between
    reach = (last - first) % TURN or TURN
    if off == 0:
        return np.zeros(1), np.array([reach])
    if reach == TURN:  # what is left and right of the source is alike
        count = _PLANES // 2
        return (np.arange(count) + 0.5) * math.pi / count, np.full(count, TURN / count)
    count = max(math.ceil(_PLANES * reach / TURN), 4)
    middle = first + (np.arange(count) + 0.5) * reach / count
    return middle - azimuth, np.full(count, reach / count)


def model_area_cm2(paths: BeamPaths, light: Refraction) -> np.ndarray:
    """Return the effective area at every energy, cm², shape (energies,).

    Reflectivities come from Fresnel's formulas; where both reflections have many
    different angles they are interpolated, to 1e-5.
    """
    total = np.zeros(light.energy_kev.size)
    for formula in np.unique(paths.coating):
        mine = paths.coating == formula
        area, grazing = paths.area_mm2[mine], paths.grazing_rad[:, mine]
        constants = light.constants[str(formula)]
        if np.allclose(grazing[0], grazing[1], rtol=1e-12):
            total += _same_angles(constants, grazing[0], area)
        else:
            total += _many_angles(constants, grazing, area)
    return total / 100


def _smooth(constants: tuple[np.ndarray, np.ndarray], angles: np.ndarray) -> np.ndarray:
    delta, beta = constants
    s, p = fresnel((delta[:, None], beta[:, None]), angles)
    return (s + p) / 2


def _same_angles(
    constants: tuple[np.ndarray, np.ndarray], grazing: np.ndarray, area: np.ndarray
) -> np.ndarray:
    angles, which = np.unique(grazing, return_inverse=True)
    weight = np.bincount(which, area)
    out = np.empty(constants[0].size)
    for start in range(0, out.size, _CHUNK):
        part = slice(start, start + _CHUNK)
        out[part] = _smooth((constants[0][part], constants[1][part]), angles) ** 2 @ weight
    return out


def _many_angles(
    constants: tuple[np.ndarray, np.ndarray], grazing: np.ndarray, area: np.ndarray
) -> np.ndarray:
    steepest = float(grazing.max()) * (1 + 1e-9)
    out = np.empty(constants[0].size)
    steps = _FEWEST
    for start in range(0, out.size, _CHUNK):
        part = slice(start, start + _CHUNK)
        some = constants[0][part], constants[1][part]
        table, steps = _fine_table(some, steepest, steps)
        out[part] = _sum_paths(table, steepest / steps, grazing, area)
    return out


def _fine_table(
    constants: tuple[np.ndarray, np.ndarray], steepest: float, steps: int
) -> tuple[np.ndarray, int]:
    """Tabulate so finely that cubics through four points err by less than 1e-5."""
    coarse = _smooth(constants, np.linspace(0.0, steepest, steps + 1))
    while True:
        middle = (np.arange(steps) + 0.5) * steepest / steps
        between = _smooth(constants, middle)
        guess = (
            9 * (coarse[:, 1:-2] + coarse[:, 2:-1]) - coarse[:, :-3] - coarse[:, 3:]
        ) / 16
        if np.abs(guess - between[:, 1:-1]).max() < INTERPOLATION_ERROR or steps >= _MOST:
            return coarse, steps
        fine = np.empty((coarse.shape[0], 2 * steps + 1))
        fine[:, ::2], fine[:, 1::2] = coarse, between
        coarse, steps = fine, 2 * steps


@njit(cache=True, nogil=True)
def _sum_paths(
    table: np.ndarray, step: float, grazing: np.ndarray, area: np.ndarray
) -> np.ndarray:
    """Sum area times both reflectivities; cubics through the four nearest points."""
    energies, points = table.shape
    out = np.zeros(energies)
    first = np.empty((grazing.shape[1], 2), np.int64)
    weight = np.empty((grazing.shape[1], 2, 4))
    for k in range(grazing.shape[1]):
        for side in range(2):
            place = grazing[side, k] / step
            low = min(max(int(place) - 1, 0), points - 4)
            x = place - low
            first[k, side] = low
            weight[k, side, 0] = -(x - 1) * (x - 2) * (x - 3) / 6
            weight[k, side, 1] = x * (x - 2) * (x - 3) / 2
            weight[k, side, 2] = -x * (x - 1) * (x - 3) / 2
            weight[k, side, 3] = x * (x - 1) * (x - 2) / 6
    for e in range(energies):
        total = 0.0
        for k in range(grazing.shape[1]):
            both = area[k]
            for side in range(2):
                low = first[k, side]
                value = 0.0
                for j in range(4):
                    value += weight[k, side, j] * table[e, low + j]
                both *= value
            total += both
        out[e] = total
    return out
