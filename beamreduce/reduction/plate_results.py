"""Plate scale of a campaign, from images of a source that was moved sideways."""

from collections.abc import Sequence

import astropy.units as u
import numpy as np

from beamreduce.campaign import Campaign, MeasurementInputs
from beamreduce.effective_area.plate_scale import ImagePlace, plate_scale
from beamreduce.effective_area.traced_mirror import directions
from beamreduce.infinity.declared import WHOLE
from beamreduce.reduction.area_summary import Stored


def plate_scales(
    campaign: Campaign, measurements: Sequence[Stored], notes: dict[str, str]
) -> list[dict[str, object]]:
    """Return the scale at each detector distance where the source was moved.

    Parameters
    ----------
    campaign, measurements
        What was read, and its numbers.
    notes
        Gets a sentence where there is none.
    """
    inputs = {i.id: i for i in campaign.measurements}
    places: dict[float, list[ImagePlace]] = {}
    shifted: set[float] = set()
    for m in measurements:
        one = inputs[str(m["id"])]
        by = one.beam[0].exposure.off_axis_by
        if m["aperture"] != WHOLE or (m["off_axis_arcmin"] and by != "source_shift"):
            continue
        distance = float(m["detector_distance_mm"])  # type: ignore[arg-type]
        places.setdefault(distance, []).append(_place(m, one))
        if m["off_axis_arcmin"]:
            shifted.add(distance)
    if not shifted:
        notes["plate_scale"] = (
            "needs images of a source moved sideways (off_axis_by source_shift): a tilted "
            "mirror does not move its image"
        )
    rows = []
    for distance in sorted(shifted):
        if len({p.off_axis_arcmin for p in places[distance]}) < 2:
            continue
        detector = inputs[places[distance][0].id].detector
        pixel = detector.relative_uncertainty("pixel_size")
        found = plate_scale(places[distance], distance, pixel)
        rows.append(
            {
                "detector_distance_mm": distance,
                "pixel_size_mm": float(detector.pixel_size.to_value(u.mm)),
                "measurements": [p.id for p in places[distance]],
                "arcsec_per_mm": found.arcsec_per_mm,
                "expected_arcsec_per_mm": found.expected_arcsec_per_mm,
                "model_arcsec_per_mm": found.model_arcsec_per_mm,
                "residuals_mm": found.residuals_mm,
            }
        )
    return rows


def _place(m: Stored, one: MeasurementInputs) -> ImagePlace:
    pixel = float(one.detector.pixel_size.to_value(u.mm))
    row = one.beam[0].exposure
    stage = [
        0.0 if place is None else float(place.to_value(u.mm))
        for place in (row.detector_x, row.detector_y)
    ]
    x, y = m["center_pixel"]  # type: ignore[misc]
    sizes = np.array(m["center_uncertainty_pixel"])
    fit = m.get("fit")
    return ImagePlace(
        id=str(m["id"]),
        off_axis_arcmin=directions(float(m["off_axis_arcmin"]), m["azimuth_deg"]),  # type: ignore[arg-type]
        center_mm=(x * pixel + stage[0], y * pixel + stage[1]),
        uncertainty_mm=float(np.sqrt((sizes**2).mean())) * pixel,
        model_mm=None if fit is None else tuple(fit["predicted_center_mm"]),  # type: ignore[index]
    )
