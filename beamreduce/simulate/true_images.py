"""Images from far more rays than any exposure has photons, and their numbers.

Each image comes in independent parts; numbers carry the scatter of these.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from beamreduce.raytrace import RayList
from beamreduce.record import Uncertain
from beamreduce.simulate.as_made import CampaignAsMade
from beamreduce.simulate.focal_light import Setting, trace_rays
from beamreduce.simulate.image_numbers import ImageNumbers, image_numbers

PARTS = 20
_FOCUS_PARTS = 8
_STRAY_REACH = 3.0  # times the reference radius, from the middle of the image
_SCAN_STEP = 0.25  # of a reflector's length
_FINE_REACH = 0.3
_FINE_PLANES = 9


@dataclass(frozen=True)
class TrueImage:
    """One image at one energy.

    Parameters
    ----------
    parts
        Numbers of each part about its own center; areas in mm².
    focused_mm2, beyond_mm2
        Focused area of each part, and how much of it lies beyond the reference radius.
    """

    parts: Sequence[ImageNumbers]
    focused_mm2: np.ndarray
    beyond_mm2: np.ndarray

    def quantity(self, name: str, factor: float = 1.0) -> Uncertain:
        """Return a number of the image times a factor."""
        return mean_of([getattr(part, name) for part in self.parts]).scaled(factor)

    @property
    def center(self) -> tuple[Uncertain, Uncertain]:
        """Center in x and y."""
        x, y = (mean_of([part.center[k] for part in self.parts]) for k in (0, 1))
        return x, y

    @property
    def area_cm2(self) -> Uncertain:
        """All focused area, wherever it lands."""
        return mean_of(self.focused_mm2 / 100)

    @property
    def area_within_cm2(self) -> Uncertain:
        """Area of all that lands inside the reference radius."""
        return self.quantity("within", 0.01)

    @property
    def beyond(self) -> Uncertain:
        """Focused area beyond the reference radius over the area inside."""
        return mean_of(self.beyond_mm2 / [part.within for part in self.parts])


def trace_setting(
    made: CampaignAsMade, setting: Setting, *, parallel: bool
) -> tuple[RayList, ...]:
    """Trace a setting, or a star in the same direction, for the truth."""
    distances, reach_mm = setting.distances_mm, _STRAY_REACH * made.reference_mm
    if parallel:
        plane_mm = infinity_plane_mm(made)
        reach_mm *= plane_mm / distances[0]
        distances = (plane_mm,)

    def near_the_image(rays: RayList) -> np.ndarray:
        close = np.zeros(rays.focused.size, dtype=bool)
        for distance in distances:
            place = rays.at(distance)
            x, y = middle_of(rays, place)
            close |= np.hypot(place[0] - x, place[1] - y) < reach_mm
        return close

    return trace_rays(
        (made.mirror_behind(setting.item), made.light(setting.item, parallel=parallel)),
        (made.scenario.truth.photons, PARTS),
        near_the_image,
        made.stream(setting.name, "far truth" if parallel else "near truth"),
    )


def infinity_plane_mm(made: CampaignAsMade) -> float:
    """Return where the image of a star is looked at."""
    declared = made.setup.reduction.infinity_detector_distance
    focal = made.setup.mirror.focal_length if declared is None else declared
    return float(focal.to("mm").value)


def detected_image(
    made: CampaignAsMade, rays: Sequence[RayList], setting: Setting, distance_mm: float
) -> dict[int, TrueImage]:
    """Return the images as the detector blurs them, in pixels, by energy.

    The charge cloud spreads each photon, and light is even within a pixel.
    """
    detector, places = made.detector, []
    for number, part in enumerate(rays):
        rng = made.stream(setting.name, f"blur {distance_mm} {number}")
        place = detector.to_pixels(part.at(distance_mm))
        place += detector.cloud_px * rng.standard_normal(place.shape)
        places.append(np.rint(place) + rng.uniform(-0.5, 0.5, place.shape))
    lines = {e.line.name for e in setting.exposures if e.source.distance_mm == distance_mm}
    reference_px = made.reference_mm / detector.pixel_mm
    return {
        energy: true_image(rays, places, energy, reference_px)
        for energy in sorted(made.energy_index(line) for line in lines)
    }


def image_at(
    rays: Sequence[RayList], distance_mm: float, energy: int, reference_mm: float
) -> TrueImage:
    """Return the image in a plane without pixels."""
    places = [part.at(distance_mm) for part in rays]
    return true_image(rays, places, energy, reference_mm)


def true_image(
    rays: Sequence[RayList], places: Sequence[np.ndarray], energy: int, reference: float
) -> TrueImage:
    """Measure each part by itself.

    A diameter of n photons is biased by about 1/n of itself, which is nothing for
    parts of thousands, so the mean of the parts stands for all of them together.
    """
    parts, focused, beyond = [], [], []
    start = middle_of(rays[0], places[0])
    for part, place in zip(rays, places, strict=True):
        area = part.area_mm2[energy].astype(np.float64)
        parts.append(image_numbers(place, area, reference, start=start))
        start = parts[-1].center
        outside = np.hypot(place[0] - start[0], place[1] - start[1]) >= reference
        focused.append(area[part.focused].sum())
        beyond.append(area[part.focused & outside].sum())
    return TrueImage(parts, np.array(focused), np.array(beyond))


def middle_of(rays: RayList, place: np.ndarray) -> tuple[float, float]:
    """Return the median place of the focused rays."""
    x, y = np.median(place[:, rays.focused], axis=1)
    return float(x), float(y)


def best_focus_mm(
    rays: Sequence[RayList],
    energy: int,
    reference_angle: float,
    planes: tuple[float, float],
) -> Uncertain:
    """Return the plane in which the angle that the HPD subtends is least.

    Parameters
    ----------
    rays
        Parts of a trace.
    energy
        Which energy.
    reference_angle
        Reference radius over distance.
    planes
        Where to look first, and the length of a reflector.

    Notes
    -----
    A scan in steps of a quarter of the length finds the lowest plane; the lowest point of
    a quartic through nine planes within ±0.3 lengths of it is the answer. Its error is
    that of a jackknife over the parts.
    """
    middle, length = planes
    scanned = middle + length * _SCAN_STEP * np.arange(-6, 7)
    curve = _angles(rays[0], energy, scanned, reference_angle)
    around = scanned[int(np.argmin(curve))]
    offsets = length * np.linspace(-_FINE_REACH, _FINE_REACH, _FINE_PLANES)
    used = rays[:_FOCUS_PARTS]
    curves = np.array(
        [_angles(part, energy, around + offsets, reference_angle) for part in used]
    )
    count = len(curves)
    without = (curves.sum(axis=0) - curves) / (count - 1)
    each = np.array([_lowest(offsets, curve) for curve in without])
    spread = math.sqrt((count - 1) * float(np.var(each)))
    return Uncertain(
        value=float(around + _lowest(offsets, curves.mean(axis=0))), statistical=spread
    )


def _angles(
    part: RayList, energy: int, planes: np.ndarray, reference_angle: float
) -> np.ndarray:
    """Return the HPD over the distance in each plane."""
    area = part.area_mm2[energy].astype(np.float64)
    start, found = None, []
    for plane in planes:
        place = part.at(plane)
        start = middle_of(part, place) if start is None else start
        numbers = image_numbers(place, area, reference_angle * plane, start=start)
        start = numbers.center
        found.append(numbers.hpd / plane)
    return np.array(found)


def _lowest(offsets: np.ndarray, values: np.ndarray) -> float:
    """Return the lowest point of a quartic fitted within the offsets."""
    fit = np.polynomial.Polynomial.fit(offsets, values, 4)
    fine = np.linspace(offsets[0], offsets[-1], 4001)
    return float(fine[int(np.argmin(fit(fine)))])


def mean_of(parts: Sequence[float] | np.ndarray) -> Uncertain:
    """Return the mean of independent parts and its standard error."""
    spread = float(np.std(parts, ddof=1))
    return Uncertain(
        value=float(np.mean(parts)), statistical=spread / math.sqrt(len(parts))
    )
