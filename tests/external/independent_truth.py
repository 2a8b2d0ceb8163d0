"""Photons and truths from the independent trace: what was seen, what a star would give.

EEF is 1 at the reference radius; HPD and W90 are diameters. At infinity the reference
radius is the same *angle* as at the beamline (offset over distance behind the reference
plane). Standard errors come from the scatter of equal batches of rays.
"""

import math
from dataclasses import dataclass

import numpy as np

from tests.external.independent_trace import (
    CHUNK,
    Beam,
    Mirror,
    Rays,
    aim,
    follow,
    trace_both,
)

ARCSEC = math.pi / 180 / 3600
BATCHES = 20  # standard errors are then known to 1/sqrt(38), 16 %
STAR = Beam()  # parallel, on axis
FINE = 20_000  # rings between which encircled energy is taken as linear


def heaviest(mirror: Mirror, beam: Beam) -> float:
    """Return a bound (mm²) that no ray's weight exceeds, for reflectivities up to 1."""
    radius, angle, first, last, taper = mirror.stages[0]
    wide = radius - first * taper
    shift = np.abs(mirror.errors.quadrant_shifts).max() * math.sqrt(2)
    before = beam.distance + first
    tilt = np.tan(beam.off_axis) * np.ones_like(radius)
    flux = 1 + tilt**2
    if math.isfinite(beam.distance):
        tilt = (wide + shift + beam.diameter / 2 + tilt * beam.distance) / before
        flux = (beam.distance / before) ** 2 * flux
    scale = 2 * np.pi * (last - first) / mirror.shares
    return float(np.max(flux * (np.sin(angle) + tilt) * wide / np.cos(angle) * scale))


def draw_photons(
    mirror: Mirror,
    beam: Beam,
    distance: float,
    photons: int,
    rng: np.random.Generator,
    quadrant: int | None = None,
) -> np.ndarray:
    """Draw exactly ``photons`` independent detected photons: positions, shape (photons, 2).

    Rays are kept with a probability in proportion to their weight. Hand in
    ``rng.poisson(expected)`` where the number shall vary as well. ``quadrant`` 0 to 3
    lets only that of Q1 to Q4 pass.
    """
    bound = heaviest(mirror, beam)
    found, have = [np.empty((0, 2))], 0
    while have < photons:
        count = min(CHUNK, 1000 + 3 * (photons - have))
        rays = follow(mirror, beam, aim(mirror, beam, count, rng))
        if rays.weight.size and rays.weight.max() > bound:
            raise ArithmeticError("a ray weighs more than the bound allows")
        kept = rng.random(rays.weight.size) * bound < rays.weight
        if quadrant is not None:
            kept &= rays.quadrant == quadrant
        found.append(np.column_stack(rays.at(distance))[kept])
        have += int(kept.sum())
    return np.concatenate(found)[:photons]


def encircled(
    x: np.ndarray, y: np.ndarray, weight: np.ndarray, reference_radius: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return radii from 0 to the reference radius and the weight within each."""
    radius = np.hypot(x, y)
    ring = (radius * (FINE / reference_radius)).astype(np.int64)
    inside = ring < FINE
    counts = np.bincount(ring[inside], weight[inside], minlength=FINE)
    edges = np.linspace(0, reference_radius, FINE + 1)
    return edges, np.concatenate([[0.0], np.cumsum(counts)])


def diameter(edges: np.ndarray, within: np.ndarray, share: float) -> float:
    """Diameter that holds ``share`` of what the last radius holds."""
    k = int(np.searchsorted(within, share * within[-1]))
    step = (share * within[-1] - within[k - 1]) / (within[k] - within[k - 1])
    return float(2 * (edges[k - 1] + step * (edges[k] - edges[k - 1])))


def centroid(
    x: np.ndarray, y: np.ndarray, weight: np.ndarray, reference_radius: float
) -> tuple[float, float]:
    """Mean inside the circle about itself whose radius is its own HPD, iterated.

    The HPD is that about the momentary center, normalised within the reference radius.
    """
    center = np.average(np.stack([x, y]), axis=1, weights=weight)
    for _ in range(200):
        dx, dy = x - center[0], y - center[1]
        hpd = diameter(*encircled(dx, dy, weight, reference_radius), 0.5)
        inner = np.where(dx * dx + dy * dy <= hpd * hpd, weight, 0.0)
        move = np.array([inner @ dx, inner @ dy]) / inner.sum()
        center = center + move
        if np.hypot(*move) < 1e-5 * hpd:
            return float(center[0]), float(center[1])
    raise ArithmeticError("the center did not settle")


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What a star gives; ``…_error`` is one standard error of the trace.

    ``area_ratio`` is A_infinity over A_source, whole beams; ``within_ratio`` the same of
    what falls within the reference radius (at infinity in the plane asked for, at the
    source in the plane given). ``scan_…`` at infinity in planes ``scan_distance``, about
    the same center, from half of the rays. ``beyond_reference``: share of the light at
    infinity outside the reference radius.
    """

    distance: float
    center: tuple[float, float]
    reference_radius: float
    radius: list[float]
    eef: list[float]
    eef_error: list[float]
    hpd_arcsec: float
    hpd_error: float
    w90_arcsec: float
    w90_error: float
    beyond_reference: float
    area_infinity: float
    area_source: float
    area_ratio: float
    area_ratio_error: float
    within_ratio: float
    within_ratio_error: float
    hpd_source_arcsec: float
    hpd_source_error: float
    scan_distance: list[float]
    scan_hpd_arcsec: list[float]
    scan_w90_arcsec: list[float]


@dataclass(frozen=True, kw_only=True)
class Question:
    """What a truth is asked for: where, about what, and from how many rays."""

    source: Beam
    source_plane: float
    distance: float
    reference_angle: float
    star: Beam = STAR
    center: tuple[float, float] | str = "centroid"
    scan: tuple[float, ...] = ()
    rays: int = 4_000_000
    seed: int = 20270301


@dataclass(frozen=True)
class Curves:
    """Encircled weight of every batch in one plane, about one center."""

    distance: float
    center: tuple[float, float]
    edges: np.ndarray
    batches: np.ndarray

    def diameter(self, share: float) -> tuple[float, float]:
        """Diameter in arcsec and its standard error."""
        whole = diameter(self.edges, self.batches.sum(axis=0), share)
        parts = [diameter(self.edges, batch, share) for batch in self.batches]
        scale = 1 / (self.distance * ARCSEC)
        return whole * scale, float(np.std(parts, ddof=1) / math.sqrt(len(parts)) * scale)

    def eef(self, radius: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Encircled energy fraction at radii in mm, and its standard error."""
        total = self.batches.sum(axis=0)
        whole = np.interp(radius, self.edges, total / total[-1])
        parts = [np.interp(radius, self.edges, b / b[-1]) for b in self.batches]
        return whole, np.std(parts, axis=0, ddof=1) / math.sqrt(len(parts))


def curves(rays: list[Rays], distance: float, angle: float, center) -> Curves:
    """Curves of growth of batches in one plane about a point or their common centroid."""
    landed = [batch.at(distance) for batch in rays]
    if center == "centroid":
        x, y = np.concatenate(landed, axis=1)
        center = centroid(x, y, np.concatenate([b.weight for b in rays]), angle * distance)
    within = []
    for (x, y), batch in zip(landed, rays, strict=True):
        edges, sums = encircled(
            x - center[0], y - center[1], batch.weight, angle * distance
        )
        within.append(sums)
    return Curves(distance, center, edges, np.array(within))


def ratio(above: np.ndarray, below: np.ndarray) -> tuple[float, float]:
    """Ratio of two sums over the same batches, and its standard error."""
    value = above.sum() / below.sum()
    scatter = np.std(above - value * below, ddof=1) / math.sqrt(above.size)
    return float(value), float(scatter / below.mean())


def truth(mirror: Mirror, question: Question) -> Truth:
    """Trace a star and the source through the same points and errors."""
    q = question
    seeds = np.random.SeedSequence(q.seed).spawn(BATCHES)
    star, source = zip(
        *(
            trace_both(
                mirror,
                (q.star, q.source),
                math.ceil(q.rays / BATCHES),
                np.random.default_rng(seed),
            )
            for seed in seeds
        ),
        strict=True,
    )
    at_star = curves(star, q.distance, q.reference_angle, q.center)
    at_source = curves(source, q.source_plane, q.reference_angle, q.center)
    areas = [
        np.array([b.weight.sum() / b.launched for b in beam]) for beam in (star, source)
    ]
    inner = at_star.batches[:, -1], at_source.batches[:, -1]
    # Half of the rays are enough to find where the image is least.
    scan = [curves(star[::2], d, q.reference_angle, at_star.center) for d in q.scan]
    radius = at_star.edges[-1] * np.linspace(0, 1, 101)
    eef, eef_error = at_star.eef(radius)
    (hpd, hpd_error), (w90, w90_error) = at_star.diameter(0.5), at_star.diameter(0.9)
    area, area_error = ratio(*areas)
    within, within_error = ratio(*inner)
    hpd_source, hpd_source_error = at_source.diameter(0.5)
    return Truth(
        distance=q.distance,
        center=tuple(at_star.center),
        reference_radius=float(at_star.edges[-1]),
        radius=radius.tolist(),
        eef=eef.tolist(),
        eef_error=eef_error.tolist(),
        hpd_arcsec=hpd,
        hpd_error=hpd_error,
        w90_arcsec=w90,
        w90_error=w90_error,
        beyond_reference=1 - float(inner[0].sum() / sum(b.weight.sum() for b in star)),
        area_infinity=float(areas[0].mean()),
        area_source=float(areas[1].mean()),
        area_ratio=area,
        area_ratio_error=area_error,
        within_ratio=within,
        within_ratio_error=within_error,
        hpd_source_arcsec=hpd_source,
        hpd_source_error=hpd_source_error,
        scan_distance=list(q.scan),
        scan_hpd_arcsec=[c.diameter(0.5)[0] for c in scan],
        scan_w90_arcsec=[c.diameter(0.9)[0] for c in scan],
    )
