"""The figures of areas, from what results.json holds of them."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from beamreduce.effective_area.vignetting import VignettingCurve
from beamreduce.figures import (
    AreasByEnergy,
    MonitorRates,
    VignettingMap,
    VignettingPanel,
    VignettingPoints,
    draw_and_save,
    draw_areas,
    draw_monitor,
    draw_off_axis_hpd,
    draw_vignetting,
    draw_vignetting_map,
)
from beamreduce.record import Uncertain
from beamreduce.reduction.area_at_infinity import INFINITY
from beamreduce.reduction.area_step import TOTAL
from beamreduce.report import field_name

if TYPE_CHECKING:
    pass

_PIXELS = 121
Stored = Mapping[str, object]


def draw_area_figures(folder: Path, results: Stored) -> None:
    """Write all figures of ``effective_areas`` and ``off_axis``, PNG and SVG.

    Parameters
    ----------
    folder
        Where they go.
    results
        As results.json holds them.
    """
    areas = results["effective_areas"]
    if areas["by_energy"]:  # type: ignore[index]
        draw_and_save(
            folder / "area_by_energy",
            lambda f: draw_areas(
                tuple(f.subplots(2, 1, sharex=True, height_ratios=(3, 1))),
                areas_by_energy(areas["by_energy"]),  # type: ignore[index]
            ),
        )
    if areas["monitor"]:  # type: ignore[index]
        draw_and_save(
            folder / "monitor",
            lambda f: draw_monitor(f.subplots(), monitor_rates(areas["monitor"])),  # type: ignore[index]
        )
    for entry in results["off_axis"]:  # type: ignore[attr-defined]
        if entry.get("vignetting"):
            _draw_field(folder, entry)


def _draw_field(folder: Path, entry: Stored) -> None:
    name = field_name(entry)
    panels = vignetting_panels(entry)
    if any(panel.points for panel in panels):
        draw_and_save(
            folder / f"vignetting_{name}",
            lambda f: draw_vignetting(tuple(f.subplots(1, 2)), panels),
        )
    draw_and_save(
        folder / f"vignetting_map_{name}",
        lambda f: draw_vignetting_map(f.subplots(), vignetting_map(entry)),
    )
    points = entry["points"]
    draw_and_save(
        folder / f"hpd_off_axis_{name}",
        lambda f: draw_off_axis_hpd(f.subplots(), *off_axis_sizes(points)),  # type: ignore[arg-type]
    )


def areas_by_energy(rows: Sequence[Stored]) -> AreasByEnergy:
    """Return the areas of results.json as a figure takes them."""

    def values(key: str) -> list[Uncertain]:
        return [Uncertain.from_json(row[key]) for row in rows]  # type: ignore[arg-type]

    return AreasByEnergy(
        energy_kev=np.array([row["energy_keV"] for row in rows]),
        measured=values(TOTAL),
        infinity=values(INFINITY),
        predicted=values("predicted_infinity_cm2"),
        beam_over_star=np.array([row["beam_over_star"] for row in rows]),
    )


def monitor_rates(rows: Sequence[Stored]) -> list[MonitorRates]:
    """Return the monitor's rates by energy and kind, beam and direct in turn."""
    sets: dict[tuple[float, str], list[Stored]] = {}
    for row in rows:
        sets.setdefault((row["energy_keV"], row["kind"]), []).append(row)  # type: ignore[index]
    return [
        MonitorRates(
            name=f"{energy:g} keV, {kind}",
            place=np.array([row["place"] for row in some]),
            relative=np.array([row["relative_rate"] for row in some]),
            uncertainty=np.array([row["relative_uncertainty"] for row in some])
            * np.array([row["relative_rate"] for row in some]),
        )
        for (energy, kind), some in sorted(sets.items())
    ]


def vignetting_panels(entry: Stored) -> tuple[VignettingPanel, VignettingPanel]:
    """Return both vignetting curves of an entry of ``off_axis`` with their points."""
    curve = vignetting_of(entry)
    angles = np.linspace(0.0, curve.field_arcmin, _PIXELS)
    panels = []
    for name, title in (("measured", "at the beamline"), ("infinity", "for a star")):
        panels.append(
            VignettingPanel(
                title=title,
                angle_arcmin=angles,
                model=curve.normalised(angles, star=name == "infinity"),
                points=_by_azimuth(entry["points"], f"normalised_{name}"),  # type: ignore[arg-type]
            )
        )
    return panels[0], panels[1]


def _by_azimuth(rows: Sequence[Stored], key: str) -> list[VignettingPoints]:
    sets: dict[float, list[Stored]] = {}
    for row in rows:
        if row[key] is not None and row["off_axis_arcmin"]:
            sets.setdefault(float(row["azimuth_deg"] or 0.0), []).append(row)  # type: ignore[arg-type]
    return [
        VignettingPoints(
            azimuth_deg=azimuth,
            angle_arcmin=np.array([row["off_axis_arcmin"] for row in some]),
            normalised=[Uncertain.from_json(row[key]) for row in some],  # type: ignore[arg-type]
        )
        for azimuth, some in sorted(sets.items())
    ]


def vignetting_of(entry: Stored) -> VignettingCurve:
    """Return the model's curve of an entry of ``off_axis``."""
    stored = entry["vignetting"]
    return VignettingCurve(
        angle_arcmin=np.array(stored["off_axis_arcmin"]),  # type: ignore[index]
        **{
            key: np.array(stored[key])  # type: ignore[index]
            for key in ("beam_cm2", "star_cm2", "beam_error_cm2", "star_error_cm2")
        },
    )


def vignetting_map(entry: Stored) -> VignettingMap:
    """Return a star's map of an entry of ``off_axis``, about the optical axis."""
    curve = vignetting_of(entry)
    axis = optical_axis(entry)
    x0, y0 = (0.0, 0.0) if axis is None else (axis[0].value, axis[1].value)
    reach = curve.field_arcmin
    side = np.linspace(-reach, reach, _PIXELS)
    angle = np.hypot(side - x0, side[:, None] - y0)
    inside = angle <= reach
    image = np.full(angle.shape, np.nan)
    image[inside] = curve.normalised(angle[inside], star=True)
    rows = entry["points"]
    azimuth = np.radians([row["azimuth_deg"] or 0.0 for row in rows])  # type: ignore[attr-defined]
    off = np.array([row["off_axis_arcmin"] for row in rows])  # type: ignore[attr-defined]
    return VignettingMap(
        reach_arcmin=reach,
        normalised=image,
        points_arcmin=np.stack([off * np.cos(azimuth), off * np.sin(azimuth)], axis=1),
        axis_arcmin=axis,
    )


def optical_axis(entry: Stored) -> tuple[Uncertain, Uncertain] | None:
    """Return the axis that opposite quadrants tell, else that of symmetry."""
    found = entry["optical_axis"]
    best = found["from_quadrants"] or found["from_symmetry"]  # type: ignore[index]
    if not best:
        return None
    return Uncertain.from_json(best["x_arcmin"]), Uncertain.from_json(best["y_arcmin"])


def off_axis_sizes(
    rows: Sequence[Stored],
) -> tuple[np.ndarray, tuple[list[Uncertain | None], list[Uncertain | None]]]:
    """Return angles and half-power diameters, those in one plane of the detector only.

    Of a focus series only the plane of the images off the axis can be compared.
    """
    planes = {row["detector_distance_mm"] for row in rows if row["off_axis_arcmin"]}
    some = [row for row in rows if row["detector_distance_mm"] in planes]

    def sizes(key: str) -> list[Uncertain | None]:
        return [None if row[key] is None else Uncertain.from_json(row[key]) for row in some]  # type: ignore[arg-type]

    angles = np.array([float(row["off_axis_arcmin"]) for row in some])  # type: ignore[arg-type]
    return angles, (sizes("hpd_measured_arcsec"), sizes("hpd_infinity_arcsec"))
