"""The figures of one configuration as seen from infinity."""

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from beamreduce.encircled_energy import UncertainCurve
from beamreduce.figures import (
    CURVE_HEIGHT_CM,
    BandedCurve,
    FocusCurve,
    FoldQuality,
    RingResiduals,
    SeenFromInfinity,
    draw_and_save,
    draw_focus_curve,
    draw_fold_residuals,
    draw_lit_map,
    draw_seen_from_infinity,
    fold_residuals_height_cm,
)
from beamreduce.infinity.best_focus import FocusScan
from beamreduce.record import Uncertain, write_table_whole
from beamreduce.reduction.budget import uncertain_curve
from beamreduce.reduction.configurations import Configuration
from beamreduce.reduction.figure_tables import (
    focus_table,
    lit_table,
    residuals_table,
)
from beamreduce.reduction.focus_results import ARCSEC_PER_RAD
from beamreduce.reduction.infinity_results import star_curve
from beamreduce.reduction.infinity_step import AtInfinity, focus_energy
from beamreduce.reduction.lit_part import lit_part
from beamreduce.reduction.ring_file import read_rings

if TYPE_CHECKING:
    pass

_CURVE_POINTS = 121
_MOST_STRIPS = 16


def draw_configuration(
    folder: Path,
    configuration: Configuration,
    found: AtInfinity,
    stored: Mapping[str, Mapping[str, object]],
) -> None:
    """Write both curves of every measurement, residuals, focus series and lit map.

    Parameters
    ----------
    folder
        Where figures go, as PNG and SVG.
    configuration
        What was folded together.
    found
        The fold.
    stored
        Its measurements as results.json holds them, by id.
    """
    name = configuration.name.file_name
    for one in found.folded.measured:
        request = next(r for r in configuration.requests if r.inputs.id == one.id)
        curve = uncertain_curve(read_rings(folder, one.id), request.inputs)
        seen = both_curves(found, curve, stored[one.id])
        draw_and_save(
            folder / f"infinity_{one.id}",
            lambda figure, seen=seen: draw_seen_from_infinity(figure.subplots(), seen),
            height_cm=CURVE_HEIGHT_CM,
        )
    strips, quality = fold_residuals(found), fold_quality(found)
    draw_and_save(
        folder / f"residuals_{name}",
        lambda figure: draw_fold_residuals(figure.subplots(), strips, quality),
        height_cm=fold_residuals_height_cm(len(strips)),
    )
    write_table_whole(folder / f"residuals_{name}.ecsv", residuals_table(strips))
    if found.beam_focus is not None:
        focus = focus_curve(found, found.beam_focus, stored)
        draw_and_save(
            folder / f"focus_{name}",
            lambda figure: draw_focus_curve(tuple(figure.subplots(1, 2)), focus),
            height_cm=CURVE_HEIGHT_CM,
        )
        write_table_whole(folder / f"focus_{name}.ecsv", focus_table(focus))
        lit = lit_part(configuration.requests[0])
        draw_and_save(
            folder / f"lit_{name}",
            lambda figure: draw_lit_map(figure.subplots(), lit),
            height_cm=CURVE_HEIGHT_CM,
        )
        write_table_whole(folder / f"lit_{name}.ecsv", lit_table(lit))


def both_curves(
    found: AtInfinity, curve: UncertainCurve, measurement: Mapping[str, object]
) -> SeenFromInfinity:
    """Return what is drawn of one measurement: its curve, and that of a star.

    Parameters
    ----------
    found
        The fold.
    curve
        As measured.
    measurement
        As results.json holds it.
    """
    angle = curve.radius_arcsec
    star = star_curve(found, str(measurement["id"]), angle)
    return SeenFromInfinity(
        measured=BandedCurve(
            at=angle, values=curve.fraction, uncertainty=curve.uncertainty
        ),
        infinity=BandedCurve(at=angle, values=star.fraction, uncertainty=star.uncertainty),
        hpd_measured_arcsec=_quantity(measurement["hpd_measured_arcsec"]),
        hpd_infinity_arcsec=_quantity(measurement["hpd_infinity_arcsec"]),
        reference_arcsec=float(angle[-1]),
    )


def _quantity(stored: object) -> Uncertain | None:
    return None if stored is None else Uncertain.from_json(stored)


def fold_quality(found: AtInfinity) -> FoldQuality:
    """Return how well the best family describes the rings."""
    mixture = found.folded.best.described.mixture
    return FoldQuality(
        chi_square=mixture.chi_square,
        degrees_of_freedom=mixture.degrees_of_freedom,
        accepted=found.folded.accepted,
    )


def fold_residuals(found: AtInfinity) -> list[RingResiduals]:
    """Return the residuals of every measurement's rings, of the first sixteen."""
    described = found.folded.best.described
    strips = []
    pairs = zip(
        found.folded.measured, described.rings, described.mixture.residuals, strict=True
    )
    for one, rings, sigmas in pairs:
        edges = np.concatenate([[0.0], rings.radii_mm])
        middle = (edges[1:] + edges[:-1]) / 2 / one.distance_mm * ARCSEC_PER_RAD
        strips.append(RingResiduals(name=one.id, radius_arcsec=middle, sigmas=sigmas))
    return strips[:_MOST_STRIPS]


def focus_curve(
    found: AtInfinity, scan: FocusScan, stored: Mapping[str, Mapping[str, object]]
) -> FocusCurve:
    """Return HPD against detector distance: measured, and by the fold.

    Parameters
    ----------
    found
        The fold.
    scan
        Its planes about best focus at the beamline.
    stored
        Measurements as results.json holds them, by id.
    """
    energy = focus_energy(found.folded.measured)
    star = found.star_focus[energy]
    series = [one for one in found.folded.measured if one.energy == energy]
    return FocusCurve(
        distances_mm=np.array([one.distance_mm for one in series]),
        hpd_arcsec=[
            Uncertain.from_json(stored[one.id]["hpd_measured_arcsec"]) for one in series
        ],
        model=_curve(scan),
        star=_curve(star),
        best_focus_mm=scan.best_mm if scan.found else None,
        star_best_focus_mm=star.best_mm if star.found else None,
        focal_length_mm=found.star_mm,
    )


def _curve(scan: FocusScan) -> BandedCurve:
    distance, hpd, uncertainty = scan.curve(_CURVE_POINTS)
    return BandedCurve(
        at=distance,
        values=hpd * ARCSEC_PER_RAD,
        uncertainty=uncertainty * ARCSEC_PER_RAD,
    )
