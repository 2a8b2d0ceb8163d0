"""Which exposures make one measurement, and what each of them is calibrated by."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from astropy.units import Quantity

from beamreduce.beamline import Detector
from beamreduce.campaign.exposure import Exposure


@dataclass(frozen=True, kw_only=True)
class CalibratedBy:
    """One exposure and the exposures whose masters it uses.

    Parameters
    ----------
    exposure
        The exposure itself.
    bias, dark, flat
        Exposures of the masters; empty where there are none or none are needed.
    dark_use
        ``rate``: (dark - bias)/t, scaled by time; ``same_time``: taken off whole;
        ``none``.
    flat_dark
        Without bias frames: darks of the flats' own exposure time.
    background
        Names of the background exposures that this one uses.
    """

    exposure: Exposure
    bias: tuple[Exposure, ...] = ()
    dark: tuple[Exposure, ...] = ()
    flat: tuple[Exposure, ...] = ()
    dark_use: str = "none"
    flat_dark: tuple[Exposure, ...] = ()
    background: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class MeasurementInputs:
    """The exposures of one measurement, in the order of their names.

    Parameters
    ----------
    id
        Group, or name of the one exposure.
    beam, background, direct, direct_background
        Exposures by role.
    detector
        The detector of all of them.
    notes
        Sentences about what is missing, by key.
    aperture, energy, off_axis, azimuth, detector_distance
        The setting that all beam exposures share.
    """

    id: str
    beam: tuple[CalibratedBy, ...]
    background: tuple[CalibratedBy, ...]
    direct: tuple[CalibratedBy, ...]
    direct_background: tuple[CalibratedBy, ...]
    detector: Detector
    aperture: str
    energy: Quantity
    off_axis: Quantity
    azimuth: Quantity | None
    detector_distance: Quantity
    notes: Mapping[str, str] = field(default_factory=dict)
