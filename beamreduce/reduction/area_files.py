"""Tables behind the figures of areas: by energy, off the axis, stray light, monitor."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import astropy.units as u
import numpy as np

from beamreduce.record import write_table_whole
from beamreduce.report import field_name

if TYPE_CHECKING:
    from astropy.table import Table

_PARTS = ("uncertainty", "statistical", "systematic", "model")
_UNITS = {
    "cm2": u.cm**2,
    "keV": u.keV,
    "arcmin": u.arcmin,
    "deg": u.deg,
    "arcsec": u.arcsec,
    "mm": u.mm,
    "seconds": u.s,
}


def write_area_files(folder: Path, results: Mapping[str, object]) -> None:
    """Write the ECSV tables of ``effective_areas`` and ``off_axis``.

    Parameters
    ----------
    folder
        Where they go.
    results
        As results.json holds them.
    """
    areas = results["effective_areas"]
    rows = [
        {key: value for key, value in row.items() if key != "measurements"}
        for row in areas["by_energy"]  # type: ignore[index]
    ]
    _write(folder / "areas.ecsv", rows)
    _write(folder / "monitor.ecsv", areas["monitor"])  # type: ignore[index]
    for entry in results["off_axis"]:  # type: ignore[attr-defined]
        name = field_name(entry)
        _write(folder / f"off_axis_{name}.ecsv", entry.get("points") or [])
        curve = entry.get("vignetting")
        if curve:
            lists = {k: v for k, v in curve.items() if isinstance(v, list)}
            rows = [
                dict(zip(lists, values, strict=True))
                for values in zip(*lists.values(), strict=True)
            ]
            _write(folder / f"vignetting_{name}.ecsv", rows)
        stray = entry.get("stray_light")
        if stray:
            rows = [
                {"pre_collimator": kind == "with_pre_collimator", **row}
                for kind, some in stray["model"].items()
                for row in some
            ]
            _write(folder / f"stray_{name}.ecsv", rows)


def _write(path: Path, rows: Sequence[Mapping[str, object]]) -> None:
    if not rows:
        return
    write_table_whole(path, area_table(rows))


def area_table(rows: Sequence[Mapping[str, object]]) -> "Table":
    """Return rows as a table; a quantity gets a column for its value and each part.

    What is null is masked.
    """
    from astropy.table import MaskedColumn, Table  # noqa: PLC0415 - slow import

    table = Table(masked=True)
    for key in rows[0]:
        values = [row[key] for row in rows]
        if any(isinstance(v, Mapping) for v in values):
            for part in ("value", *_PARTS):
                name = key if part == "value" else f"{key}_{part}"
                numbers = [None if v is None else v[part] for v in values]
                table[name] = _numbers(numbers, _unit(key))
        elif all(isinstance(v, str | bool) for v in values):
            table[key] = MaskedColumn(values)
        else:
            table[key] = _numbers(values, _unit(key))
    return table


def _unit(key: str) -> u.UnitBase | None:
    return next((unit for name, unit in _UNITS.items() if key.endswith(name)), None)


def _numbers(values: Sequence[float | None], unit: u.UnitBase | None) -> object:
    from astropy.table import MaskedColumn  # noqa: PLC0415 - slow import

    return MaskedColumn(
        np.array([0.0 if v is None else v for v in values], dtype=float),
        mask=[v is None for v in values],
        unit=unit,
    )
