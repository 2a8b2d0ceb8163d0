"""Stray light of a campaign: what lands outside the image, measured and by the model."""

import math
from collections.abc import Sequence
from functools import partial
from pathlib import Path

import astropy.units as u
import numpy as np
from astropy.io import fits

from beamreduce.campaign import Campaign, MeasurementInputs
from beamreduce.effective_area.stray_light import Frame, StrayLight, stray_light
from beamreduce.effective_area.traced_mirror import TracedMirror, even_angles
from beamreduce.record import Uncertain
from beamreduce.reduction.area_summary import Stored

_ANGLES = 7
_FARTHEST_ARCMIN = 60.0


def stray_of(
    campaign: Campaign,
    folder: Path,
    model: tuple[TracedMirror, Sequence[Stored], float],
    notes: dict[str, str],
) -> dict[str, object] | None:
    """Return stray light against angle, with and without the pre-collimator.

    Parameters
    ----------
    campaign, folder
        What was read; where net images are.
    model
        The mirror, the measurements off the axis, and the largest of their angles.
    notes
        Gets sentences.
    """
    mirror, off, largest = model
    if not off:
        return None
    inputs = {i.id: i for i in campaign.measurements}
    frame = _frame(folder, off[0], inputs[str(off[0]["id"])])
    axis = mirror.areas((0.0, 0.0), star=False).cm2
    measured = {float(m["off_axis_arcmin"]) for m in off}  # type: ignore[arg-type]
    angles = sorted(measured | set(even_angles(max(_FARTHEST_ARCMIN, largest), _ANGLES)))
    blades = campaign.setup.mirror.pre_collimator_length
    rows = {"without_pre_collimator": mirror.without_pre_collimator()}
    if blades is not None and blades > 0 * u.mm:
        length = float(blades.to_value(u.mm))
        rows["with_pre_collimator"] = mirror.with_pre_collimator(length)
    else:
        notes["stray_light"] = "the mirror has no pre_collimator_length: without it only"
    return {
        "detector_distance_mm": frame.distance_mm,
        "model": {
            name: [_row(stray_light(one, angle, frame, axis)) for angle in angles]
            for name, one in rows.items()
        },
        "measured": [row for m in off if (row := _measured(m)) is not None],
    }


def _row(one: StrayLight) -> dict[str, float]:
    return {
        "off_axis_arcmin": one.off_axis_arcmin,
        "focused": one.focused,
        "single_reflection": one.single,
        "single_reflection_error": one.single_error,
        "straight_through": one.straight,
        "straight_through_error": one.straight_error,
    }


def _measured(m: Stored) -> dict[str, object] | None:
    """Photons of the frame outside the reference radius, as a part of those inside."""
    ratio = m["flux_ratio"]
    if ratio is None or ratio["frame_photons"] is None or m["net_photons"] is None:  # type: ignore[index]
        return None
    frame = Uncertain.from_json(ratio["frame_photons"])  # type: ignore[index]
    inside = Uncertain.from_json(m["net_photons"])  # type: ignore[arg-type]
    outside = frame.value - inside.value
    error = math.sqrt(max(frame.statistical**2 - inside.statistical**2, 0.0))
    return {
        "id": m["id"],
        "off_axis_arcmin": m["off_axis_arcmin"],
        "azimuth_deg": m["azimuth_deg"],
        "outside_reference": Uncertain(
            value=outside / inside.value,
            statistical=error / inside.value,
            systematic=frame.systematic / inside.value,
        ),
    }


def _frame(folder: Path, m: Stored, one: MeasurementInputs) -> Frame:
    """The detector about the image's center, in the frame of the mirror's azimuths."""
    with fits.open(folder / f"net_{m['id']}.fits") as units:
        columns, rows = (int(units[0].header[f"NAXIS{k}"]) for k in (1, 2))
    pixel = float(one.detector.pixel_size.to_value(u.mm))
    x, y = m["center_pixel"]  # type: ignore[misc]
    edges = (
        (-(x + 0.5) * pixel, (columns - 0.5 - x) * pixel),
        (-(y + 0.5) * pixel, (rows - 0.5 - y) * pixel),
    )
    turn = one.detector.rotation
    angle = 0.0 if turn is None else float(turn.to_value(u.rad))
    return Frame(
        distance_mm=float(m["detector_distance_mm"]),  # type: ignore[arg-type]
        holds=partial(_on_detector, edges, angle, bool(one.detector.x_flipped)),
    )


def _on_detector(
    edges: tuple[tuple[float, float], tuple[float, float]],
    angle: float,
    flipped: bool,
    place_mm: np.ndarray,
) -> np.ndarray:
    """Turn offsets in the mirror's frame back to the detector's, and look at its edges."""
    cosine, sine = math.cos(angle), math.sin(angle)
    x = cosine * place_mm[0] + sine * place_mm[1]
    y = -sine * place_mm[0] + cosine * place_mm[1]
    x = -x if flipped else x
    (left, right), (low, high) = edges
    return (x >= left) & (x <= right) & (y >= low) & (y <= high)
