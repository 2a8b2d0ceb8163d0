"""The mirror's model followed ray by ray: areas off the axis, by quadrant, and stray light.

The fold of a configuration works in planes through the axis; here rays go through the
whole mirror, so that any direction, quadrant and kind of stray light can be asked for.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from astropy.units import Quantity

from beamreduce.campaign import Setup
from beamreduce.campaign.setup_file import QUADRANTS
from beamreduce.mirror import Prescription
from beamreduce.raytrace import (
    BEHIND_THE_MIRROR,
    ErrorLaw,
    FigureErrors,
    Light,
    MirrorState,
    RayList,
    TracePlan,
    mirror_as_designed,
    quadrants_between,
    trace,
)

RAYS = 200_000
_ARCMIN = math.radians(1 / 60)


@dataclass(frozen=True, kw_only=True)
class TracedMirror:
    """A mirror to send rays through, at one photon energy.

    Parameters
    ----------
    mirror
        Nest with its slope errors and coating.
    source
        Source on the axis at its distance.
    stream
        Makes the generator for a purpose.
    rays
        How many to send for each direction.
    """

    mirror: MirrorState
    source: Light
    stream: Callable[[str], np.random.Generator]
    rays: int = RAYS

    def without_pre_collimator(self) -> "TracedMirror":
        """Return the same without blades in front."""
        return self.with_pre_collimator(0.0)

    def with_pre_collimator(self, length_mm: float) -> "TracedMirror":
        """Return the same with blades of a length in front."""
        return replace(self, mirror=replace(self.mirror, pre_collimator_mm=length_mm))

    def light(self, off_axis: tuple[float, float], *, star: bool) -> Light:
        """Return the source, or a star, in a direction (x, y) in arcmin off the axis."""
        angle = math.hypot(*off_axis) * _ARCMIN
        on_axis = Light.star() if star else self.source
        return replace(
            on_axis, off_axis_rad=angle, azimuth_rad=math.atan2(off_axis[1], off_axis[0])
        )

    def areas(self, off_axis: tuple[float, float], *, star: bool) -> "TracedAreas":
        """Return whole area and those of quadrants in a direction (x, y), arcmin."""
        purpose = f"areas {off_axis[0]:.6g} {off_axis[1]:.6g} {star}"
        traced = trace(
            self.mirror,
            self.light(off_axis, star=star),
            TracePlan(distances_mm=np.ones(1)),
            rays=self.rays,
            rng=self.stream(purpose),
        )
        return TracedAreas(
            cm2=float(traced.area_mm2[0]) / 100,
            error_cm2=float(traced.area_error_mm2[0]) / 100,
            quadrants_cm2=tuple(float(a) / 100 for a in traced.quadrant_area_mm2[:, 0]),
        )

    def behind(self, off_axis: tuple[float, float]) -> RayList:
        """Return all rays of the diverging beam that come out of the mirror.

        Their areas add up to the whole.
        """
        traced = trace(
            self.mirror,
            self.light(off_axis, star=False),
            TracePlan(distances_mm=np.ones(1), fates=BEHIND_THE_MIRROR, list_rays=True),
            rays=self.rays,
            rng=self.stream(f"stray {off_axis[0]:.6g} {off_axis[1]:.6g}"),
        )
        parts = traced.ray_parts
        return RayList(
            start_mm=np.concatenate([p.start_mm for p in parts], axis=1),
            slope=np.concatenate([p.slope for p in parts], axis=1),
            area_mm2=np.concatenate([p.area_mm2 for p in parts], axis=1) / len(parts),
            focused=np.concatenate([p.focused for p in parts]),
        )


@dataclass(frozen=True, kw_only=True)
class TracedAreas:
    """Area of the whole mirror with its tracing error, and of its quadrants, cm²."""

    cm2: float
    error_cm2: float
    quadrants_cm2: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class SurfaceErrors:
    """What a fold has found of the surfaces: slopes and scatter, rad (rms, width)."""

    slope_rad: float = 0.0
    scatter_rad: float = 0.0


def traced_mirror(
    design: tuple[Setup, Prescription],
    energy: Quantity,
    surfaces: SurfaceErrors,
    stream: Callable[[str], np.random.Generator],
) -> TracedMirror:
    """Return the declared mirror with slope errors, ready to be traced.

    Parameters
    ----------
    design
        Settings of the campaign and its nest.
    energy
        Photon energy.
    surfaces
        Slopes as one normal law on both stages, in the plane of reflection.
    stream
        Makes the generator for a purpose.
    """
    setup, prescription = design
    widened = surfaces.scatter_rad > 0
    scatter = ErrorLaw.lorentzian(surfaces.scatter_rad) if widened else ErrorLaw.none()
    rough = surfaces.slope_rad > 0
    slopes = ErrorLaw.gaussian(surfaces.slope_rad) if rough else ErrorLaw.none()
    mirror = mirror_as_designed(
        setup.mirror, prescription, np.atleast_1d(energy), scatter=scatter
    )
    quadrants = quadrants_between(setup.quadrants or QUADRANTS)
    return TracedMirror(
        mirror=replace(
            mirror,
            figure=FigureErrors(primary=slopes, secondary=slopes),
            quadrants=quadrants,
        ),
        source=Light.near(setup.facility.source_distance, setup.facility.source_diameter),
        stream=stream,
    )


def directions(off_axis_arcmin: float, azimuth_deg: float | None) -> tuple[float, float]:
    """Return an off-axis angle and its azimuth as (x, y) in arcmin."""
    azimuth = math.radians(azimuth_deg or 0.0)
    return off_axis_arcmin * math.cos(azimuth), off_axis_arcmin * math.sin(azimuth)


def even_angles(largest_arcmin: float, count: int) -> Sequence[float]:
    """Return angles from the axis to a largest one, in even steps."""
    return tuple(float(a) for a in np.linspace(0.0, largest_arcmin, count))
