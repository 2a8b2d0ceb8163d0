"""Rays through a tight nest with slope errors, against a trace in whole NumPy arrays."""

import math
import resource

import astropy.units as u
import numpy as np

from beamreduce.mirror import (
    Coating,
    MirrorDesign,
    Prescription,
    ReflectivityTable,
    nestings_from_design,
    reflectivity_table,
)
from beamreduce.raytrace import (
    ErrorLaw,
    FigureErrors,
    Light,
    MirrorState,
    Traced,
    TracePlan,
    trace,
)
from tests.benchmarks.timing import Result, at_least, medians

SOURCE_MM, PLANE_MM, SLOPE_RAD = 86_000.0, 5_534.653, 5e-5
RAYS = 2_000_000
RINGS_MM = np.linspace(0, 6, 201)[1:]


def _nest() -> Prescription:
    return nestings_from_design(
        MirrorDesign(
            focal_length=5.2 * u.m,
            inner_radius=70 * u.mm,
            outer_radius=190 * u.mm,
            reflector_length=90 * u.mm,
            reflector_thickness=0.17 * u.mm,
            coating="Au",
            roughness=0 * u.nm,
        )
    )


def _ours(nest: Prescription, table: ReflectivityTable, rays: int, seed: int) -> Traced:
    law = ErrorLaw.gaussian(SLOPE_RAD)
    mirror = MirrorState(
        prescription=nest,
        figure=FigureErrors(primary=law, secondary=law),
        coatings=(table,),
    )
    plan = TracePlan(distances_mm=np.array([PLANE_MM]), ring_radii_mm=RINGS_MM)
    light = Light(source_distance_mm=SOURCE_MM)
    return trace(mirror, light, plan, rays=rays, rng=np.random.default_rng(seed))


def _reflected(
    slope: np.ndarray, outward: np.ndarray, angle: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Slope after a reflection, and the grazing angle before it."""
    cosine, sine = np.cos(angle), np.sin(angle)
    against = np.sum(slope * outward, axis=0) * cosine + sine
    after = (slope - 2 * against * cosine * outward) / (1 - 2 * against * sine)
    return after, np.arcsin(against / np.sqrt(1 + np.sum(slope**2, axis=0)))


def _met(start: np.ndarray, slope: np.ndarray, cone: np.ndarray) -> np.ndarray:
    radius, steep = cone
    a = np.sum(slope**2, axis=0) - steep**2
    b = np.sum(start * slope, axis=0) + radius * steep
    c = np.sum(start**2, axis=0) - radius**2
    return -c / (b + np.sqrt(np.maximum(b**2 - a * c, 0)))


def _in_arrays(
    nest: Prescription, table: ReflectivityTable, rays: int, seed: int
) -> tuple[float, float, np.ndarray]:
    """The same work with one array a quantity: area, its error, area in every ring."""
    rng = np.random.default_rng(seed)
    radius = np.array([n.radius_mm for n in nest.nestings])
    first = np.array([n.primary_angle_rad for n in nest.nestings])
    second = np.array([n.secondary_angle_rad for n in nest.nestings])
    length, thick = nest.nestings[0].primary_length_mm, nest.nestings[0].thickness_mm
    edge = radius + length * np.tan(first)
    back = np.concatenate([[0.0], (radius + thick)[:-1]])
    steep1 = np.concatenate([[0.0], np.tan(first)[:-1]])
    steep2 = np.concatenate([[0.0], np.tan(second)[:-1]])
    inner = np.maximum(back + steep1 * length, radius - edge / SOURCE_MM * length)
    rings = edge**2 - inner**2
    k = np.searchsorted(np.cumsum(rings)[:-1], rng.random(rays) * rings.sum())
    rho = np.sqrt(inner[k] ** 2 + rng.random(rays) * rings[k])
    phi = rng.uniform(0, 2 * np.pi, rays)
    slope = rho / (SOURCE_MM - length) * np.stack([np.cos(phi), np.sin(phi)])
    start = slope * SOURCE_MM
    good = np.ones(rays, dtype=bool)
    weight = np.full(rays, math.pi * rings.sum() * (SOURCE_MM / (SOURCE_MM - length)) ** 2)
    reflectivity = table.specular[0]
    for angle, low, high, sign in ((first, -length, 0.0, 1), (second, 0.0, length, -1)):
        z = _met(start, slope, np.stack([radius[k], np.tan(angle)[k]]))
        place = start + slope * z
        tilt = sign * SLOPE_RAD * rng.standard_normal(rays)
        slope, grazing = _reflected(slope, place / np.hypot(*place), angle[k] + tilt)
        start = place - slope * z
        weight *= np.interp(
            grazing / table.angle_step_rad, np.arange(reflectivity.size), reflectivity
        )
        good &= (z >= low) & (z <= high) & (grazing > 0)
        out = start + slope * high
        neighbour = back[k] - (steep1 if high == 0 else steep2)[k] * high
        good &= np.hypot(*out) > neighbour
        leaving = np.sum(slope * place, axis=0) / np.hypot(*place) + np.tan(angle[k])
        good &= leaving < 0
    weight = np.where(good, weight, 0.0) / rays
    landing = np.hypot(*(start + slope * PLANE_MM))[good]
    counted = np.histogram(landing, np.concatenate([[0], RINGS_MM]), weights=weight[good])
    area = weight.sum()
    return area, math.sqrt(np.sum(weight**2) - area**2 / rays), counted[0]


def rays_in_space() -> list[Result]:
    """Source, two reflections with slope errors, blockage, reflectivity, 200 rings."""
    nest = _nest()
    table = reflectivity_table(Coating(formula="Au"), 4.511 * u.keV)
    seconds, arrays = medians(
        (
            lambda: _ours(nest, table, RAYS, 1),
            lambda: _in_arrays(nest, table, RAYS // 4, 1),
        ),
        5,
    )
    arrays *= 4  # one array of all rays is no faster a ray, but fills the memory
    found = _ours(nest, table, RAYS, 1)
    area, noise, rings = _in_arrays(nest, table, RAYS // 4, 2)
    assert abs(found.area_mm2[0] - area) <= 4 * math.hypot(noise, found.area_error_mm2[0])
    gap = np.abs(np.cumsum(rings) - found.enclosed_mm2[0, 0]).max() / area
    # Kolmogorov: the largest gap exceeds 2/√n with a chance of 7e-4.
    lit = RAYS / 4 * found.rays_by_fate["focused"] / found.rays
    assert gap <= 2 / math.sqrt(lit) + 4 * noise / area
    rate = RAYS / seconds / 1e6
    gain = (noise / 2 / found.area_error_mm2[0]) ** 2
    agreed = (
        f"{len(nest.nestings)} nestings: area within "
        f"{abs(found.area_mm2[0] / area - 1):.1e} "
        f"(asserted: 4 standard errors, {4 * noise / area:.1e}), enclosed energy within "
        f"{gap:.1e}"
    )
    return [
        Result(
            work=f"trace of {RAYS / 1e6:g} million rays",
            **at_least(arrays / seconds, 5, "NumPy arrays"),
            accuracy=agreed,
        ),
        Result(
            work="trace, rays a second",
            aim="≥ 7 Mray/s a core",
            measured=f"{rate:.1f} Mray/s",
            met=rate >= 7,
            accuracy=f"the area's variance is 1/{gain:.0f} of that of rays by chance",
        ),
    ]


def ray_memory() -> list[Result]:
    """Peak memory of a trace with sixteen times as many rays."""
    nest = _nest()
    table = reflectivity_table(Coating(formula="Au"), 4.511 * u.keV)
    _ours(nest, table, RAYS // 8, 1)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    many = _ours(nest, table, 2 * RAYS, 1)
    grown_mb = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    assert many.rays > 0.99 * 2 * RAYS
    return [
        Result(
            work="memory of a trace with 16 × the rays",
            aim="≤ 1 MB more",
            measured=f"{grown_mb:.1f} MB",
            met=grown_mb <= 1,
            accuracy=f"{many.rays:,} rays, {many.rays * 32 / 1e6:.0f} MB if four numbers "
            "of each were kept",
        )
    ]
