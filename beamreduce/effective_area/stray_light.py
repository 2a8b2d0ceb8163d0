"""Light on the detector that was not reflected twice: once, or straight through."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from beamreduce.effective_area.traced_mirror import TracedMirror
from beamreduce.raytrace import RayList

_ARCMIN = math.radians(1 / 60)
_MISSES_MM = 5.0  # by which a ray may miss the source it came straight from; rounding


@dataclass(frozen=True, kw_only=True)
class Frame:
    """What of the plane behind the mirror is detector.

    Parameters
    ----------
    distance_mm
        Behind the reference plane.
    holds
        Tells which offsets (2, rays) from the image's center, in the mirror's frame, are
        on the detector.
    """

    distance_mm: float
    holds: Callable[[np.ndarray], np.ndarray]


def circle(reference_mm: float) -> Callable[[np.ndarray], np.ndarray]:
    """Return what tells offsets inside a circle, for a detector that is one."""
    return partial(_inside, reference_mm)


def _inside(reference_mm: float, place_mm: np.ndarray) -> np.ndarray:
    return np.hypot(*place_mm) <= reference_mm


@dataclass(frozen=True, kw_only=True)
class StrayLight:
    """Parts of the area on the axis that reach the detector from a direction.

    Parameters
    ----------
    off_axis_arcmin
        Towards azimuth 0.
    focused
        Reflected by both stages.
    single
        By one of them.
    straight
        By none.
    single_error, straight_error
        Standard errors of the trace.
    """

    off_axis_arcmin: float
    focused: float
    single: float
    straight: float
    single_error: float
    straight_error: float


def stray_light(
    mirror: TracedMirror,
    off_axis_arcmin: float,
    frame: Frame,
    on_axis_cm2: float,
) -> StrayLight:
    """Follow what comes out of the mirror to the detector, whose middle is the image's.

    Parameters
    ----------
    mirror
        The model, with or without its pre-collimator.
    off_axis_arcmin
        Direction of the source, towards azimuth 0.
    frame
        The detector.
    on_axis_cm2
        Whole focused area on the axis, with the diverging beam.

    Notes
    -----
    The frame is where the image of a source in that direction is: a tilted mirror does not
    move its image, and a shifted source is followed. Light is counted as the detector sees
    it; rays that scattered or were turned below a surface are lost.
    """
    rays = mirror.behind((off_axis_arcmin, 0.0))
    place = rays.at(frame.distance_mm)
    seen = frame.holds(place)
    straight = _straight(rays, mirror, off_axis_arcmin)
    parts = {
        "focused": rays.focused,
        "single": ~rays.focused & ~straight,
        "straight": straight & ~rays.focused,
    }
    area = rays.area_mm2[0].astype(float)
    sums = {name: float(area[seen & one].sum()) / 100 for name, one in parts.items()}
    # Rays are spread evenly, so chance makes less of them than of as many photons.
    errors = {
        name: math.sqrt(float((area[seen & one] ** 2).sum())) / 100
        for name, one in parts.items()
    }
    return StrayLight(
        off_axis_arcmin=off_axis_arcmin,
        focused=sums["focused"] / on_axis_cm2,
        single=sums["single"] / on_axis_cm2,
        straight=sums["straight"] / on_axis_cm2,
        single_error=errors["single"] / on_axis_cm2,
        straight_error=errors["straight"] / on_axis_cm2,
    )


def _straight(rays: RayList, mirror: TracedMirror, off_axis_arcmin: float) -> np.ndarray:
    """Tell which rays, followed backwards, come from the source itself."""
    light = mirror.light((off_axis_arcmin, 0.0), star=False)
    source = light.to_detector @ light.place_mm
    back = rays.start_mm + rays.slope * source[2]
    miss = np.hypot(back[0] - source[0], back[1] - source[1])
    return miss < light.source_diameter_mm / 2 + _MISSES_MM
