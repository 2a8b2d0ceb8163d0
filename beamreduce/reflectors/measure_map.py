"""Everything that one map says, from file to numbers: a pure function for any process."""

from dataclasses import dataclass
from pathlib import Path

import astropy.units as u
import numpy as np

from beamreduce.errors import ReflectorError, SettingsError
from beamreduce.record import Uncertain
from beamreduce.reflectors.band_powers import BandPowers, band_powers
from beamreduce.reflectors.height_map import HeightMap
from beamreduce.reflectors.map_list import MapRow
from beamreduce.reflectors.power_spectrum import (
    area_spectrum,
    band_roughness,
    line_spectrum,
)
from beamreduce.reflectors.read_map import read_map
from beamreduce.reflectors.remove_shape import Residual, remove_shape
from beamreduce.reflectors.roughness import HEIGHT_PARAMETERS, Instrument, roughness
from beamreduce.reflectors.setup import MapTreatment


@dataclass(frozen=True, kw_only=True)
class MapNumbers:
    """Numbers of one map.

    Parameters
    ----------
    map
        Its name.
    values
        ``Sa``, ``Sq``, ``Sz``, ``Sq_band`` (nm), ``Ssk``, ``Sku``; empty when the map
        cannot be used.
    bands
        Its spectrum in fixed bands; None when it cannot be used.
    size
        Rows and columns.
    pixel_size_um
        Along x and y.
    missing_fraction, outlier_fraction
        Points without a height, and masked.
    note
        Why the map, or one of its numbers, cannot be had; empty else.
    """

    map: str
    values: dict[str, Uncertain]
    bands: BandPowers | None
    size: tuple[int, int]
    pixel_size_um: tuple[float, float]
    missing_fraction: float
    outlier_fraction: float
    note: str = ""

    @property
    def usable(self) -> bool:
        """True when the map gave numbers."""
        return bool(self.values)

    def to_json(self) -> dict[str, object]:
        """Return the form that files hold."""
        bands = self.bands
        return {
            "map": self.map,
            "values": {key: value.to_json() for key, value in self.values.items()},
            "bands": None
            if bands is None
            else {
                "first": bands.first,
                "area_nm2": bands.area_nm2.tolist(),
                "area_squares_nm4": bands.area_squares_nm4.tolist(),
                "line_nm2": bands.line_nm2.tolist(),
                "line_density_nm2_um": [
                    None if np.isnan(x) else float(x) for x in bands.line_density_nm2_um
                ],
            },
            "size": list(self.size),
            "pixel_size_um": list(self.pixel_size_um),
            "missing_fraction": self.missing_fraction,
            "outlier_fraction": self.outlier_fraction,
            "note": self.note,
        }

    @classmethod
    def from_json(cls, stored: dict[str, object]) -> "MapNumbers":
        """Read the form that files hold."""
        bands = stored["bands"]
        return cls(
            map=stored["map"],
            values={
                key: Uncertain.from_json(value) for key, value in stored["values"].items()
            },
            bands=None
            if bands is None
            else BandPowers(
                first=bands["first"],
                **{
                    key: np.array(bands[key], dtype=float)
                    for key in (
                        "area_nm2",
                        "area_squares_nm4",
                        "line_nm2",
                        "line_density_nm2_um",
                    )
                },
            ),
            size=tuple(stored["size"]),
            pixel_size_um=tuple(stored["pixel_size_um"]),
            missing_fraction=stored["missing_fraction"],
            outlier_fraction=stored["outlier_fraction"],
            note=stored["note"],
        )


def open_map(row: MapRow) -> HeightMap:
    """Read the file that a row of the table names."""
    return read_map(
        Path(row.path),
        pixel_size=None if row.pixel_size_um is None else row.pixel_size_um * u.um,
        pixel_size_y=None if row.pixel_size_y_um is None else row.pixel_size_y_um * u.um,
        height_unit=None if row.height_unit is None else u.Unit(row.height_unit),
        name=f"{row.file} (map {row.map})",
    )


def measure_map(row: MapRow, treatment: MapTreatment, instrument: Instrument) -> MapNumbers:
    """Return the numbers of one map.

    A map that can be read but not used (hardly a height in it, a single point) gives no
    numbers and a note that says why: the other maps are not held up by it.

    Raises
    ------
    ReflectorError
        When the file cannot be read or contradicts the table.
    """
    heights = open_map(row)
    found = {
        "map": row.map,
        "size": heights.height_nm.shape,
        "pixel_size_um": (heights.pixel_x_um, heights.pixel_y_um),
        "missing_fraction": heights.missing_fraction,
    }
    try:
        residual = remove_shape(
            heights, shape=treatment.shape, outlier_limit=treatment.outlier_limit
        )
        return MapNumbers(
            **found,
            outlier_fraction=residual.outlier_fraction,
            **_numbers(residual, treatment, instrument),
        )
    except ReflectorError as error:
        return MapNumbers(
            **found, values={}, bands=None, outlier_fraction=0.0, note=str(error)
        )


def _numbers(
    residual: Residual, treatment: MapTreatment, instrument: Instrument
) -> dict[str, object]:
    lost = residual.missing_fraction + residual.outlier_fraction
    if lost > treatment.missing_fraction_limit:
        raise ReflectorError(
            f"{residual.map.name}: found {lost:.0%} of the points missing or masked; "
            f"expected at most {treatment.missing_fraction_limit:.0%} "
            f"(maps.missing_fraction_limit); measure it again"
        )
    found = roughness(residual.map, instrument=instrument)
    values = {key: getattr(found, key) for key in HEIGHT_PARAMETERS}
    area = area_spectrum(residual.map, window=treatment.window)
    line = line_spectrum(
        residual.map, direction=treatment.light_along, window=treatment.window
    )
    note = ""
    if treatment.shortest_um is not None and treatment.longest_um is not None:
        try:
            band = band_roughness(
                area,
                shortest=treatment.shortest_um * u.um,
                longest=treatment.longest_um * u.um,
            )
            values["Sq_band"] = band.with_systematic(instrument.height_scale)
        except SettingsError as error:
            note = f"Sq_band: {error}"
    return {"values": values, "bands": band_powers(area, line), "note": note}
