"""A results folder, read and checked before anything is made of it."""

import json
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from beamreduce.errors import Problem, ResultsError
from beamreduce.record.checksums import sha256_of_file
from beamreduce.record.measurement import quantity_keys

if TYPE_CHECKING:
    from astropy.table import Table

FORMAT = "beamreduce-results/1"
# Numbers are written as text that reads back to the same number; adding in quadrature
# again may change the last digit.
_SAME = 1e-9
_PARTS = ("statistical", "systematic", "model")
_SETTING = {
    "id": str,
    "aperture": str,
    "energy_keV": float,
    "off_axis_arcmin": float,
    "detector_distance_mm": float,
    "reference_radius_mm": float,
    "center_pixel": list,
    "center_uncertainty_pixel": list,
    "notes": dict,
    "inputs": dict,
    "uncertainty_budget": list,
}
_AGAIN = "make the results anew with beamreduce reduce"


@dataclass(frozen=True, kw_only=True)
class ResultsFolder:
    """What one run of ``reduce`` left behind.

    Parameters
    ----------
    folder
        Where it is.
    content
        All of results.json.
    measurements
        Its measurements by id, in its order.
    settings
        As settings.toml holds them.
    checksums
        SHA-256 of the files that are read, by name.
    """

    folder: Path
    content: Mapping[str, object]
    measurements: Mapping[str, Mapping[str, object]]
    settings: Mapping[str, object]
    checksums: Mapping[str, str]

    @property
    def campaign(self) -> str:
        """Name of the campaign."""
        return str(self.content.get("campaign", ""))

    @property
    def mirror(self) -> Mapping[str, object]:
        """The table of the same name in the settings; empty without one."""
        table = self.settings.get("mirror", {})
        return table if isinstance(table, dict) else {}


def curve_file(folder: Path, identity: str) -> Path:
    """Return where the curves of a measurement are kept with their covariance."""
    return folder / f"eef_covariance_{identity}.fits"


def read_results(folder: Path | str) -> ResultsFolder:
    """Read a results folder and check that it is whole and was not changed by hand.

    Raises
    ------
    ResultsError
        When it is no results folder, of another format, damaged, or its files disagree.
    """
    folder = Path(folder)
    path = folder / "results.json"
    if not path.is_file():
        raise _error(
            path,
            "no such file" if folder.is_dir() else "no such folder",
            "the results folder of a run of beamreduce reduce",
            "check the path; campaign folders have to be reduced first",
        )
    stored = _json(path)
    if stored.get("format") != FORMAT:
        raise _error(
            path,
            f"format {stored.get('format')!r}",
            repr(FORMAT),
            "compare results of beamreduce reduce, both of this version of the format",
        )
    listed = stored.get("measurements")
    if not isinstance(listed, list) or not listed:
        raise _error(path, "no measurements", "at least one", _AGAIN)
    measurements = {}
    for number, one in enumerate(listed, 1):
        _check_measurement(path, number, one)
        if one["id"] in measurements:
            raise _error(path, f"{one['id']} twice", "every id once", _AGAIN)
        measurements[one["id"]] = one
    _check_table(folder / "results.ecsv", path, measurements)
    names = ["results.json", "results.ecsv", "settings.toml"]
    curves = [curve_file(folder, name) for name in measurements]
    names += [path.name for path in curves if path.is_file()]
    return ResultsFolder(
        folder=folder,
        content=stored,
        measurements=measurements,
        settings=_settings(folder / "settings.toml"),
        checksums={name: sha256_of_file(folder / name) for name in names},
    )


def _json(path: Path) -> Mapping[str, object]:
    def refuse(word: str) -> None:
        raise ValueError(f"{word} in it")

    try:
        stored = json.loads(path.read_text(encoding="utf-8"), parse_constant=refuse)
    except (OSError, ValueError) as error:
        raise _error(path, f"no sound JSON ({error})", "JSON", _AGAIN) from None
    if not isinstance(stored, dict):
        raise _error(path, "no JSON object", "an object", _AGAIN)
    return stored


def _settings(path: Path) -> Mapping[str, object]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        what = f"settings that cannot be read ({error})"
        raise _error(path, what, "the settings of the run", _AGAIN) from None


def _check_measurement(path: Path, number: int, one: object) -> None:
    if not isinstance(one, dict):
        raise _error(path, f"no object as measurement {number}", "an object", _AGAIN)
    name = one.get("id", number)
    for key, kind in _SETTING.items():
        value = one.get(key)
        sound = isinstance(value, kind) or (kind is float and isinstance(value, int))
        if not sound or isinstance(value, bool):
            what = f"{value!r} for {key} of measurement {name}"
            raise _error(path, what, f"a {kind.__name__}", _AGAIN)
    for key in ("center_pixel", "center_uncertainty_pixel"):
        if len(one[key]) != 2 or not all(_is_number(value) for value in one[key]):
            raise _error(path, f"{one[key]!r} for {key} of {name}", "two numbers", _AGAIN)
    for key in quantity_keys():
        _check_quantity(path, f"{key} of measurement {name}", one.get(key))


def _check_quantity(path: Path, name: str, value: object) -> None:
    """Null, or a number with three uncertainties that add up to the combined one."""
    if value is None:
        return
    parts = ("value", "uncertainty", *_PARTS)
    if not isinstance(value, dict) or not all(_is_number(value.get(p)) for p in parts):
        words = ", ".join(parts)
        raise _error(path, f"{value!r} for {name}", f"null, or numbers for {words}", _AGAIN)
    combined = math.hypot(*(value[part] for part in _PARTS))
    negative = min(value[part] for part in _PARTS) < 0
    if negative or not math.isclose(value["uncertainty"], combined, rel_tol=_SAME):
        raise _error(
            path,
            f"an uncertainty of {value['uncertainty']:g} for {name}, whose parts give "
            f"{combined:g}",
            "numbers as the run wrote them",
            f"was the file changed by hand? {_AGAIN}",
        )


def _check_table(
    path: Path, results: Path, measurements: Mapping[str, Mapping[str, object]]
) -> None:
    """Compare every quantity with results.ecsv, which the same run wrote."""
    table = _table(path)
    rows = {} if table is None or "id" not in table.colnames else {
        str(row["id"]): row for row in table
    }  # fmt: skip
    if set(rows) != set(measurements):
        what = f"measurements {', '.join(sorted(rows)) or 'that cannot be read'}"
        raise _error(path, what, f"those of {results.name}", _AGAIN)
    for name, one in measurements.items():
        for key in quantity_keys():
            if key not in table.colnames:
                continue
            for column, part in ((key, "value"), (f"{key}_uncertainty", "uncertainty")):
                cell, value = rows[name][column], one.get(key)
                if not _agree(cell, None if value is None else value[part]):
                    raise _error(
                        results,
                        f"{'null' if value is None else value[part]} for the {part} of "
                        f"{key} of measurement {name}, where {path.name} has {cell}",
                        "the same number in both",
                        f"was one of them changed by hand? {_AGAIN}",
                    )


def _table(path: Path) -> "Table | None":
    from astropy.table import Table  # noqa: PLC0415 - slow import

    try:
        return Table.read(path, format="ascii.ecsv")
    except Exception:  # the reader has no one class for what is wrong with a file
        return None


def _agree(cell: object, value: float | None) -> bool:
    import numpy as np  # noqa: PLC0415 - with the table only

    if value is None:
        return bool(np.ma.is_masked(cell))
    return not np.ma.is_masked(cell) and math.isclose(float(cell), value, rel_tol=_SAME)


def _is_number(value: object) -> bool:
    plain = isinstance(value, int | float) and not isinstance(value, bool)
    return plain and math.isfinite(value)


def _error(path: Path, found: str, expected: str, action: str) -> ResultsError:
    problem = Problem(file=str(path), found=found, expected=expected, action=action)
    return ResultsError(str(problem))
