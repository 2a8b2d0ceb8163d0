"""Tolerances of the alignment bars of a folder's mirror, as table and as JSON."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import astropy.units as u

from beamreduce.mirror.bar_budget import (
    BarBudget,
    InPlaneLight,
    bar_budget,
    point_hpd_arcsec,
)
from beamreduce.mirror.bar_errors import BAR_ENDS, BarSensitivity, bar_sensitivities
from beamreduce.reflectors import ReflectorSetup

if TYPE_CHECKING:
    from astropy.table import Table


def bar_tolerances(
    setup: ReflectorSetup,
) -> tuple[tuple[BarSensitivity, ...], BarBudget | None]:
    """Return sensitivities by nesting, and the budget where a target is declared.

    Empty and None without a mirror.
    """
    if setup.prescription is None:
        return (), None
    pivot = setup.bars.pivot_radius_mm
    sensitivities = bar_sensitivities(
        setup.prescription, pivot_radius=None if pivot is None else pivot * u.mm
    )
    target, core = setup.bars.hpd_target_arcsec, setup.core_hpd_arcsec
    if target is None or core is None:
        return sensitivities, None
    budget = bar_budget(
        setup.prescription,
        sensitivities,
        core=InPlaneLight.normal(core * u.arcsec),
        target_hpd=target * u.arcsec,
    )
    return sensitivities, budget


def bar_table(sensitivities: Sequence[BarSensitivity]) -> "Table":
    """Return one row a nesting and end."""
    from astropy.table import Table  # noqa: PLC0415 - slow import

    rows = [(one, end) for one in sensitivities for end in BAR_ENDS]
    table = Table()
    table["nesting"] = [one.nesting for one, _ in rows]
    table["end"] = [end for _, end in rows]
    table["radius"] = [one.radius_mm for one, _ in rows] * u.mm
    per_um = u.arcsec / u.um
    table["shift"] = [one.shift_arcsec_per_um[end] for one, end in rows] * per_um
    table["spread"] = [one.spread_arcsec_per_um[end] for one, end in rows] * per_um
    table["hpd"] = [
        point_hpd_arcsec(one.shift_arcsec_per_um[end]) for one, end in rows
    ] * per_um
    table["shift_by_lean"] = [one.shift_arcsec_per_arcmin[end] for one, end in rows] * (
        u.arcsec / u.arcmin
    )
    return table


def budget_json(budget: BarBudget | None) -> dict[str, object] | None:
    """Return the form that reflectors.json holds."""
    if budget is None:
        return None
    return {
        "hpd_target_arcsec": budget.target_arcsec,
        "hpd_without_bar_errors_arcsec": budget.core_arcsec,
        "radial_um": budget.radial_um,
        "radial_alone_um": dict(budget.radial_alone_um),
        "lean_arcmin": budget.lean_arcmin,
    }
