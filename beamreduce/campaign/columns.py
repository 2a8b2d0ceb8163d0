"""The columns of ``exposures.ecsv``: what each holds, in which unit and range."""

from collections.abc import Mapping
from dataclasses import dataclass

import astropy.units as u

from beamreduce.record.ranges import (
    ABOVE_ZERO,
    ANY,
    FRACTION_ABOVE_ZERO,
    FRACTION_BELOW_ONE,
    WHOLE_FROM_ONE,
    ZERO_OR_MORE,
    Range,
)

KINDS = ("beam", "direct", "background", "dark", "bias", "flat")
SHIFTS = ("mirror_tilt", "source_shift")

# "frames/a.fits" names no row; cards describe an exposure, they do not name it.
NOT_FROM_CARDS = ("exposure", "file")


@dataclass(frozen=True, kw_only=True)
class Column:
    """One column; ``unit`` is None for text, truth values, counts and fractions."""

    name: str
    content: str  # "text", "name", "truth" or "number"
    unit: u.UnitBase | None = None
    allowed: Range = ANY


def _text(*names: str) -> list[Column]:
    return [Column(name=name, content="text") for name in names]


def _names(*names: str) -> list[Column]:
    return [Column(name=name, content="name") for name in names]


def _numbers(unit: u.UnitBase | None, allowed: Range, *names: str) -> list[Column]:
    return [
        Column(name=name, content="number", unit=unit, allowed=allowed) for name in names
    ]


_ALL = (
    _names("exposure", "group", "background")
    + _text("file", "kind", "aperture", "off_axis_by", "detector", "comment", "filter")
    + [Column(name="pre_collimator", content="truth")]
    + _numbers(u.s, ZERO_OR_MORE, "exposure_time")
    + _numbers(u.s, ABOVE_ZERO, "monitor_time", "live_time")
    + _numbers(u.keV, ABOVE_ZERO, "energy")
    + _numbers(u.mm, ABOVE_ZERO, "detector_distance")
    + _numbers(u.arcmin, ZERO_OR_MORE, "off_axis")
    + _numbers(u.deg, ANY, "azimuth")
    + _numbers(None, ZERO_OR_MORE, "monitor_counts", "monitor_background", "counts")
    + _numbers(None, WHOLE_FROM_ONE, "readouts")
    + _numbers(None, FRACTION_BELOW_ONE, "monitor_dead_time_fraction")
    + _numbers(None, FRACTION_BELOW_ONE, "dead_time_fraction")
    + _numbers(None, FRACTION_ABOVE_ZERO, "filter_transmission", "detector_efficiency")
    + _numbers(None, FRACTION_ABOVE_ZERO, "line_fraction")
    + _numbers(u.mm, ANY, "detector_x", "detector_y")
    + _numbers(u.deg_C, ANY, "temperature")
    + _numbers(u.mm**2, ABOVE_ZERO, "collecting_area")
    + _numbers(u.m, ABOVE_ZERO, "distance_from_source")
)

COLUMNS: Mapping[str, Column] = {column.name: column for column in _ALL}

UNCERTAINTY = "_uncertainty"

# A temperature difference has no zero point to convert.
_UNCERTAINTIES = [
    Column(
        name=column.name + UNCERTAINTY,
        content="number",
        unit=u.K if column.unit == u.deg_C else column.unit,
        allowed=ZERO_OR_MORE,
    )
    for column in _ALL
    if column.content == "number"
]

ALL_COLUMNS: Mapping[str, Column] = COLUMNS | {c.name: c for c in _UNCERTAINTIES}
