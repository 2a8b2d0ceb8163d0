"""Small mirrors for tests of the trace, and diameters from what it counts."""

import math

import numpy as np

from beamreduce.mirror import Nesting, Prescription
from beamreduce.raytrace import MirrorState, TracePlan, trace

FOCAL, SOURCE, LENGTH = 5200.0, 86000.0, 90.0
ARCSEC, ARCMIN = math.radians(1 / 3600), math.radians(1 / 60)


def nest(*radii, focal=FOCAL, length=LENGTH, secondary=None, thickness=0.0, gap=0.0):
    nestings = [
        Nesting(
            number=number,
            radius_mm=radius,
            primary_angle_rad=math.atan(radius / focal) / 4,
            secondary_angle_rad=3 * math.atan(radius / focal) / 4,
            primary_length_mm=length,
            secondary_length_mm=secondary or length,
            gap_mm=gap,
            thickness_mm=thickness,
            coating="Au",
            roughness_nm=0.0,
        )
        for number, radius in enumerate(radii, start=1)
    ]
    return Prescription(nestings=tuple(nestings), focal_length_mm=focal)


def tight_nest(first, last, *, thickness=0.17, length=LENGTH, gap=0.0):
    """As close as a star allows without shade: each opening is filled by its primary."""
    radii = [first]
    while radii[-1] < last:
        angle = math.atan(radii[-1] / FOCAL) / 4
        radii.append(radii[-1] + (length + gap) * math.tan(angle) + thickness)
    return nest(*radii, thickness=thickness, length=length, gap=gap)


def image_plane(focal=FOCAL, source=SOURCE):
    return focal * source / (source - focal)


def run(mirror, light, plane, *, rays=200_000, seed=20261125, **plan):
    if not isinstance(mirror, MirrorState):
        mirror = MirrorState(prescription=mirror)
    return trace(
        mirror,
        light,
        TracePlan(distances_mm=np.atleast_1d(plane), **plan),
        rays=rays,
        rng=np.random.default_rng(seed),
    )


def diameter(traced, share=0.5, *, distance=0, energy=0):
    """Diameter in mm that holds a share of all light; straight lines within a ring."""
    radii = np.concatenate([[0.0], traced.plan.ring_edges()[distance]])
    enclosed = np.concatenate([[0.0], traced.enclosed_mm2[distance, energy]])
    return 2 * float(np.interp(share * traced.area_mm2[energy], enclosed, radii))


def diameter_error(traced, share=0.5, *, distance=0, energy=0):
    """Standard error of that diameter from the independent parts."""
    radii = np.concatenate([[0.0], traced.plan.ring_edges()[distance]])
    parts = traced.ring_parts_mm2[:, distance, energy]
    totals = parts.sum(axis=-1) + traced.beyond_mm2[distance, energy]
    found = [
        2 * np.interp(share * total, np.concatenate([[0.0], np.cumsum(part)]), radii)
        for part, total in zip(parts, totals, strict=True)
    ]
    return float(np.std(found, ddof=1) / math.sqrt(len(found)))
