"""The table of which exposures belong to which measurement, as aligned text."""

import os
from collections.abc import Sequence

import astropy.units as u

from beamreduce.campaign.measurement_inputs import CalibratedBy, MeasurementInputs

_HEADER = (
    "measurement",
    "keV",
    "aperture",
    "off-axis",
    "distance mm",
    "beam",
    "background",
    "direct",
    "direct background",
    "bias",
    "dark",
    "flat",
)
_WIDEST = 16


def measurement_table(measurements: Sequence[MeasurementInputs]) -> list[str]:
    """Return one line a measurement, below a line of names; columns are aligned."""
    rows = [_HEADER, *(_row(inputs) for inputs in measurements)]
    widths = [max(len(row[i]) for row in rows) for i in range(len(_HEADER))]
    return [
        "  ".join(
            cell.ljust(width) for cell, width in zip(row, widths, strict=True)
        ).rstrip()
        for row in rows
    ]


def _row(inputs: MeasurementInputs) -> tuple[str, ...]:
    off_axis = f"{inputs.off_axis.to_value(u.arcmin):g}'"
    if inputs.azimuth is not None:
        off_axis += f" at {inputs.azimuth.to_value(u.deg):g}°"
    every = (
        *inputs.beam,
        *inputs.background,
        *inputs.direct,
        *inputs.direct_background,
    )
    return (
        inputs.id,
        f"{inputs.energy.to_value(u.keV):g}",
        inputs.aperture,
        off_axis,
        f"{inputs.detector_distance.to_value(u.mm):.3f}",
        names_in_short([row.exposure.exposure for row in inputs.beam]),
        names_in_short([row.exposure.exposure for row in inputs.background]),
        names_in_short([row.exposure.exposure for row in inputs.direct]),
        names_in_short([row.exposure.exposure for row in inputs.direct_background]),
        *(names_in_short(_masters(every, kind)) for kind in ("bias", "dark", "flat")),
    )


def _masters(rows: Sequence[CalibratedBy], kind: str) -> list[str]:
    return sorted({master.exposure for row in rows for master in getattr(row, kind)})


def names_in_short(names: Sequence[str]) -> str:
    """Return names in one cell: all of them, or first, last and how many there are.

    What all names begin with, up to their number, is written once: ``beam_01…04 (4)``.
    """
    if not names:
        return "–"
    text = " ".join(names)
    if len(text) <= _WIDEST or len(names) == 1:
        return text
    prefix = os.path.commonprefix(list(names))  # noqa: RUF071 - characters are meant
    common = prefix.rstrip("0123456789")
    return f"{names[0]}…{names[-1][len(common) :]} ({len(names)})"
