"""The key of a measurement: equal key, equal numbers, not redone."""

import dataclasses
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path

import astropy.units as u
from astropy.units import Quantity

from beamreduce.campaign import CalibratedBy, Exposure
from beamreduce.record import sha256_of_file, sha256_of_json, software_versions
from beamreduce.reduction.request import MeasureRequest

# What the flux ratio reads of [facility].
_AREA_SETTINGS = ("source_distance", "monitor_dead_time", "monitor_dead_time_model")
RESULTS_FORMAT = "beamreduce-results/1"


def _members(request: MeasureRequest) -> dict[str, tuple[CalibratedBy, ...]]:
    """The exposures that a measurement's numbers depend on, by what they do."""
    inputs = request.inputs
    return {
        "beam": inputs.beam,
        "background": request.beam_off,
        "direct": inputs.direct,
        "direct_background": inputs.direct_background,
    }


def exposures_of(request: MeasureRequest) -> tuple[Exposure, ...]:
    """Return every exposure that a measurement's numbers depend on, in order of name."""
    rows = [row for members in _members(request).values() for row in members]
    found = {row.exposure.exposure: row.exposure for row in rows}
    for row in rows:
        for master in (*row.bias, *row.dark, *row.flat, *row.flat_dark):
            found[master.exposure] = master
    return tuple(found[name] for name in sorted(found))


def matched_exposures(request: MeasureRequest) -> dict[str, tuple[str, ...]]:
    """Return the names of the exposures that serve a measurement, by what they do."""
    members = _members(request)
    matched = {
        name: tuple(row.exposure.exposure for row in rows)
        for name, rows in members.items()
        if name != "beam"
    }
    calibrated = [row for rows in members.values() for row in rows]
    for kind in ("bias", "dark", "flat", "flat_dark"):
        names = {e.exposure for row in calibrated for e in getattr(row, kind)}
        matched[kind] = tuple(sorted(names))
    return matched


def input_checksums(request: MeasureRequest) -> dict[str, str]:
    """Return the SHA-256 of every frame of a measurement, by its path in the campaign."""
    return {
        exposure.file: _checksum(request.folder / exposure.file)
        for exposure in exposures_of(request)
        if exposure.file
    }


def measurement_key(request: MeasureRequest) -> str:
    """Return the SHA-256 over all that a measurement's numbers depend on."""
    return sha256_of_json(
        {
            "format": RESULTS_FORMAT,
            "version": software_versions()["beamreduce"],
            "frames": input_checksums(request),
            "rows": [as_plain(exposure) for exposure in exposures_of(request)],
            "settings": settings_used(request),
        }
    )


def settings_used(request: MeasureRequest) -> dict[str, object]:
    """Return the settings that the steps of one measurement read.

    Mirror and the star's plane are not among them: only the fold reads those. Facility
    and layers are, where there is a direct beam: the area depends on distances, monitor
    and filters.
    """
    reduction = dataclasses.replace(
        request.setup.reduction, infinity_detector_distance=None
    )
    used = {
        "id": request.inputs.id,
        "detector": as_plain(request.inputs.detector),  # with its uncertainties
        "reduction": as_plain(reduction),
        "background": request.background_method,
        "reference_radius": as_plain(request.reference_radius),
    }
    if request.inputs.direct:  # without a direct beam there is no area to ask for them
        facility = request.setup.facility
        used["facility"] = {
            key: as_plain([getattr(facility, key), facility.uncertainties.get(key)])
            for key in _AREA_SETTINGS
        }
        used["layers"] = as_plain(request.setup.layers)
    return used


def as_plain(value: object) -> object:
    """Turn settings into what JSON and TOML hold; quantities become text with a unit."""
    if isinstance(value, Quantity):
        if value.shape:
            return [f"{float(v)!r} {value.unit.to_string()}".strip() for v in value.value]
        number = float(value.value)
        unit = value.unit.to_string()
        return number if value.unit == u.dimensionless_unscaled else f"{number!r} {unit}"
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {
            field.name: as_plain(getattr(value, field.name))
            for field in dataclasses.fields(value)
        }
    if isinstance(value, Mapping):
        return {str(k): as_plain(v) for k, v in sorted(value.items())}
    if isinstance(value, tuple | list):
        return [as_plain(entry) for entry in value]
    return value


@lru_cache(maxsize=100_000)
def _checksum_of(path: Path, _state: tuple[int, ...]) -> str:
    return sha256_of_file(path)


def _checksum(path: Path) -> str:
    """SHA-256, read once for a file that has not changed since."""
    try:
        status = path.stat()
    except OSError:
        return sha256_of_file(path)  # says what is wrong
    # The time of the last change of the file's record cannot be set back by anyone.
    state = (status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns)
    return _checksum_of(path.absolute(), state)
