"""The figure of all half-power diameters of a campaign."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from beamreduce.figures import (
    DiameterRow,
    diameters_height_cm,
    draw_and_save,
    draw_diameters,
)
from beamreduce.record import Uncertain


def diameter_rows(measurements: Sequence[Mapping[str, object]]) -> tuple[DiameterRow, ...]:
    """Return the diameters of results.json as a figure takes them."""

    def quantity(stored: object) -> Uncertain | None:
        return None if stored is None else Uncertain.from_json(stored)  # type: ignore[arg-type]

    return tuple(
        DiameterRow(
            name=str(m["id"]),
            measured=quantity(m["hpd_measured_arcsec"]),
            infinity=quantity(m["hpd_infinity_arcsec"]),
        )
        for m in measurements
    )


def draw_all_diameters(folder: Path, measurements: Sequence[Mapping[str, object]]) -> None:
    """Write ``diameters`` as PNG and SVG; its numbers are in ``results.ecsv``."""
    rows = diameter_rows(measurements)
    draw_and_save(
        folder / "diameters",
        lambda figure: draw_diameters(figure.subplots(), rows),
        height_cm=diameters_height_cm(len(rows)),
    )
