"""Light behind the mirror: one trace for every setting, photons drawn from it."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from beamreduce.errors import SettingsError
from beamreduce.raytrace import (
    BEHIND_THE_MIRROR,
    Light,
    MirrorState,
    RayList,
    TracePlan,
    trace,
)
from beamreduce.simulate.as_made import CampaignAsMade
from beamreduce.simulate.exposures_plan import PlannedExposure
from beamreduce.simulate.scenario_records import ExposureSet

_PILOT_RAYS = 20_000
_PARTS = 8
_RAYS_PER_PHOTON = 20  # so that chance repeats of a ray add 2.5 % to the noise at most
_MOST_RAYS = 8_000_000
_MOST_TRACED = 40_000_000  # far off the axis hardly any ray is focused
_MARGIN_PX = 4
_MOST_PHOTONS = 20_000_000  # in one exposure


@dataclass(frozen=True)
class Setting:
    """Beam exposures that share aperture and direction: one trace serves them all."""

    item: ExposureSet
    exposures: tuple[PlannedExposure, ...]

    @property
    def name(self) -> str:
        """What tells it from other settings, for random streams."""
        return " ".join(map(str, _key(self.item)))

    @property
    def distances_mm(self) -> tuple[float, ...]:
        """All detector distances, rising."""
        return tuple(sorted({e.source.distance_mm for e in self.exposures}))

    @property
    def measurements(self) -> dict[str, list[PlannedExposure]]:
        """Exposures by measurement."""
        found: dict[str, list[PlannedExposure]] = {}
        for exposure in self.exposures:
            found.setdefault(exposure.measurement, []).append(exposure)
        return found


def settings_of(planned: Sequence[PlannedExposure]) -> tuple[Setting, ...]:
    """Return the settings of the beam exposures of a plan."""
    found: dict[tuple, list[PlannedExposure]] = {}
    for exposure in planned:
        if exposure.source.kind == "beam":
            found.setdefault(_key(exposure.source), []).append(exposure)
    return tuple(Setting(one[0].source, tuple(one)) for one in found.values())


def _key(item: ExposureSet) -> tuple:
    by = item.off_axis_by if item.off_axis is not None else None
    key = (item.aperture or "full", item.off_axis_arcmin, item.azimuth_deg, by)
    # The name of a setting chooses its chance; that of the first round stays as it is.
    return (*key, item.round) if item.round else key


def trace_rays(
    optics: tuple[MirrorState, Light],
    sizes: tuple[int, int],
    stray: Callable[[RayList], np.ndarray],
    rng: np.random.Generator,
) -> tuple[RayList, ...]:
    """Trace a mirror and list what comes out, in independent parts.

    Parameters
    ----------
    optics
        Mirror and source.
    sizes
        Focused rays that are wanted, in all, and the number of parts. Where less than a
        few per cent of the light is focused there may be fewer rays than wanted.
    stray
        Tells which of the rays to keep that were not reflected by both stages.
    rng
        Where chance comes from.

    Returns
    -------
    tuple
        The areas of each part by itself add up to the whole.
    """
    mirror, light = optics
    focused, parts = sizes
    plan = TracePlan(
        distances_mm=np.ones(1),  # nothing is counted there
        fates=BEHIND_THE_MIRROR,
        shifts=parts,
        list_rays=True,
    )
    pilot = trace(mirror, light, plan, rays=_PILOT_RAYS, rng=rng)
    share = pilot.rays_by_fate["focused"] / pilot.rays
    if share == 0:
        raise SettingsError(
            f"no ray of {pilot.rays} is focused in a made campaign; expected light through "
            f"the mirror; check source_distance, off_axis and the errors in [made.figure]"
        )
    rays = min(math.ceil(1.02 * focused / share), _MOST_TRACED)
    traced = trace(mirror, light, plan, rays=rays, rng=rng)
    return tuple(part.only(part.focused | stray(part)) for part in traced.ray_parts)


@dataclass(frozen=True)
class FocalLight:
    """Rays that photons are drawn from.

    Parameters
    ----------
    rays
        All of them.
    cumulated_mm2
        Running sum of the area that rays stand for, shape (energies, rays); the last is
        the effective area (of all that may land on the detector).
    """

    rays: RayList
    cumulated_mm2: np.ndarray

    def draw(
        self, photons_mm2: float, where: tuple[int, float], rng: np.random.Generator
    ) -> np.ndarray:
        """Draw photons and return where they arrive, in mm, shape (2, photons).

        Parameters
        ----------
        photons_mm2
            Expected number a mm² of effective area; their number is a Poisson draw.
        where
            Which energy of the mirror, and distance of the detector in mm.
        rng
            Where chance comes from.
        """
        energy, distance_mm = where
        cumulated = self.cumulated_mm2[energy]
        count = int(rng.poisson(photons_mm2 * cumulated[-1]))
        chosen = np.searchsorted(cumulated, rng.random(count) * cumulated[-1], side="right")
        return self.rays.only(np.minimum(chosen, cumulated.size - 1)).at(distance_mm)


def focal_light(made: CampaignAsMade, setting: Setting) -> FocalLight:
    """Trace the light of a setting for its frames.

    The list holds at least as many focused rays as the truth rests on, and 20 for each
    expected photon up to 8 million.

    Raises
    ------
    SettingsError
        When an exposure would have too many photons to draw.
    """
    optics = made.mirror_behind(setting.item), made.light(setting.item)
    expected = _expected_photons(made, setting, optics)
    wanted = max(made.scenario.truth.photons, math.ceil(_RAYS_PER_PHOTON * expected))

    def in_frame(rays: RayList) -> np.ndarray:
        places = (rays.at(distance) for distance in setting.distances_mm)
        return np.any([_on_detector(made, place) for place in places], axis=0)

    parts = trace_rays(
        optics,
        (min(wanted, _MOST_RAYS), _PARTS),
        in_frame,
        made.stream(setting.name, "light"),
    )
    rays = RayList(
        start_mm=np.concatenate([part.start_mm for part in parts], axis=1),
        slope=np.concatenate([part.slope for part in parts], axis=1),
        area_mm2=np.concatenate([part.area_mm2 for part in parts], axis=1),
        focused=np.concatenate([part.focused for part in parts]),
    )
    cumulated = np.cumsum(rays.area_mm2, axis=1, dtype=np.float64) / len(parts)
    return FocalLight(rays, cumulated)


def _on_detector(made: CampaignAsMade, place_mm: np.ndarray) -> np.ndarray:
    """Tell which places are on the detector, or so close that some charge is."""
    x, y = made.detector.to_pixels(place_mm)
    rows, columns = made.detector.shape
    within_x = (x > -_MARGIN_PX) & (x < columns - 1 + _MARGIN_PX)
    return within_x & (y > -_MARGIN_PX) & (y < rows - 1 + _MARGIN_PX)


def _expected_photons(
    made: CampaignAsMade, setting: Setting, optics: tuple[MirrorState, Light]
) -> float:
    """Return about how many photons the fullest measurement has; refuse monsters."""
    plan = TracePlan(distances_mm=np.array(setting.distances_mm))
    rng = made.stream(setting.name, "light's strength")
    area_mm2 = trace(*optics, plan, rays=_PILOT_RAYS, rng=rng).area_mm2
    most = 0.0
    for exposures in setting.measurements.values():
        photons = [
            e.flux_per_mm2 * e.detected_share * area_mm2[made.energy_index(e.line.name)]
            for e in exposures
        ]
        if max(photons) > _MOST_PHOTONS:
            raise SettingsError(
                f"made.exposures {exposures[0].source.name}: {max(photons):.2g} photons in "
                f"one exposure are too many to draw one by one; expected at most "
                f"{_MOST_PHOTONS:.2g}; make the exposure shorter or the flux lower"
            )
        most = max(most, sum(photons))
    return most
