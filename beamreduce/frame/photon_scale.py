"""How many adu a photon makes in a detector, and how much that number fluctuates.

``N_e = E/w`` electrons a photon; their variance is ``F N_e`` (Fano), so a sum of photons
varies by ``1 + F/N_e = 1 + F w/E`` photons squared for each. A counting detector gives
the photons themselves: one unit a photon, variance one.
"""

import astropy.units as u
from astropy.units import Quantity

from beamreduce.beamline.charge import electrons_per_photon
from beamreduce.beamline.stations import Detector
from beamreduce.errors import SettingsError
from beamreduce.units import ELECTRON_PER_ADU, positive_in, value_in


def adu_per_photon(detector: Detector, energy: Quantity | None) -> float:
    """Return the mean pixel value that one photon adds, 1 for a counting detector.

    Raises
    ------
    SettingsError
        When an integrating detector is asked without an energy.
    """
    if not detector.integrating:
        return 1.0
    if energy is None:
        raise SettingsError(
            f"energy must be given to turn the charge of {_called(detector)} into "
            f"photons; got none (fill in the column energy)"
        )
    return electrons_per_photon(detector, energy) / electrons_per_adu(detector)


def variance_per_photon(detector: Detector, energy: Quantity | None) -> float:
    """Return the variance that each photon brings, in photons squared."""
    if not detector.integrating or energy is None:
        return 1.0
    return 1.0 + detector.fano_factor / electrons_per_photon(detector, energy)


def electrons_per_adu(detector: Detector) -> float:
    """Return the gain; 1 for a counting detector, whose unit is the photon."""
    if not detector.integrating:
        return 1.0
    return positive_in(_setting(detector, "gain"), ELECTRON_PER_ADU, name="gain")


def read_variance_adu2(detector: Detector) -> float:
    """Return the read-noise variance of one pixel of one frame in adu squared."""
    if not detector.integrating:
        return 0.0
    electrons = value_in(_setting(detector, "read_noise"), u.electron, name="read_noise")
    return (electrons / electrons_per_adu(detector)) ** 2


def saturation_adu(detector: Detector) -> float | None:
    """Return the pixel value at which charge is lost; None when none is declared."""
    if detector.saturation is None:
        return None
    return positive_in(detector.saturation, u.adu, name="saturation")


def _setting(detector: Detector, key: str) -> Quantity:
    value = getattr(detector, key)
    if value is None:
        raise SettingsError(
            f"{key} of {_called(detector)} must be given for an integrating detector; "
            f"got none (add it to campaign.toml)"
        )
    return value


def _called(detector: Detector) -> str:
    return f"detector {detector.name!r}" if detector.name else "the detector"
