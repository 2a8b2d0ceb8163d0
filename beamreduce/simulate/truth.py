"""The numbers that a reduction of a made campaign should find, from a far larger trace.

Values carry the uncertainty of the trace itself: the scatter of independent batches.
"""

import math
import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import astropy.units as u
import numpy as np

from beamreduce.record import Measurement, Uncertain
from beamreduce.simulate.as_made import CampaignAsMade
from beamreduce.simulate.detector_frames import cosmic_charge_e_per_s
from beamreduce.simulate.exposures_plan import PlannedExposure
from beamreduce.simulate.image_numbers import ImageNumbers, image_numbers
from beamreduce.simulate.light import background_rate_per_s
from beamreduce.simulate.scenario_records import ExposureSet
from beamreduce.simulate.two_cones import Beam, MirrorAsMade, Photons, trace
from beamreduce.units import arcsec_per_mm

BATCHES = 20
_FOCUS_BATCHES = 8
_PILOT_RAYS = 20_000
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
)


@dataclass(frozen=True)
class _Setting:
    """Exposures that share aperture, direction and line: one trace serves them all."""

    line: str
    item: ExposureSet
    measurements: Mapping[str, list[PlannedExposure]]

    @property
    def name(self) -> str:
        off_axis, azimuth = self.item.off_axis, self.item.azimuth
        return f"{self.line} {self.item.aperture} {off_axis} {azimuth}"


@dataclass(frozen=True)
class _Numbers:
    """Numbers of every batch, its whole weight, and the area of a unit of weight."""

    parts: Sequence[ImageNumbers]
    weights: np.ndarray
    cm2_per_weight: float

    def quantity(self, name: str, factor: float = 1.0) -> Uncertain:
        return _mean([getattr(part, name) for part in self.parts]).scaled(factor)

    @property
    def center(self) -> tuple[Uncertain, Uncertain]:
        x, y = (_mean([part.center[k] for part in self.parts]) for k in (0, 1))
        return x, y

    @property
    def area_cm2(self) -> Uncertain:
        return _mean(self.weights * self.cm2_per_weight)

    @property
    def area_within_cm2(self) -> Uncertain:
        return self.quantity("within", self.cm2_per_weight)

    @property
    def beyond(self) -> Uncertain:
        inside = np.array([part.within for part in self.parts])
        return _mean(self.weights / inside - 1)


def settings_to_trace(planned: Sequence[PlannedExposure]) -> tuple[_Setting, ...]:
    """Return what has to be traced for the beam exposures of a plan."""
    found: dict[tuple, _Setting] = {}
    for exposure in planned:
        item = exposure.source
        if item.kind != "beam":
            continue
        key = (item.line, item.aperture or "full", _arcmin(item), _azimuth_deg(item))
        setting = found.setdefault(key, _Setting(item.line, item, {}))
        setting.measurements.setdefault(exposure.measurement, []).append(exposure)
    return tuple(found.values())


def traced_batches(planned: Sequence[PlannedExposure]) -> int:
    """Return how many batches :func:`true_measurements` will trace, for progress."""
    return 2 * BATCHES * len(settings_to_trace(planned))


def true_measurements(
    made: CampaignAsMade,
    planned: Sequence[PlannedExposure],
    advance: Callable[[], None],
) -> list[dict[str, object]]:
    """Return the true numbers of every measurement, as results.json would hold them.

    Parameters
    ----------
    made
        Facility, mirror and detector.
    planned
        All exposures.
    advance
        Called after each traced batch.
    """
    found: dict[str, dict[str, object]] = {}
    for setting in settings_to_trace(planned):
        mirror = made.coated_mirror(setting.line)
        beam = made.beam(setting.item)
        near = _trace(made, (mirror, beam), f"{setting.name} near", advance)
        planes = {_distance_mm(e[0].source) for e in setting.measurements.values()}
        measured = {
            distance: _measured(made, near, distance, setting.name) for distance in planes
        }
        del near
        beam = made.beam(setting.item, parallel=True)
        far = _trace(made, (mirror, beam), f"{setting.name} far", advance)
        for name, exposures in setting.measurements.items():
            numbers = measured[_distance_mm(exposures[0].source)]
            found[name] = _truth(made, exposures, numbers, far)
    order = dict.fromkeys(e.measurement for e in planned if e.source.kind == "beam")
    return [found[name] for name in order]


def _trace(
    made: CampaignAsMade,
    optics: tuple[MirrorAsMade, Beam],
    name: str,
    advance: Callable[[], None],
) -> list[Photons]:
    """Trace batches that together hold at least the photons asked for."""
    mirror, beam = optics
    pilot = trace(mirror, beam, rays=_PILOT_RAYS, rng=made.stream(name, "pilot"))
    share = max(len(pilot.weight), 1) / _PILOT_RAYS
    rays = math.ceil(1.02 * made.scenario.truth.photons / share / BATCHES)

    def one(number: int) -> Photons:
        batch = trace(mirror, beam, rays=rays, rng=made.stream(name, f"batch {number}"))
        advance()
        return batch

    with ThreadPoolExecutor(_THREADS) as threads:
        return list(threads.map(one, range(BATCHES)))


def _measured(
    made: CampaignAsMade, batches: Sequence[Photons], distance_mm: float, name: str
) -> _Numbers:
    """Measure the image as the detector blurs it: charge cloud, then whole pixels."""
    detector = made.detector
    places = []
    for number, batch in enumerate(batches):
        rng = made.stream(name, f"blur {distance_mm} {number}")
        place = detector.to_pixels(batch.at(distance_mm))
        place += detector.cloud_px * rng.standard_normal(place.shape)
        places.append(np.rint(place) + rng.uniform(-0.5, 0.5, place.shape))
    reference_px = made.reference_mm / detector.pixel_mm
    return _numbers(batches, places, reference_px, start=detector.image_center)


def _numbers(
    batches: Sequence[Photons],
    places: Sequence[np.ndarray],
    reference: float,
    *,
    start: tuple[float, float],
) -> _Numbers:
    """Measure each batch by itself.

    A diameter of n photons is biased by about 1/n of itself, which is nothing for
    batches of thousands, so the mean of the batches stands for all of them together.
    """
    parts = []
    for batch, place in zip(batches, places, strict=True):
        parts.append(image_numbers(place, batch.weight, reference, start=start))
        start = parts[-1].center
    weights = np.array([batch.weight.sum() for batch in batches])
    return _Numbers(parts, weights, batches[0].collecting_mm2 / 100)


def _truth(
    made: CampaignAsMade,
    exposures: Sequence[PlannedExposure],
    near: _Numbers,
    far: Sequence[Photons],
) -> dict[str, object]:
    item, line = exposures[0].source, exposures[0].line
    distance_mm = _distance_mm(item)
    pixel_mm = made.detector.pixel_mm
    per_pixel = pixel_mm * arcsec_per_mm(distance_mm)
    photons = sum(e.flux_per_mm2 * e.detected_share for e in exposures) * 100  # a cm²
    x, y = near.center
    measurement = Measurement(
        id=exposures[0].measurement,
        exposures=tuple(e.exposure for e in exposures),
        aperture=item.aperture or "full",
        energy_keV=float(line.energy.to_value(u.keV)),
        off_axis_arcmin=_arcmin(item),
        azimuth_deg=_azimuth_deg(item),
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
        **_at_infinity(made, far, distance_mm),
    )
    stored = measurement.to_json()
    return {key: stored[key] for key in _KEYS}


def _at_infinity(
    made: CampaignAsMade, batches: Sequence[Photons], distance_mm: float
) -> dict[str, object]:
    """Measure the image of a star: no source size, no pixels, the same reference angle."""
    declared = made.setup.reduction.infinity_detector_distance
    focal = made.setup.mirror.focal_length if declared is None else declared
    plane_mm = float(focal.to_value(u.mm))
    reference = made.reference_mm * plane_mm / distance_mm
    places = [batch.at(plane_mm) for batch in batches]
    numbers = _numbers(batches, places, reference, start=(0.0, 0.0))
    scale = arcsec_per_mm(plane_mm)
    angle = made.reference_mm / distance_mm
    best_mm = _best_focus_mm(made, batches[:_FOCUS_BATCHES], angle)
    places = [batch.at(best_mm.value) for batch in batches]
    reference = angle * best_mm.value
    best = _numbers(batches, places, reference, start=numbers.parts[0].center)
    best_scale = arcsec_per_mm(best_mm.value)
    return {
        "infinity_detector_distance_mm": plane_mm,
        "hpd_infinity_arcsec": numbers.quantity("hpd", scale),
        "w90_infinity_arcsec": numbers.quantity("w90", scale),
        "effective_area_infinity_cm2": numbers.area_cm2,
        "effective_area_within_reference_infinity_cm2": numbers.area_within_cm2,
        "infinity_best_focus_mm": best_mm,
        "hpd_infinity_best_focus_arcsec": best.quantity("hpd", best_scale),
    }


def _best_focus_mm(
    made: CampaignAsMade, batches: Sequence[Photons], reference_angle: float
) -> Uncertain:
    """Return where the HPD of a star is least: the lowest point of a fitted parabola.

    Planes reach half a reflector length to both sides of f + ℓ/8, where the blur of the
    cones alone is least.
    """
    length_mm = float(made.setup.mirror.reflector_length.to_value(u.mm))
    focal_mm = made.mirror.prescription.focal_length_mm
    offsets_mm = length_mm * np.linspace(-0.5, 0.5, 9)
    middle_mm = focal_mm + length_mm / 8
    lowest = []
    for batch in batches:
        angles = [
            image_numbers(
                batch.at(middle_mm + offset),
                batch.weight,
                reference_angle * (middle_mm + offset),
                start=(0.0, 0.0),
            ).hpd
            / (middle_mm + offset)
            for offset in offsets_mm
        ]
        _, slope, bend = np.polynomial.polynomial.polyfit(offsets_mm, angles, 2)
        lowest.append(middle_mm - slope / (2 * bend))
    return _mean(lowest)


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


def _mean(parts: Sequence[float] | np.ndarray) -> Uncertain:
    """Return the mean of independent batches and its standard error."""
    spread = float(np.std(parts, ddof=1))
    return Uncertain(
        value=float(np.mean(parts)), statistical=spread / math.sqrt(len(parts))
    )


def _distance_mm(item: ExposureSet) -> float:
    return float(item.detector_distance.to_value(u.mm))


def _arcmin(item: ExposureSet) -> float:
    return 0.0 if item.off_axis is None else float(item.off_axis.to_value(u.arcmin))


def _azimuth_deg(item: ExposureSet) -> float | None:
    return None if item.azimuth is None else float(item.azimuth.to_value(u.deg))
