"""The files of a comparison beside comparison.json: curves and figures."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from beamreduce.before_after import Comparison, CurveDifference, Judged
from beamreduce.figures import (
    CURVE_HEIGHT_CM,
    CurveChange,
    MarginRow,
    draw_and_save,
    draw_curve_change,
    draw_forests,
    forest_size_cm,
)
from beamreduce.record import write_table_whole
from beamreduce.report.comparison_report import FOREST, curve_name, words_of

if TYPE_CHECKING:
    from astropy.table import QTable
    from matplotlib.axes import Axes


def curve_table(curve: CurveDifference) -> "QTable":
    """Return the difference of two curves as ``difference_<key>_<id>.ecsv`` holds it."""
    import astropy.units as u  # noqa: PLC0415 - slow import
    from astropy.table import QTable  # noqa: PLC0415

    table = QTable(
        {
            "radius_angle": curve.radius_arcsec * u.arcsec,
            "eef_before": curve.before,
            "eef_after": curve.after,
            "difference": curve.difference,
            "difference_uncertainty": curve.uncertainty,
            "simultaneous_half_width": curve.band,
        }
    )
    table.meta["margin"] = curve.margin
    table.meta["reference_radius_arcsec"] = curve.reference_arcsec
    return table


def write_curve_tables(folder: Path, comparison: Comparison) -> None:
    """Write every difference of curves as a table."""
    for curve in comparison.curves:
        write_table_whole(folder / f"{curve_name(curve)}.ecsv", curve_table(curve))


def margin_row(one: Judged) -> MarginRow:
    """Return a finding in units of its margin."""
    finding = one.finding
    where = f"{finding.id}: " if finding.id else ""
    return MarginRow(
        label=f"{where}{words_of(finding.key)}",
        group=finding.id,
        difference=finding.difference.quantity.value / finding.margin,
        low=one.interval[0] / finding.margin,
        high=one.interval[1] / finding.margin,
        verdict=one.verdict,
    )


def curve_change(curve: CurveDifference, confidence: float) -> CurveChange:
    """Return what is drawn of a difference of curves."""
    return CurveChange(
        radius_arcsec=curve.radius_arcsec,
        difference=curve.difference,
        uncertainty=curve.uncertainty,
        band=curve.band,
        margin=curve.margin,
        confidence=confidence,
    )


def draw_comparison(folder: Path, comparison: Comparison) -> None:
    """Write all differences against their margins, and every difference of curves."""
    confidence = comparison.settings.assurance.confidence
    rows = [margin_row(one) for one in comparison.judged]
    if rows:
        width_cm, height_cm = forest_size_cm(rows)
        draw_and_save(
            folder / FOREST,
            lambda figure: draw_forests(figure, rows, 2 * confidence - 1),
            width_cm=width_cm,
            height_cm=height_cm,
        )
    for curve in comparison.curves:
        change = curve_change(curve, confidence)
        _save(
            folder / curve_name(curve),
            CURVE_HEIGHT_CM,
            lambda ax, change=change: draw_curve_change(ax, change),
        )


def _save(path: Path, height_cm: float, draw: "Callable[[Axes], object]") -> None:
    draw_and_save(
        path,
        lambda figure: draw(figure.subplots()),
        height_cm=height_cm,
        width_cm=18.0,
    )
