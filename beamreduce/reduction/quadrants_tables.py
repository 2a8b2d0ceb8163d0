"""The tables behind quadrants.json: quadrants, moves, sensitivity, focus, next rounds."""

from typing import TYPE_CHECKING

import astropy.units as u
import numpy as np

from beamreduce.campaign.rounds import COLUMNS
from beamreduce.reduction.quadrants_bars import bar_rows, budget_rows
from beamreduce.reduction.quadrants_step import QuadrantsFound
from beamreduce.units import arcsec_per_mm

if TYPE_CHECKING:
    from astropy.table import Table

_ARCSEC = arcsec_per_mm(1.0)  # of a rad


def quadrant_table(found: QuadrantsFound) -> "Table":
    """Return one row an image: round, place, size, shape, target, displacement."""
    rows = []
    for one in found.rounds:
        for measured in one.measured:
            image = measured.image
            target = found.folded[image.aperture].targets[image.id]
            apart = (np.nan, np.nan)
            if one.displaced is not None:
                apart = np.array(one.displaced.of(image.aperture)) * image.distance_mm
            size, shape = image.hpd_arcsec, image.shape
            spread = np.sqrt(np.diag(image.covariance_px2))
            rows.append(
                {
                    "round": one.round.number,
                    "aperture": image.aperture,
                    "measurement": image.id,
                    "detector_distance": image.distance_mm * u.mm,
                    "energy": image.energy_kev * u.keV,
                    "center_x": image.center_px[0] * u.pix,
                    "center_x_uncertainty": spread[0] * u.pix,
                    "center_y": image.center_px[1] * u.pix,
                    "center_y_uncertainty": spread[1] * u.pix,
                    "center_covariance": image.covariance_px2[0, 1] * u.pix**2,
                    "target_x": target.place_mm[0] * u.mm,
                    "target_y": target.place_mm[1] * u.mm,
                    "displacement_x": apart[0] * u.mm,
                    "displacement_y": apart[1] * u.mm,
                    "hpd": (np.nan if size is None else size.value) * u.arcsec,
                    "hpd_uncertainty": (np.nan if size is None else size.uncertainty)
                    * u.arcsec,
                    "longest": (np.nan if shape is None else shape.longest_mm.value) * u.mm,
                    "shortest": (np.nan if shape is None else shape.shortest_mm.value)
                    * u.mm,
                    "longest_azimuth": (np.nan if shape is None else shape.azimuth_deg)
                    * u.deg,
                }
            )
    return _table(rows)


def sensitivity_table(found: QuadrantsFound) -> "Table":
    """Return what each adjuster does to the image of its quadrant."""
    rows = []
    for effect in found.effects:
        adjuster = effect.adjuster
        unit = adjuster.shown_unit
        per_unit = (1 * unit).to_value(adjuster.unit)
        travel = adjuster.travel_max - adjuster.travel_min
        rows.append(
            {
                "quadrant": adjuster.quadrant,
                "adjuster": adjuster.name,
                "motion": adjuster.motion,
                "stage": adjuster.stage,
                "unit": unit.to_string(),
                "step": adjuster.amount(1).value,
                "image_x_per_unit": effect.per_unit_mm[0] * per_unit * u.mm,
                "image_y_per_unit": effect.per_unit_mm[1] * per_unit * u.mm,
                "image_x_uncertainty": effect.error_mm[0] * per_unit * u.mm,
                "image_y_uncertainty": effect.error_mm[1] * per_unit * u.mm,
                "image_over_travel": float(np.hypot(*effect.per_unit_mm)) * travel * u.mm,
                "hpd_at_travel_end": effect.hpd_change_rad * _ARCSEC * u.arcsec,
                "flux_per_unit": effect.flux_per_unit * per_unit,
                "locked": adjuster.locked,
            }
        )
    return _table(rows)


def move_table(found: QuadrantsFound) -> "Table":
    """Return the next moves, one row an adjuster."""
    return _table(
        [
            {
                "quadrant": move.adjuster.quadrant,
                "adjuster": move.adjuster.name,
                "motion": move.adjuster.motion,
                "steps": move.steps,
                "value": float(move.adjuster.amount(move.steps).value),
                "uncertainty": float(
                    (move.uncertainty * move.adjuster.unit).to_value(
                        move.adjuster.shown_unit
                    )
                ),
                "unit": move.adjuster.shown_unit.to_string(),
                "note": move.note,
            }
            for move in found.plan.moves
        ]
    )


def focus_table(found: QuadrantsFound) -> "Table":
    """Return the HPD of the whole image against the detector's distance."""
    states = [(f"round {r.round.number}", r.whole) for r in found.rounds] + [
        ("coincident", found.coincident_whole)
    ]
    return _table(
        [
            {
                "state": name,
                "detector_distance": float(distance) * u.mm,
                "hpd": float(hpd) * _ARCSEC * u.arcsec,
                "area": float(area) / 100 * u.cm**2,
            }
            for name, whole in states
            if whole is not None
            for distance, hpd, area in zip(
                whole.distance_mm, whole.hpd_rad, whole.area_mm2, strict=True
            )
        ]
    )


def next_round_table(found: QuadrantsFound) -> "Table":
    """Return rows of the next round for the log: the plan, and cells for what was done."""
    number = found.last.round.number + 1
    rows = []
    for action in ("planned", "done"):
        for move in found.plan.moves:
            if move.steps:
                cells = (
                    number,
                    action,
                    move.adjuster.quadrant,
                    move.adjuster.name,
                    str(move.steps) if action == "planned" else "",
                    "",
                )
                rows.append(dict(zip(COLUMNS, cells, strict=True)))
    return _table(rows)


def convergence_table(found: QuadrantsFound) -> "Table":
    """Return how far every quadrant is off in each round, and the HPD of the whole."""
    rows = []
    for one in found.rounds:
        if one.displaced is None:
            continue
        for name in one.displaced.names:
            apart = np.array(one.displaced.of(name)) * found.detector_mm
            hpd = np.nan if one.whole is None else one.whole.best[1] * _ARCSEC
            rows.append(
                {
                    "round": one.round.number,
                    "aperture": name,
                    "off_target": float(np.hypot(*apart)) * u.mm,
                    "hpd_best_focus": hpd * u.arcsec,
                }
            )
    return _table(rows)


def bar_table(found: QuadrantsFound) -> "Table":
    """Return what errors of alignment bars do to the light of each nesting."""
    return _table(bar_rows(found.bars, found.detector_mm))


def budget_table(found: QuadrantsFound) -> "Table":
    """Return the HPD of the whole mirror against the error of its bars."""
    return _table(budget_rows(found.budget))


def _table(rows: list[dict[str, object]]) -> "Table":
    from astropy.table import QTable, Table  # noqa: PLC0415 - slow import

    if not rows:
        return Table()
    return Table(QTable(rows=rows))
