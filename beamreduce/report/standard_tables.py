"""Encircled energy at fixed radii, and the HPD for several reference radii."""

import math

import numpy as np
from astropy.table import Table

from beamreduce.record import ResultsFolder
from beamreduce.report.page import Section, render
from beamreduce.report.stored_words import Stored, infinity_with, measured_with, value_text

_STEPS = (1.0, 1.5, 2.0, 3.0, 5.0, 7.0)
_MOST = 9


def standard_tables(results: ResultsFolder) -> Section:
    """Return encircled energy at fixed radii and HPD by reference radius."""
    curves = {str(m["id"]): _curve(results, m) for m in results.measurements.values()}
    radii = fixed_radii([curve for curve in curves.values() if curve is not None])
    eef = []
    for m in results.measurements.values():
        curve = curves[str(m["id"])]
        if curve is None:
            continue
        eef += [
            {
                "id": m["id"],
                "what": what,
                "with": taken,
                "cells": _cells(curve, column, radii),
            }
            for what, column, taken in (
                ("measured", "eef", measured_with(m)),
                ("at infinity", "eef_infinity", infinity_with(m, results.mirror)),
            )
            if not np.ma.getmaskarray(curve[column]).all()
        ]
    content = {
        "radii": [f"{radius:g}" for radius in radii],
        "eef": eef,
        "references": _references(results),
    }
    return Section(
        anchor="tables", title="Standard tables", body=render("tables.html", content)
    )


def _curve(results: ResultsFolder, m: Stored) -> Table | None:
    path = results.folder / f"eef_{m['id']}.ecsv"
    return Table.read(path, format="ascii.ecsv") if path.is_file() else None


def fixed_radii(curves: list[Table]) -> list[float]:
    """Return round radii, arcsec, that hold a tenth of the light up to nearly all of it."""
    if not curves:
        return []
    low = min(float(np.interp(0.1, c["eef"], c["radius_angle"])) for c in curves)
    high = max(float(c["radius_angle"][-1]) for c in curves)
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    round_ones = [step * 10.0**decade for decade in decades for step in _STEPS]
    inside = [radius for radius in round_ones if low <= radius <= high]
    while len(inside) > _MOST:
        inside = inside[1::2] if len(inside) >= 2 * _MOST else inside[len(inside) - _MOST :]
    return inside


def _cells(curve: Table, column: str, radii: list[float]) -> list[str]:
    at = np.asarray(curve["radius_angle"], dtype=float)
    cells = []
    for radius in radii:
        if radius > at[-1]:
            cells.append("–")
            continue
        value, spread = (
            float(np.interp(radius, at, np.asarray(curve[name], dtype=float)))
            for name in (column, f"{column}_uncertainty")
        )
        cells.append(f"{value:.4f} ± {spread:.4f}")
    return cells


def _references(results: ResultsFolder) -> list[dict[str, object]]:
    rows = []
    for m in results.measurements.values():
        per_mm = m["reference_radius_arcsec"] / m["reference_radius_mm"]
        at_reference = {
            key: m[key] for key in ("reference_radius_mm", "hpd_measured_arcsec")
        }
        entries = [
            {
                "mm": f"{entry['reference_radius_mm']:.5g}",
                "arcsec": f"{entry['reference_radius_mm'] * per_mm:.5g}",
                "hpd": value_text(entry["hpd_measured_arcsec"]),
                "with": measured_with(
                    {**m, **_radius(entry["reference_radius_mm"], per_mm)}
                ),
            }
            for entry in (*m["hpd_by_reference_radius"], at_reference)
        ]
        rows.append({"id": m["id"], "entries": entries})
    return rows


def _radius(mm: float, arcsec_per_mm: float) -> dict[str, float]:
    """Return a reference radius as a measurement has it."""
    return {"reference_radius_mm": mm, "reference_radius_arcsec": mm * arcsec_per_mm}
