"""The numbers that a reduction of a made campaign should find, from a far larger trace."""

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor

import astropy.units as u
import numpy as np

from beamreduce.raytrace import RayList
from beamreduce.record import Measurement, Uncertain
from beamreduce.simulate.as_made import CampaignAsMade
from beamreduce.simulate.detector_frames import cosmic_charge_e_per_s
from beamreduce.simulate.exposures_plan import PlannedExposure
from beamreduce.simulate.focal_light import Setting
from beamreduce.simulate.light import background_rate_per_s
from beamreduce.simulate.lit_part import exercised_fraction
from beamreduce.simulate.true_images import (
    TrueImage,
    best_focus_mm,
    detected_image,
    image_at,
    infinity_plane_mm,
    trace_setting,
)
from beamreduce.units import arcsec_per_mm

_THREADS = min(os.cpu_count() or 1, 4)
_KEYS = (
    "id",
    "exposures",
    "aperture",
    "energy_keV",
    "off_axis_arcmin",
    "azimuth_deg",
    "detector_distance_mm",
    "reference_radius_mm",
    "reference_radius_arcsec",
    "center_pixel",
    "center_uncertainty_pixel",
    "net_photons",
    "background_per_pixel",
    "flux_beyond_reference",
    "hpd_measured_arcsec",
    "hpd_measured_mm",
    "w90_measured_arcsec",
    "w90_measured_mm",
    "hpd_infinity_arcsec",
    "w90_infinity_arcsec",
    "infinity_detector_distance_mm",
    "hpd_infinity_best_focus_arcsec",
    "infinity_best_focus_mm",
    "effective_area_measured_cm2",
    "effective_area_infinity_cm2",
    "effective_area_within_reference_measured_cm2",
    "effective_area_within_reference_infinity_cm2",
    "primary_exercised_fraction",
)
_FOCUS_ERROR = "infinity_best_focus_mm_standard_error"


def true_measurements(
    made: CampaignAsMade, settings: Sequence[Setting], advance: Callable[[], None]
) -> list[dict[str, object]]:
    """Return the true numbers of every measurement, as results.json would hold them.

    Parameters
    ----------
    made
        Facility, mirror and detector.
    settings
        All settings of the beam exposures; each is traced twice, as it is and for a star.
    advance
        Called after each of them.
    """

    def one(setting: Setting) -> list[dict[str, object]]:
        found = _of_setting(made, setting)
        advance()
        return found

    with ThreadPoolExecutor(_THREADS) as threads:
        found = [entry for some in threads.map(one, settings) for entry in some]
    order = {item.name: place for place, item in enumerate(made.scenario.exposures)}
    first = {e.exposure: order[e.source.name] for s in settings for e in s.exposures}
    return sorted(found, key=lambda entry: first[entry["exposures"][0]])


def _of_setting(made: CampaignAsMade, setting: Setting) -> list[dict[str, object]]:
    rays = trace_setting(made, setting, parallel=False)
    near = {
        distance: detected_image(made, rays, setting, distance)
        for distance in setting.distances_mm
    }
    del rays
    rays = trace_setting(made, setting, parallel=True)
    far: dict[tuple[int, float], dict[str, object]] = {}
    found = []
    for exposures in setting.measurements.values():
        distance = exposures[0].source.distance_mm
        energy = made.energy_index(exposures[0].line.name)
        if (energy, distance) not in far:
            far[energy, distance] = _at_infinity(made, rays, energy, distance)
        image = near[distance][energy]
        found.append(_truth(made, exposures, image, far[energy, distance]))
    return found


def _truth(
    made: CampaignAsMade,
    exposures: Sequence[PlannedExposure],
    near: TrueImage,
    far: dict[str, object],
) -> dict[str, object]:
    item, line = exposures[0].source, exposures[0].line
    distance_mm, pixel_mm = item.distance_mm, made.detector.pixel_mm
    per_pixel = pixel_mm * arcsec_per_mm(distance_mm)
    photons = sum(e.flux_per_mm2 * e.detected_share for e in exposures) * 100  # a cm²
    best_focus: Uncertain = far["infinity_best_focus_mm"]
    x, y = near.center
    measurement = Measurement(
        id=exposures[0].measurement,
        exposures=tuple(e.exposure for e in exposures),
        aperture=item.aperture or "full",
        energy_keV=float(line.energy.to_value(u.keV)),
        off_axis_arcmin=item.off_axis_arcmin,
        azimuth_deg=item.azimuth_deg,
        detector_distance_mm=distance_mm,
        reference_radius_mm=made.reference_mm,
        reference_radius_arcsec=made.reference_mm * arcsec_per_mm(distance_mm),
        center_pixel=(x.value, y.value),
        center_uncertainty_pixel=(x.uncertainty, y.uncertainty),
        net_photons=near.area_within_cm2.scaled(photons),
        background_per_pixel=_background(made, exposures, (x.value, y.value)),
        flux_beyond_reference=near.beyond,
        hpd_measured_arcsec=near.quantity("hpd", per_pixel),
        hpd_measured_mm=near.quantity("hpd", pixel_mm),
        w90_measured_arcsec=near.quantity("w90", per_pixel),
        w90_measured_mm=near.quantity("w90", pixel_mm),
        effective_area_measured_cm2=near.area_cm2,
        effective_area_within_reference_measured_cm2=near.area_within_cm2,
        primary_exercised_fraction=exercised_fraction(
            made.mirror,
            float(made.setup.facility.source_distance.to_value(u.mm)),
        ),
        **(far | {"infinity_best_focus_mm": best_focus.value}),
    )
    stored = measurement.to_json()
    truth = {key: stored[key] for key in _KEYS}
    return truth | {_FOCUS_ERROR: best_focus.statistical}


def _at_infinity(
    made: CampaignAsMade, rays: Sequence[RayList], energy: int, distance_mm: float
) -> dict[str, object]:
    """Measure the image of a star: no source size, no pixels, the same reference angle."""
    plane_mm, angle = infinity_plane_mm(made), made.reference_mm / distance_mm
    image = image_at(rays, plane_mm, energy, angle * plane_mm)
    length_mm = float(made.setup.mirror.reflector_length.to_value(u.mm))
    # The blur of cones alone is least there.
    middle_mm = made.mirror.prescription.focal_length_mm + length_mm / 8
    best_mm = best_focus_mm(rays, energy, angle, (middle_mm, length_mm))
    best = image_at(rays, best_mm.value, energy, angle * best_mm.value)
    scale, best_scale = arcsec_per_mm(plane_mm), arcsec_per_mm(best_mm.value)
    return {
        "infinity_detector_distance_mm": plane_mm,
        "hpd_infinity_arcsec": image.quantity("hpd", scale),
        "w90_infinity_arcsec": image.quantity("w90", scale),
        "effective_area_infinity_cm2": image.area_cm2,
        "effective_area_within_reference_infinity_cm2": image.area_within_cm2,
        "infinity_best_focus_mm": best_mm,
        "hpd_infinity_best_focus_arcsec": best.quantity("hpd", best_scale),
    }


def _background(
    made: CampaignAsMade,
    exposures: Sequence[PlannedExposure],
    center_px: tuple[float, float],
) -> Uncertain:
    """Background at the center, in photons of the line that carry the same charge.

    Cosmic rays are part of it; their mean is known to about 1 %, tracks that leave the
    frame.
    """
    time_s = sum(e.time_s for e in exposures)
    place = np.array(center_px)[:, None]
    photons = float(background_rate_per_s(made, place)[0]) * time_s
    if not made.detector.declared.integrating:
        return Uncertain(value=photons, statistical=0.0)
    line = exposures[0].line.energy
    photons *= float((made.scenario.background.energy / line).to_value(u.one))
    electrons = (line / made.detector.declared.electron_energy).to_value(u.one)
    cosmic = cosmic_charge_e_per_s(made.detector) * time_s / float(electrons)
    return Uncertain(value=photons + cosmic, statistical=0.01 * cosmic)
