"""What a campaign tells off the axis: vignetting, axis, plate scale, stray light."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import astropy.units as u
import numpy as np

from beamreduce.campaign import Campaign, quadrants_of
from beamreduce.effective_area.optical_axis import (
    AxisFromQuadrants,
    QuadrantArea,
    axis_from_quadrants,
    whole_from_quadrant,
)
from beamreduce.effective_area.terms import over, with_terms
from beamreduce.effective_area.traced_mirror import (
    SurfaceErrors,
    TracedMirror,
    directions,
    traced_mirror,
)
from beamreduce.effective_area.vignetting import (
    OffAxisPoint,
    VignettingCurve,
    VignettingFit,
    fit_vignetting,
    vignetting_curve,
)
from beamreduce.errors import GeometryError, SettingsError
from beamreduce.infinity.declared import WHOLE
from beamreduce.record import Uncertain, random_stream
from beamreduce.reduction.area_at_infinity import INFINITY
from beamreduce.reduction.area_step import TOTAL, WITHIN
from beamreduce.reduction.area_summary import Stored, area_terms, mean_area
from beamreduce.reduction.configurations import ConfigurationName
from beamreduce.reduction.output_folder import read_json
from beamreduce.reduction.plate_results import plate_scales
from beamreduce.reduction.products import folded_file
from beamreduce.reduction.stray_results import stray_of

_ARCSEC = 648000 / np.pi
OUT_OF_SCOPE = (
    "polarised sources, and bands that are not one line, are out of scope: reflectivity is "
    "that of unpolarised light at one energy"
)


@dataclass(frozen=True, kw_only=True)
class FieldSet:
    """Measurements of one energy, detector and pre-collimator, ready to be compared.

    Parameters
    ----------
    campaign
        What was read.
    folder
        Where folds and net images lie.
    measurements
        Of any aperture and direction.
    name
        Of the set, for random streams.
    """

    campaign: Campaign
    folder: Path
    measurements: tuple[Stored, ...]
    name: str

    @property
    def energy_kev(self) -> float:
        """Photon energy."""
        return float(self.measurements[0]["energy_keV"])  # type: ignore[arg-type]

    def of(self, aperture: str, *, on_axis: bool) -> list[Stored]:
        """Return those of one aperture, on the axis or off it."""
        return [
            m
            for m in self.measurements
            if m["aperture"] == aperture and (not m["off_axis_arcmin"]) == on_axis
        ]

    def mirror(self) -> TracedMirror:
        """Return the model with the slope errors that the fold on the axis found."""
        seed = self.campaign.setup.reduction.random_seed
        return traced_mirror(
            (self.campaign.setup, self.campaign.prescription),
            self.energy_kev * u.keV,
            self._surfaces(),
            lambda purpose: random_stream(seed, self.name, purpose),
        )

    def _surfaces(self) -> SurfaceErrors:
        folded = [m for m in self.of(WHOLE, on_axis=True) if m["fit"] is not None]
        folded += [m for m in self.measurements if m["fit"] is not None]
        if not folded:
            return SurfaceErrors()
        inputs = next(i for i in self.campaign.measurements if i.id == folded[0]["id"])
        path = folded_file(self.folder, ConfigurationName.of(inputs).file_name)
        surfaces = read_json(path).get("surfaces") or {}
        return SurfaceErrors(
            slope_rad=folded[0]["fit"]["slope_error_arcsec"] / _ARCSEC,  # type: ignore[index]
            scatter_rad=surfaces.get("scatter_rad", 0.0),
        )


def field_sets(
    campaign: Campaign, folder: Path, measurements: Sequence[Stored]
) -> tuple[FieldSet, ...]:
    """Sort measurements into sets that off-axis results compare."""
    inputs = {i.id: i for i in campaign.measurements}
    found: dict[tuple[float, str, bool | None], list[Stored]] = {}
    for m in measurements:
        one = inputs[str(m["id"])]
        blades = one.beam[0].exposure.pre_collimator
        key = (float(m["energy_keV"]), one.detector.name, blades)  # type: ignore[arg-type]
        found.setdefault(key, []).append(m)
    order = sorted(found, key=lambda key: (key[0], key[1], str(key[2])))
    return tuple(
        FieldSet(
            campaign=campaign,
            folder=folder,
            measurements=tuple(found[key]),
            name=f"field {key[0]:.6g} {key[1]} {key[2]}",
        )
        for key in order
    )


def field_results(
    campaign: Campaign, folder: Path, measurements: Sequence[Stored]
) -> list[dict[str, object]]:
    """Return what ``off_axis`` of results.json holds: one entry a set that tells something.

    Parameters
    ----------
    campaign
        What was read.
    folder
        Holds the files of folds and the net images.
    measurements
        As results.json holds them.
    """
    found = []
    for one in field_sets(campaign, folder, measurements):
        off = one.of(WHOLE, on_axis=False)
        quadrants = _quadrant_areas(one)
        if not off and len(quadrants) < 2:
            continue
        try:
            found.append(_entry(one, off, quadrants))
        except (GeometryError, SettingsError) as error:
            found.append(_head(one) | {"notes": {"model": str(error)}})
    return found


def _head(one: FieldSet) -> dict[str, object]:
    inputs = {i.id: i for i in one.campaign.measurements}
    first = inputs[str(one.measurements[0]["id"])]
    return {
        "energy_keV": one.energy_kev,
        "detector": first.detector.name,
        "pre_collimator": first.beam[0].exposure.pre_collimator,
    }


def _entry(
    one: FieldSet, off: Sequence[Stored], quadrants: Sequence[QuadrantArea]
) -> dict[str, object]:
    mirror = one.mirror()
    if one.measurements and _head(one)["pre_collimator"] is False:
        mirror = mirror.without_pre_collimator()
    notes = {"scope": OUT_OF_SCOPE}
    curve = fits = None
    largest = max((float(m["off_axis_arcmin"]) for m in off), default=0.0)  # type: ignore[arg-type]
    if off:
        curve = vignetting_curve(mirror, largest * u.arcmin)
        fits = _fits(one, curve)
    else:
        notes["vignetting"] = "no direction off the axis was measured at this energy"
    alike = _alike_areas(one, quadrants)
    axis = axis_from_quadrants(alike, mirror, one.campaign.prescription)
    if axis is None:
        notes["axis_from_quadrants"] = (
            "needs areas of two pairs of opposite quadrants of this energy on the axis"
        )
    return {
        **_head(one),
        "points": _points(one),
        "vignetting": None if curve is None else _curve_json(curve),
        "fits": None if fits is None else {k: _fit_json(f) for k, f in fits.items()},
        "optical_axis": {
            "from_quadrants": None if axis is None else _axis_json(axis),
            "from_symmetry": _symmetry_json(fits, notes),
        },
        "whole_from_quadrants": _wholes(one, quadrants, axis),
        "plate_scale": plate_scales(one.campaign, one.measurements, notes),
        "stray_light": stray_of(one.campaign, one.folder, (mirror, off, largest), notes),
        "notes": notes,
    }


def _points(one: FieldSet) -> list[dict[str, object]]:
    """Every direction of the whole mirror: areas, normalised to the axis, and sizes."""
    whole = [m for m in one.measurements if m["aperture"] == WHOLE]
    axis = [m for m in whole if not m["off_axis_arcmin"]]
    means = {key: mean_area(axis, key) for key in (TOTAL, INFINITY)}
    rows = []
    for m in sorted(whole, key=lambda m: (m["off_axis_arcmin"], m["azimuth_deg"] or 0.0)):
        row: dict[str, object] = {
            "id": m["id"],
            "off_axis_arcmin": m["off_axis_arcmin"],
            "azimuth_deg": m["azimuth_deg"],
            "detector_distance_mm": m["detector_distance_mm"],
            **{key: m[key] for key in (TOTAL, INFINITY)},
            "hpd_measured_arcsec": m["hpd_measured_arcsec"],
            "hpd_infinity_arcsec": m["hpd_infinity_arcsec"],
        }
        for key, name in ((TOTAL, "measured"), (INFINITY, "infinity")):
            row[f"normalised_{name}"] = _normalised(m, key, means[key])
        rows.append(row)
    return rows


def _normalised(m: Stored, key: str, mean: object) -> Uncertain | None:
    terms = area_terms(m, key)
    if terms is None or mean is None:
        return None
    return with_terms(m[key]["value"] / mean.value, over(terms, mean.terms))  # type: ignore[index, attr-defined]


def _fits(one: FieldSet, curve: VignettingCurve) -> dict[str, VignettingFit] | None:
    fits = {}
    for key, name in ((TOTAL, "measured"), (INFINITY, "infinity")):
        points = [p for m in one.measurements if (p := _point(m, key)) is not None]
        if not any(p.x_arcmin or p.y_arcmin for p in points):
            return None
        fits[name] = fit_vignetting(points, curve, star=key == INFINITY)
    return fits


def _point(m: Stored, key: str) -> OffAxisPoint | None:
    terms = area_terms(m, key)
    if terms is None or m["aperture"] != WHOLE:
        return None
    x, y = directions(float(m["off_axis_arcmin"]), m["azimuth_deg"])  # type: ignore[arg-type]
    return OffAxisPoint(
        id=str(m["id"]),
        x_arcmin=x,
        y_arcmin=y,
        area_cm2=m[key]["value"],  # type: ignore[index]
        own=_own(terms),
    )


def _own(terms: Sequence[object]) -> float:
    """Relative uncertainty that other directions do not share."""
    names = ("own of ", "fold ")
    return float(
        np.sqrt(sum(t.relative**2 for t in terms if t.shared.startswith(names)))  # type: ignore[attr-defined]
    )


def _alike_areas(one: FieldSet, whole: Sequence[QuadrantArea]) -> Sequence[QuadrantArea]:
    """Areas whose differences tell the axis: inside the reference radius, where that holds.

    Light further out is known from the model alone and unsure; quadrants have alike shares
    of it where their detector distances are the same.
    """
    distances = {
        q.name: {float(m["detector_distance_mm"]) for m in one.of(q.name, on_axis=True)}  # type: ignore[arg-type]
        for q in whole
    }
    same = len({frozenset(some) for some in distances.values()}) == 1
    inside = _quadrant_areas(one, WITHIN) if same else []
    return inside if len(inside) == len(whole) else whole


def _quadrant_areas(one: FieldSet, key: str = TOTAL) -> list[QuadrantArea]:
    """Mean area of each quadrant on the axis, with the diverging beam."""
    found = []
    for name, azimuths in quadrants_of(one.campaign.setup).items():
        some = one.of(name, on_axis=True)
        mean = mean_area(some, key)
        if mean is None:
            continue
        found.append(
            QuadrantArea(
                id=mean.ids[0],
                name=name,
                open_rad=azimuths,
                area_cm2=mean.value,
                own=_own(mean.terms),
            )
        )
    return found


def _wholes(
    one: FieldSet, quadrants: Sequence[QuadrantArea], axis: AxisFromQuadrants | None
) -> list[dict[str, object]]:
    """Whole area that each quadrant stands for, before and after its tilt is taken out."""
    paired = set() if axis is None else {i for p in axis.pairs for i in (p.first, p.second)}
    return [
        {
            "id": q.id,
            "aperture": q.name,
            "scaled_cm2": q.area_cm2 * 2 * np.pi / q.width_rad,
            "corrected_cm2": whole_from_quadrant(q, axis) if q.id in paired else None,  # type: ignore[arg-type]
            "own_relative_uncertainty": q.own,
        }
        for q in quadrants
    ]


def _curve_json(curve: VignettingCurve) -> dict[str, object]:
    return {
        "off_axis_arcmin": curve.angle_arcmin.tolist(),
        "beam_cm2": curve.beam_cm2.tolist(),
        "star_cm2": curve.star_cm2.tolist(),
        "beam_error_cm2": curve.beam_error_cm2.tolist(),
        "star_error_cm2": curve.star_error_cm2.tolist(),
        "field_arcmin": curve.field_arcmin,
        "half_arcmin": curve.half_arcmin(),
    }


def _fit_json(fit: VignettingFit) -> dict[str, object]:
    return {
        "on_axis_cm2": fit.on_axis_cm2,
        "stretch": fit.stretch,
        "residuals": fit.residuals,
        "chi_square": fit.chi_square,
        "degrees_of_freedom": fit.degrees_of_freedom,
    }


def _axis_json(axis: AxisFromQuadrants) -> dict[str, object]:
    x, y = axis.axis_arcmin
    return {
        "x_arcmin": x,
        "y_arcmin": y,
        "pairs": [
            {
                "first": p.first,
                "second": p.second,
                "azimuth_deg": float(np.degrees(p.azimuth_rad)),
                "asymmetry": p.asymmetry,
                "uncertainty": p.uncertainty,
                "per_arcmin": p.per_arcmin,
                "per_arcmin_first_order": p.per_arcmin_first_order,
            }
            for p in axis.pairs
        ],
    }


def _symmetry_json(
    fits: Mapping[str, VignettingFit] | None, notes: dict[str, str]
) -> dict[str, object] | None:
    """The axis that areas in several directions tell; beamline and star differ by model."""
    if fits is None or any(fit.axis_arcmin is None for fit in fits.values()):
        notes["axis_from_symmetry"] = (
            "areas in at least three directions, in two azimuths and beyond where the "
            "curve is flat, are needed"
        )
        return None
    beam, star = (fits[name].axis_arcmin for name in ("measured", "infinity"))
    fit = fits["measured"]
    birge = max(fit.chi_square / max(fit.degrees_of_freedom, 1), 1.0) ** 0.5
    return {
        name: Uncertain(
            value=b.value,
            statistical=b.statistical * birge,
            model=abs(b.value - s.value) / 2,
        )
        for name, b, s in zip(("x_arcmin", "y_arcmin"), beam, star, strict=True)  # type: ignore[arg-type]
    }
