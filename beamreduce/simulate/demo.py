"""The demonstration: make a campaign, reduce it, compare the numbers with the truth."""

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from beamreduce.effective_area.plate_scale import ImagePlace, plate_scale
from beamreduce.effective_area.traced_mirror import directions
from beamreduce.reduction import RunOptions, reduce_campaign
from beamreduce.reduction.campaign_run import Progress
from beamreduce.reduction.responses_run import ResponseOptions, write_responses
from beamreduce.simulate.scenario_file import read_scenario
from beamreduce.simulate.write_campaign import read_truth, simulate_campaign

SCENARIO = "demo"
COMPARED = {
    "hpd_measured_arcsec": "HPD",
    "w90_measured_arcsec": "W90",
    "hpd_infinity_arcsec": "HPD star",
    "w90_infinity_arcsec": "W90 star",
    "hpd_infinity_best_focus_arcsec": "HPD star best",
    "effective_area_measured_cm2": "area",
    "effective_area_infinity_cm2": "area star",
    "effective_area_within_reference_measured_cm2": "area within",
    "effective_area_within_reference_infinity_cm2": "area star within",
}


@dataclass(frozen=True, kw_only=True)
class Agreement:
    """One number against its truth.

    Parameters
    ----------
    id, key
        Measurement and name of the number.
    value, uncertainty
        As measured, combined standard uncertainty.
    truth, truth_uncertainty
        As traced, with the uncertainty of the trace.
    """

    id: str
    key: str
    value: float
    uncertainty: float
    truth: float
    truth_uncertainty: float

    @property
    def pull(self) -> float:
        """Difference in combined standard uncertainties."""
        return (self.value - self.truth) / math.hypot(
            self.uncertainty, self.truth_uncertainty
        )


def run_demo(
    folder: Path, *, options: RunOptions | None = None, progress: Progress | None = None
) -> str:
    """Make the demo campaign once, reduce it, return a table against its truth.

    Response files are made of the areas as well.

    Parameters
    ----------
    folder
        Gets ``campaign``, ``campaign.truth.json``, ``results`` and ``responses``.
    options, progress
        As for :func:`beamreduce.reduction.reduce_campaign`; figures of both.

    Raises
    ------
    OutputError
        When the folder holds a campaign of another scenario.
    """
    campaign, results = folder / "campaign", folder / "results"
    responses = folder / "responses"
    truth_file = folder / "campaign.truth.json"
    if not (campaign.exists() and truth_file.exists()):
        simulate_campaign(SCENARIO, campaign, progress=progress)
    truth = read_truth(truth_file, SCENARIO, read_scenario(SCENARIO).sha256)
    done = reduce_campaign(
        campaign, results, options=options or RunOptions(update=True), progress=progress
    )
    write_responses(
        results,
        responses,
        options=ResponseOptions(update=True, figures=options is None or options.figures),
        progress=progress,
    )
    rows = compare_with_truth(done.measurements, truth["measurements"])
    found = json.loads((done.folder / "results.json").read_text(encoding="utf-8"))
    if "optical_axis" in truth:  # campaigns made by earlier versions do not tell
        rows += compare_axis(found["off_axis"], truth["optical_axis"])
    rows += compare_scale(found, truth["measurements"])
    pulls = [row.pull for row in rows]
    rms = math.sqrt(sum(pull**2 for pull in pulls) / len(pulls))
    return "\n".join(
        [
            _table(rows),
            f"rms pull {rms:.2f}, largest {max(map(abs, pulls)):.2f} "
            f"(in combined standard uncertainties)",
            f"campaign: {campaign}   results: {results}   truth: {truth_file}",
            f"response files (ARF, RMF): {responses}",
            f"next: beamreduce inspect {campaign}; look at {results}/image_focus_Ti.png",
        ]
    )


def compare_with_truth(
    measured: Sequence[Mapping[str, object]], truth: Sequence[Mapping[str, object]]
) -> tuple[Agreement, ...]:
    """Set every number that has a truth against it, as measured and as seen of a star.

    Parameters
    ----------
    measured, truth
        ``measurements`` of results.json and of a truth file: same ids, same keys.
    """
    known = {entry["id"]: entry for entry in truth}
    return tuple(
        Agreement(
            id=str(m["id"]),
            key=key,
            value=m[key]["value"],
            uncertainty=m[key]["uncertainty"],
            truth=known[m["id"]][key]["value"],
            truth_uncertainty=known[m["id"]][key]["uncertainty"],
        )
        for m in measured
        for key in COMPARED
        if m["id"] in known and m[key] is not None and known[m["id"]].get(key) is not None
    )


def compare_axis(
    off_axis: Sequence[Mapping[str, object]], truth: Mapping[str, float]
) -> tuple[Agreement, ...]:
    """Set the optical axis, as quadrants and as symmetry tell it, against its truth.

    Parameters
    ----------
    off_axis
        Of results.json.
    truth
        ``optical_axis`` of a truth file.
    """
    return tuple(
        Agreement(
            id=f"axis {how.replace('_', ' ')}",
            key=f"optical_axis_{key}",
            value=found[key]["value"],
            uncertainty=found[key]["uncertainty"],
            truth=truth[key],
            truth_uncertainty=0.0,
        )
        for entry in off_axis
        for how, found in entry.get("optical_axis", {}).items()  # type: ignore[attr-defined]
        if found is not None
        for key in ("x_arcmin", "y_arcmin")
    )


def compare_scale(
    found: Mapping[str, object], truth: Sequence[Mapping[str, object]]
) -> tuple[Agreement, ...]:
    """Set plate scales against those of the true centers of the same images.

    Parameters
    ----------
    found
        results.json.
    truth
        ``measurements`` of a truth file.
    """
    known = {entry["id"]: entry for entry in truth}
    measured = {m["id"]: m for m in found["measurements"]}  # type: ignore[attr-defined]
    rows = []
    for entry in found["off_axis"]:  # type: ignore[attr-defined]
        for scale in entry.get("plate_scale") or ():
            names = scale["measurements"]
            if not all("center_pixel" in known.get(name, {}) for name in names):
                continue
            pixel_mm = scale["pixel_size_mm"]
            places = [_true_place(measured[n], known[n], pixel_mm) for n in names]
            true = plate_scale(places, scale["detector_distance_mm"]).arcsec_per_mm
            rows.append(
                Agreement(
                    id=f"plate scale {entry['energy_keV']:.4g} keV",
                    key="plate_scale_arcsec_per_mm",
                    value=scale["arcsec_per_mm"]["value"],
                    uncertainty=scale["arcsec_per_mm"]["uncertainty"],
                    truth=true.value,
                    truth_uncertainty=true.uncertainty,
                )
            )
    return tuple(rows)


def _true_place(
    m: Mapping[str, object], true: Mapping[str, object], pixel_mm: float
) -> ImagePlace:
    x, y = true["center_pixel"]  # type: ignore[misc]
    sizes = true["center_uncertainty_pixel"]
    return ImagePlace(
        id=str(m["id"]),
        off_axis_arcmin=directions(m["off_axis_arcmin"], m["azimuth_deg"]),  # type: ignore[arg-type]
        center_mm=(x * pixel_mm, y * pixel_mm),
        uncertainty_mm=pixel_mm * math.hypot(*sizes) / math.sqrt(2),  # type: ignore[misc]
    )


def _name(key: str) -> str:
    if key == "plate_scale_arcsec_per_mm":
        return "plate scale"
    return COMPARED.get(key, "optical axis " + key.split("_")[-2])


def _unit(key: str) -> str:
    return '"/mm' if key.startswith("plate_scale") else key.rsplit("_", 1)[-1]


def _table(rows: Sequence[Agreement]) -> str:
    width = max(len(row.id) for row in rows)
    head = (
        f"{'measurement':<{width}}  {'number':<16}  {'':<6}  {'measured':>18}  "
        f"{'truth':>16}  {'pull':>5}"
    )
    lines = [head]
    for row in rows:
        lines.append(
            f"{row.id:<{width}}  {_name(row.key):<16}  {_unit(row.key):<6}  "
            f"{row.value:>9.2f} ± {row.uncertainty:<6.2f}  "
            f"{row.truth:>8.2f} ± {row.truth_uncertainty:<5.2f}  {row.pull:>+5.2f}"
        )
    return "\n".join(lines)
