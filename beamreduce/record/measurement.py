"""One measurement: every number that is quoted of one setting of the beamline."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields

import numpy as np

from beamreduce.errors import OutputError
from beamreduce.record.uncertain import Uncertain

NOT_YET = "not determined by this version"


@dataclass(frozen=True, kw_only=True)
class Measurement:
    """The record of all stages for one setting; names and units as in results.json.

    A quantity is :class:`Uncertain`, or None with a sentence in ``notes`` under its key.
    """

    id: str
    exposures: tuple[str, ...]
    aperture: str
    energy_keV: float
    off_axis_arcmin: float
    azimuth_deg: float | None
    detector_distance_mm: float
    reference_radius_mm: float
    reference_radius_arcsec: float
    center_pixel: tuple[float, float]
    center_uncertainty_pixel: tuple[float, float]
    detector: str = ""
    detector_position_mm: tuple[float, float] | None = None
    net_photons: Uncertain | None = None
    background_per_pixel: Uncertain | None = None
    flux_beyond_reference: Uncertain | None = None
    filled_fraction: float = 0.0
    saturated_fraction: float = 0.0
    hpd_measured_arcsec: Uncertain | None = None
    hpd_measured_mm: Uncertain | None = None
    w90_measured_arcsec: Uncertain | None = None
    w90_measured_mm: Uncertain | None = None
    hpd_infinity_arcsec: Uncertain | None = None
    w90_infinity_arcsec: Uncertain | None = None
    infinity_detector_distance_mm: float | None = None
    hpd_infinity_best_focus_arcsec: Uncertain | None = None
    infinity_best_focus_mm: float | None = None
    effective_area_measured_cm2: Uncertain | None = None
    effective_area_infinity_cm2: Uncertain | None = None
    effective_area_within_reference_measured_cm2: Uncertain | None = None
    effective_area_within_reference_infinity_cm2: Uncertain | None = None
    flux_ratio: Mapping[str, object] | None = None
    area_at_infinity: Mapping[str, object] | None = None
    primary_exercised_fraction: float | None = None
    fit: Mapping[str, object] | None = None
    hpd_by_reference_radius: tuple[Mapping[str, object], ...] = ()
    sectors: tuple[Mapping[str, object], ...] = ()
    uncertainty_budget: tuple[Mapping[str, object], ...] = ()
    blur_budget: tuple[Mapping[str, object], ...] = ()
    conventions: Mapping[str, object] = field(default_factory=dict)
    matched: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    inputs: Mapping[str, str] = field(default_factory=dict)
    notes: Mapping[str, str] = field(default_factory=dict)
    measured_key: str = ""
    key: str = ""

    def to_json(self) -> dict[str, object]:
        """Return the form that results.json holds; every None has its note.

        Raises
        ------
        OutputError
            When a number is not finite: nothing of that kind is ever written.
        """
        stored: dict[str, object] = {}
        notes = dict(self.notes)
        for item in fields(self):
            value = plain_json(getattr(self, item.name), item.name)
            if value is None and item.name != "azimuth_deg":
                notes.setdefault(item.name, NOT_YET)
            stored[item.name] = value
        stored["notes"] = dict(sorted(notes.items()))
        return stored


def quantity_keys() -> tuple[str, ...]:
    """Names of the fields that hold a quantity with an uncertainty."""
    return tuple(item.name for item in fields(Measurement) if "Uncertain" in str(item.type))


def plain_json(value: object, name: str = "value") -> object:
    """Return the form that JSON holds of numbers, quantities, and groups of them.

    Raises
    ------
    OutputError
        When a number is not finite.
    """
    if isinstance(value, Uncertain):
        return value.to_json()
    if isinstance(value, Mapping):
        return {
            str(key): plain_json(entry, f"{name}.{key}") for key, entry in value.items()
        }
    if isinstance(value, tuple | list):
        return [plain_json(entry, name) for entry in value]
    if isinstance(value, np.generic):
        value = value.item()  # keeps truth values and whole numbers what they are
    if isinstance(value, bool | str | int) or value is None:
        return value
    number = float(value)  # type: ignore[arg-type]
    if not math.isfinite(number):
        raise OutputError(
            f"{name} is {number}; results hold finite numbers only; this is a fault of "
            f"the program, please report it with the campaign"
        )
    return number
