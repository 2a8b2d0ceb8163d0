"""Source, detector and monitor as a campaign declares them."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import astropy.units as u
import numpy as np
from astropy.units import Quantity


@dataclass(frozen=True, kw_only=True)
class Facility:
    """The ``[facility]`` table: where the source stands and how large it is.

    ``uncertainties`` maps a key of the table to its declared standard uncertainty.
    """

    source_distance: Quantity
    source_diameter: Quantity
    monitor_distance: Quantity | None = None
    monitor_area: Quantity | None = None
    monitor_efficiency: float | None = None
    monitor_dead_time: Quantity | None = None
    monitor_dead_time_model: str | None = None
    uncertainties: Mapping[str, Quantity | float] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Layer:
    """One ``[layers]`` table: a filter, a window, or what a detector absorbs in.

    ``density`` is None for that of the bulk material.
    """

    name: str
    material: str
    thickness: Quantity
    density: Quantity | None = None
    uncertainties: Mapping[str, Quantity | float] = field(default_factory=dict)

    def relative_uncertainty(self, key: str) -> float:
        """Return the declared uncertainty of a key over its value; 0 when not declared."""
        declared, value = self.uncertainties.get(key), getattr(self, key)
        if declared is None or value is None:
            return 0.0
        return float(Quantity(declared / value).to_value(u.one))


@dataclass(frozen=True, kw_only=True)
class Detector:
    """One ``[detector]`` table: how pixel values become photons.

    ``gain``, ``read_noise``, ``electron_energy`` and ``saturation`` are None for a
    counting detector. ``electrons_per_photon`` and ``line_width`` are tables
    (energy, value) when given. ``sensor`` and ``window`` name the layers that photons
    are absorbed in, and have to pass before.
    """

    name: str
    pixel_size: Quantity
    mode: str  # "integrating" or "counting"
    gain: Quantity | None = None
    read_noise: Quantity | None = None
    electron_energy: Quantity | None = None
    saturation: Quantity | None = None
    fano_factor: float = 0.115
    linearity: float | None = None
    electrons_per_photon: tuple[Quantity, Quantity] | None = None
    line_width: tuple[Quantity, Quantity] | Quantity | None = None
    x_flipped: bool | None = None
    rotation: Quantity | None = None
    sensor: str | None = None
    window: str | None = None
    uncertainties: Mapping[str, Quantity | float] = field(default_factory=dict)

    @property
    def integrating(self) -> bool:
        """True when pixel values are charge, False when they are photons."""
        return self.mode == "integrating"

    def relative_uncertainty(self, key: str) -> float:
        """Return the declared uncertainty of a key over its value; 0 when not declared.

        For a table by energy it is the largest ratio among the entries.
        """
        declared = self.uncertainties.get(key)
        if declared is None:
            return 0.0
        value = getattr(self, key)
        if isinstance(value, tuple):
            value = value[1]
        return float(np.max(np.abs(Quantity(declared / value).to_value(u.one))))
