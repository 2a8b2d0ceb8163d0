"""The tables of a run over reflectors."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import astropy.units as u
import numpy as np

from beamreduce.errors import GeometryError
from beamreduce.mirror import FlatBlank, SheetLayout, blanks_of_nesting, layout_on_sheet
from beamreduce.reduction.bar_table import bar_table
from beamreduce.reflectors import (
    STAGES,
    ControlChart,
    GroupYield,
    MirrorPlan,
    ReflectorFolder,
    ReflectorNumbers,
    energy_name,
)

if TYPE_CHECKING:
    from astropy.table import Column, Table

    from beamreduce.reduction.reflectors_results import ReflectorRun

_SPARE = ("reflector", "stage", "nesting", "grade", "loss")
_COLUMNS = {
    "Sa": u.nm, "Sq": u.nm, "Sz": u.nm, "Sq_band": u.nm, "Ssk": None, "Sku": None,
    "figure_slope": u.arcsec,
}  # fmt: skip


def result_tables(run: "ReflectorRun") -> "dict[str, Table]":
    """Return every table of the run by the name of its file."""
    tables = {
        "reflectors": reflector_table(run.numbers, run.folder.setup.energies_kev),
        "filling_plan": _plan_table(run.plan),
        "spares": _records_table(
            [{k: getattr(c, k) for k in _SPARE} for c in run.plan.plan.spares], _SPARE
        ),
        "to_form": _orders_table(run.plan),
        "yields": _yields_table(run.yields),
        "control_chart": _chart_table(run.charts),
    }
    blanks = flat_blanks(run.folder)
    if blanks:
        tables["flat_blanks"] = _blanks_table(blanks)
    if run.bars:
        tables["bar_tolerances"] = bar_table(run.bars)
    return tables


def reflector_table(
    numbers: Sequence[ReflectorNumbers], energies_kev: Sequence[float]
) -> "Table":
    """Return one row a reflector; what could not be had is masked."""
    from astropy.table import Table  # noqa: PLC0415 - slow import

    table = Table()
    for key in ("reflector", "nesting", "stage", "mandrel", "batch", "coating_run"):
        table[key] = [getattr(n.reflector, key) for n in numbers]
    table["maps"] = [n.maps_used for n in numbers]
    units = dict(_COLUMNS)
    for name in map(energy_name, energies_kev):
        units[f"scatter_{name}"] = None
    for key, unit in units.items():
        values = [n.values.get(key) for n in numbers]
        always = key in ("Sa", "Sq", "Sz", "Ssk", "Sku") or key.startswith("scatter_")
        if not always and all(value is None for value in values):
            continue
        table[key] = _masked([None if v is None else v.value for v in values], unit)
        table[f"{key}_uncertainty"] = _masked(
            [None if v is None else v.uncertainty for v in values], unit
        )
    for name in map(energy_name, energies_kev):
        if any(name in n.hpd_arcsec for n in numbers):
            table[f"hpd_{name}"] = _masked(
                [n.hpd_arcsec.get(name) for n in numbers], u.arcsec
            )
    table["grade"] = [n.grade.grade for n in numbers]
    table["margin"] = _masked([n.grade.margin for n in numbers], None)
    table["reason"] = [n.grade.reason for n in numbers]
    table["notes"] = ["; ".join(n.notes) for n in numbers]
    return table


def flat_blanks(
    folder: ReflectorFolder,
) -> list[tuple[int, str, FlatBlank, SheetLayout | None]]:
    """Return the cutting pattern of every cone of the mirror; empty without one."""
    setup = folder.setup
    if setup.prescription is None:
        return []
    azimuth = 360.0 / len(setup.plan.quadrants) * u.deg
    blanks = []
    for nesting in setup.prescription.nestings:
        both = blanks_of_nesting(nesting, azimuth=azimuth)
        for stage, blank in zip(STAGES, both, strict=True):
            layout = None
            if setup.plan.sheet_width_mm is not None:
                try:
                    layout = layout_on_sheet(
                        blank,
                        sheet_width=setup.plan.sheet_width_mm * u.mm,
                        spacing=setup.plan.sheet_spacing_mm * u.mm,
                    )
                except GeometryError:
                    layout = None  # too wide for the sheet: the row says so
            blanks.append((nesting.number, stage, blank, layout))
    return blanks


def too_wide(folder: ReflectorFolder) -> list[str]:
    """Return a sentence when blanks do not fit the sheet that is declared."""
    width = folder.setup.plan.sheet_width_mm
    if width is None:
        return []
    wide = [number for number, _, _, layout in flat_blanks(folder) if layout is None]
    if not wide:
        return []
    return [
        f"blanks of {len(set(wide))} nestings, {min(wide)} to {max(wide)}, do not fit a "
        f"sheet of {width:g} mm"
    ]


def _plan_table(plan: MirrorPlan) -> "Table":
    rows = [
        {
            "quadrant": e.slot.quadrant,
            "stage": e.slot.stage,
            "nesting": e.slot.nesting,
            "reflector": e.reflector,
            "grade": e.grade,
            "loss": e.loss,
        }
        for e in plan.plan.filled
    ]
    return _records_table(
        rows, ("quadrant", "stage", "nesting", "reflector", "grade", "loss")
    )


def _orders_table(plan: MirrorPlan) -> "Table":
    keys = ("stage", "nesting", "needed", "empty", "to_form", "probability", "even_bet")
    rows = [
        {**{k: getattr(o, k) for k in keys}, "yield": o.chance.value} for o in plan.to_form
    ]
    return _records_table(rows, (*keys[:4], "yield", *keys[4:]))


def _yields_table(yields: Sequence[GroupYield]) -> "Table":
    keys = ("kind", "name", "good", "formed", "share", "low", "high", "probability")
    keys = (*keys, "stands_out", "Sq_limit")
    table = _records_table([{k: getattr(y, k) for k in keys} for y in yields], keys)
    table["Sq_limit"].unit = u.nm
    return table


def _chart_table(charts: Sequence[ControlChart]) -> "Table":
    keys = ("name", "count", "mean", "spread", "lower", "upper", "signal")
    rows = [
        {"quantity": c.quantity, "center": c.center, **{k: getattr(p, k) for k in keys}}
        for c in charts
        for p in c.points
    ]
    table = _records_table(rows, ("quantity", *keys[:2], "center", *keys[2:]))
    for key in ("center", "mean", "spread", "lower", "upper"):
        table[key].unit = u.nm
    return table


def _blanks_table(
    blanks: Sequence[tuple[int, str, FlatBlank, SheetLayout | None]],
) -> "Table":
    rows = []
    for nesting, stage, blank, layout in blanks:
        row = {
            "nesting": nesting,
            "stage": stage,
            "inner_radius": blank.inner_radius_mm,
            "outer_radius": blank.outer_radius_mm,
            "angle": float(np.degrees(blank.angle_rad)),
            "inner_arc": blank.inner_arc_mm,
            "outer_arc": blank.outer_arc_mm,
            "width": blank.width_mm,
            "height": blank.height_mm,
            "rows": None if layout is None else layout.rows,
            "pitch": None if layout is None else layout.pitch_mm,
            "used_fraction": None if layout is None else layout.used_fraction,
        }
        rows.append(row)
    table = _records_table(rows, tuple(rows[0]))
    for key in ("inner_radius", "outer_radius", "inner_arc", "outer_arc", "width",
                "height", "pitch"):  # fmt: skip
        table[key].unit = u.mm
    table["angle"].unit = u.deg
    return table


_TEXT = ("reflector", "stage", "grade", "quadrant", "kind", "name", "stands_out",
         "signal", "quantity")  # fmt: skip
_WHOLE = ("nesting", "needed", "empty", "to_form", "even_bet", "good", "formed", "count",
          "rows")  # fmt: skip


def _records_table(rows: Sequence[Mapping[str, object]], keys: Sequence[str]) -> "Table":
    from astropy.table import Table  # noqa: PLC0415 - slow import

    table = Table()
    for key in keys:
        values = [row[key] for row in rows]
        if key in _TEXT:
            table[key] = np.array([str(v) for v in values], dtype=str)
        else:
            table[key] = _masked(values, None, whole=key in _WHOLE)
    return table


def _masked(
    values: Sequence[float | None], unit: u.UnitBase | None, *, whole: bool = False
) -> "Column":
    from astropy.table import Column, MaskedColumn  # noqa: PLC0415 - slow import

    kind = int if whole else float
    absent = [v is None for v in values]
    filled = [0 if v is None else v for v in values]
    if not any(absent):  # masked columns take ten times as long to write
        return Column(filled, unit=unit, dtype=kind)
    return MaskedColumn(filled, mask=absent, unit=unit, dtype=kind)
