"""What a photon of an energy leaves in the detector: electrons, and the width of a line."""

import math
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.beamline.stations import Detector
from beamreduce.errors import SettingsError
from beamreduce.units import positive_in, value_in

_FWHM_PER_SIGMA = 2.355
_SAME_ENERGY = 1e-6


@dataclass(frozen=True, kw_only=True, slots=True)
class LineWidth:
    """Full width at half maximum of a line in the detector, and whether it was given."""

    full_width: Quantity
    computed: bool


def electrons_per_photon(detector: Detector, energy: Quantity) -> float:
    """Return the mean number of electrons that one photon leaves.

    ``E/w``, or, where the campaign gives a table because charge is not collected whole,
    the table's collected fraction ``n w/E`` interpolated linearly in energy.

    Parameters
    ----------
    detector
        An integrating detector.
    energy
        Photon energy.

    Raises
    ------
    SettingsError
        For a counting detector, and for an energy beyond the ends of the table.
    """
    energy_ev = positive_in(energy, u.eV, name="energy")
    if detector.electron_energy is None:
        raise SettingsError(
            "electrons per photon are only known of an integrating detector with "
            "electron_energy; this one counts photons"
        )
    complete = energy_ev / positive_in(
        detector.electron_energy, u.eV, name="electron_energy"
    )
    if detector.electrons_per_photon is None:
        return complete
    energies, electrons = detector.electrons_per_photon
    table_ev = np.atleast_1d(energies.to_value(u.eV))
    per_ev = np.atleast_1d(electrons.to_value(u.electron)) / table_ev
    return energy_ev * _interpolated(energy_ev, (table_ev, per_ev), "electrons_per_photon")


def line_width(detector: Detector, energy: Quantity) -> LineWidth:
    """Return the full width at half maximum of a line as the detector shows it.

    The campaign's ``line_width`` (interpolated linearly in energy when it is a table),
    else ``2.355 sqrt(F w E + (read_noise w)²)``.

    Raises
    ------
    SettingsError
        For a counting detector without a given width, and beyond the ends of a table.
    """
    energy_ev = positive_in(energy, u.eV, name="energy")
    given = detector.line_width
    if isinstance(given, tuple):
        table = tuple(np.atleast_1d(column.to_value(u.eV)) for column in given)
        width = _interpolated(energy_ev, table, "line_width")
        return LineWidth(full_width=width * u.eV, computed=False)
    if given is not None:
        return LineWidth(full_width=given.to(u.eV), computed=False)
    if detector.electron_energy is None or detector.read_noise is None:
        raise SettingsError(
            "line_width must be given for a detector that counts photons; "
            "it cannot be computed without electron_energy and read_noise"
        )
    pair_ev = positive_in(detector.electron_energy, u.eV, name="electron_energy")
    noise = value_in(detector.read_noise, u.electron, name="read_noise")
    variance = detector.fano_factor * pair_ev * energy_ev + (noise * pair_ev) ** 2
    return LineWidth(full_width=_FWHM_PER_SIGMA * math.sqrt(variance) * u.eV, computed=True)


def _interpolated(
    energy_ev: float, table: tuple[np.ndarray, np.ndarray], name: str
) -> float:
    """Interpolate a table by energy; nothing is guessed beyond its ends."""
    energies_ev, values = table
    low, high = energies_ev[0] * (1 - _SAME_ENERGY), energies_ev[-1] * (1 + _SAME_ENERGY)
    if not low <= energy_ev <= high:
        raise SettingsError(
            f"{name} must reach every energy used; got a table from "
            f"{energies_ev[0] / 1e3:g} to {energies_ev[-1] / 1e3:g} keV "
            f"for {energy_ev / 1e3:g} keV"
        )
    return float(np.interp(energy_ev, energies_ev, values))
