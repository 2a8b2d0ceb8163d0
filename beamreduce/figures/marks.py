"""The diameters that figures point out, and how a value with uncertainty is written."""

from dataclasses import dataclass

import astropy.units as u
from astropy.units import Quantity

from beamreduce.encircled_energy import HALF_POWER, NINETY, Diameters
from beamreduce.errors import SettingsError
from beamreduce.record import Uncertain
from beamreduce.units import arcsec_per_mm

_NAMES = {HALF_POWER: "HPD", NINETY: "W90"}


@dataclass(frozen=True, kw_only=True)
class MarkedDiameter:
    """A diameter to point out.

    Parameters
    ----------
    name
        What it is called, such as ``HPD``.
    share
        Share of the photons inside it.
    mm, arcsec
        The diameter on the detector and seen from the mirror.
    """

    name: str
    share: float
    mm: Uncertain
    arcsec: Uncertain

    @property
    def radius_mm(self) -> float:
        """Half of the diameter."""
        return self.mm.value / 2


@dataclass(frozen=True, kw_only=True)
class Marks:
    """What figures of one measurement point out.

    Parameters
    ----------
    reference_radius
        Where the encircled energy is 1, a length on the detector.
    diameters
        At most two; none where they cannot be had (saturated core).
    """

    reference_radius: Quantity
    diameters: tuple[MarkedDiameter, ...] = ()

    def __post_init__(self) -> None:
        if len(self.diameters) > 2:
            names = ", ".join(mark.name for mark in self.diameters)
            raise SettingsError(f"at most two diameters can be marked; got {names}")


def marks_of(diameters: Diameters, *, detector_distance: Quantity) -> Marks:
    """Return the marks of measured diameters; angles are offset over distance.

    The angles get no uncertainty from the distance; where that counts, build
    :class:`MarkedDiameter` from the values that are quoted.
    """
    scale = arcsec_per_mm(detector_distance.to_value(u.mm))
    return Marks(
        reference_radius=diameters.reference_radius,
        diameters=tuple(
            MarkedDiameter(
                name=_NAMES.get(share, f"W{100 * share:g}"),
                share=share,
                mm=mm,
                arcsec=mm.scaled(scale),
            )
            for share, mm in zip(diameters.fractions, diameters.diameter_mm, strict=True)
        ),
    )
