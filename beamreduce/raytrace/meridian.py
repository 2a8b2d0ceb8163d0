"""The light of an axisymmetric nest by quadrature in one plane through the axis.

In-plane slope errors keep a ray in its meridian plane, so for a source on the axis the
whole image follows from rays in one plane: a nesting, a place along its primary, and the
two slope errors. The error on the secondary only turns the ray that leaves it, which is a
known shift of where it lands; so one table over the primary's error is enough:
``landing[distance, energy, interval of primary error, signed offset]``.

The interval of a primary that is really used (not missed by the secondary, not blocked by
the foil of the next nesting inward) is found by bisection and only it is integrated;
quadrature over the whole primary would stay nearly a per cent wrong at any order.
"""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit

from beamreduce.errors import GeometryError, SettingsError
from beamreduce.mirror import Prescription

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(12)
_SCAN = 16  # places along a primary where the used interval is looked for
_BISECTIONS = 24


@dataclass(frozen=True, kw_only=True)
class MeridianLight:
    """Where light comes from and how strongly it is reflected.

    Parameters
    ----------
    source_distance_mm
        From the reference plane; infinity for a parallel beam.
    inward_tilt_rad
        Added inward slope of every ray in this plane: off-axis angle times the cosine of
        the azimuth from the direction that the source is off to. 0 on axis.
    reflectivity
        Reflectivity of one reflection, shape (energies, angles) on a grid of grazing
        angles from 0 in steps of ``angle_step_rad``; linear between.
    angle_step_rad
        Step of that grid.
    pre_collimator_mm
        Length of the blades in front of the primaries, 0 for none.
    """

    source_distance_mm: float
    reflectivity: np.ndarray
    angle_step_rad: float
    inward_tilt_rad: float = 0.0
    pre_collimator_mm: float = 0.0


@dataclass(frozen=True, kw_only=True)
class OffsetGrid:
    """Bins of signed offset from the axis: even, symmetric about zero."""

    reach_mm: float
    bins: int

    @property
    def step_mm(self) -> float:
        """Width of a bin."""
        return 2 * self.reach_mm / self.bins

    @property
    def centers_mm(self) -> np.ndarray:
        """Middle of each bin, shape (bins,)."""
        return (np.arange(self.bins) + 0.5) * self.step_mm - self.reach_mm


@dataclass(frozen=True, kw_only=True)
class MeridianTable:
    """Effective area by primary slope error and landing place.

    Parameters
    ----------
    error_rad
        Edges of the intervals of primary slope error, shape (intervals + 1,).
    grid
        Bins of signed offset.
    landing_mm2
        Geometric area times reflectivities that an even distribution of primary errors
        over an interval would send to a bin, were all errors in that interval; shape
        (distances, energies, intervals, bins).
    area_mm2
        The same wherever it lands, shape (energies, intervals).
    lever_mm
        Mean distance from the secondary reflection to each detector, shape (distances,);
        a secondary error ``e`` moves a ray by twice that times ``e``.
    lit_fraction
        Used part of each primary for a slope error of zero, shape (nestings,).
    """

    error_rad: np.ndarray
    grid: OffsetGrid
    landing_mm2: np.ndarray
    area_mm2: np.ndarray
    lever_mm: np.ndarray
    lit_fraction: np.ndarray


def meridian_table(
    prescription: Prescription,
    light: MeridianLight,
    *,
    detector_distances_mm: np.ndarray,
    error_rad: np.ndarray,
    grid: OffsetGrid,
) -> MeridianTable:
    """Integrate the light of a nest over its primaries.

    Parameters
    ----------
    prescription
        Nestings from the inside out.
    light
        Source and reflectivity.
    detector_distances_mm
        Behind the reference plane, shape (distances,).
    error_rad
        Rising edges of intervals of primary slope error; positive lands further out.
    grid
        Bins of signed offset.

    Raises
    ------
    GeometryError
        When no ray reaches the detector whatever the slope error.
    """
    edges = np.ascontiguousarray(error_rad, dtype=float)
    if edges.size < 2 or np.any(np.diff(edges) <= 0):
        raise SettingsError("error_rad must hold at least two rising edges")
    distances = np.atleast_1d(np.asarray(detector_distances_mm, dtype=float))
    reflectivity = np.ascontiguousarray(light.reflectivity, dtype=float)
    energies = reflectivity.shape[0]
    landing = np.zeros((distances.size, energies, edges.size - 1, grid.bins))
    area = np.zeros((energies, edges.size - 1))
    lever = np.zeros((distances.size, 2))
    cones = _cones(prescription)
    lit = np.zeros(cones.shape[0])
    geometry = np.array(
        [light.source_distance_mm, light.inward_tilt_rad, light.pre_collimator_mm]
    )
    _integrate(
        cones, geometry, (reflectivity, light.angle_step_rad), edges, distances,
        (grid.reach_mm, grid.step_mm), (landing, area, lever, lit), _NODES, _WEIGHTS,
    )  # fmt: skip
    if not area.any():
        raise GeometryError(
            f"no ray from a source at {light.source_distance_mm / 1000:.4g} m gets through "
            f"both reflections; the source is too near for this mirror, or the "
            f"prescription blocks itself"
        )
    return MeridianTable(
        error_rad=edges,
        grid=grid,
        landing_mm2=landing,
        area_mm2=area,
        lever_mm=lever[:, 0] / lever[:, 1],
        lit_fraction=lit,
    )


def _cones(prescription: Prescription) -> np.ndarray:
    """Numbers of each nesting for the kernel, inner neighbours first."""
    return np.array(
        [
            (
                n.radius_mm,
                n.primary_angle_rad,
                n.secondary_angle_rad,
                n.primary_length_mm,
                n.secondary_length_mm,
                n.gap_mm / 2,
                n.thickness_mm,
            )
            for n in sorted(prescription.nestings, key=lambda n: n.radius_mm)
        ]
    )


@njit(cache=True, nogil=True)
def _ray(
    cones: np.ndarray, i: int, geometry: np.ndarray, z1: float, error: float
) -> tuple[bool, float, float, float, float]:
    """Follow a ray by its place on the primary.

    Returns whether it gets through, both grazing angles, and place z and slope angle of
    the ray leaving the secondary (its radius follows from the cone).
    """
    r, a1, a2, _, l2, half_gap, _ = cones[i]
    source, tilt, _ = geometry
    rho1 = r - math.tan(a1) * z1
    slope0 = -tilt if math.isinf(source) else rho1 / (source + z1) - tilt
    angle0 = math.atan(slope0)
    graze1 = angle0 + a1 + error
    angle1 = -2.0 * (a1 + error) - angle0
    slope1 = math.tan(angle1)
    down = slope1 + math.tan(a2)
    if graze1 <= 0.0 or down == 0.0:
        return False, 0.0, 0.0, 0.0, 0.0
    z2 = (r - rho1 + slope1 * z1) / down
    graze2 = angle1 + a2
    angle2 = -2.0 * a2 - angle1
    hit = graze2 > 0.0 and half_gap <= z2 <= half_gap + l2
    if hit and i > 0:
        hit = _clear(cones, i, geometry, (z1, rho1, slope0), (z2, slope1, angle2))
    return hit, graze1, graze2, z2, angle2


@njit(cache=True, nogil=True)
def _clear(
    cones: np.ndarray, i: int, geometry: np.ndarray,
    first: tuple[float, float, float], second: tuple[float, float, float],
) -> bool:  # fmt: skip
    """True when the back of the next foil inward is passed everywhere.

    The way in is nearest to it at its upper end (or the upper end of its pre-collimator
    blade), the way between the reflections at the gap, the way out at its lower end.
    """
    z1, rho1, slope0 = first
    z2, slope1, angle2 = second
    r, a1, a2, l1, l2, half_gap, thickness = cones[i - 1]
    back = r + thickness
    top = -half_gap - l1
    if top < z1:
        rim = back - math.tan(a1) * top
        if rho1 + slope0 * (top - z1) <= rim:
            return False
        blade = geometry[2]
        if blade > 0.0 and rho1 + slope0 * (top - blade - z1) <= rim:
            return False
    for z in (-half_gap, half_gap):
        if z1 < z < z2:
            surface = back - (math.tan(a1) if z < 0 else math.tan(a2)) * z
            if rho1 + slope1 * (z - z1) <= surface:
                return False
    bottom = half_gap + l2
    if bottom > z2:
        rho2 = cones[i, 0] - math.tan(cones[i, 2]) * z2
        if rho2 + math.tan(angle2) * (bottom - z2) <= back - math.tan(a2) * bottom:
            return False
    return True


@njit(cache=True, nogil=True)
def _edge(
    cones: np.ndarray, i: int, geometry: np.ndarray, error: float,
    dark: float, lit: float,
) -> float:  # fmt: skip
    for _ in range(_BISECTIONS):
        middle = 0.5 * (dark + lit)
        if _ray(cones, i, geometry, middle, error)[0]:
            lit = middle
        else:
            dark = middle
    return lit


@njit(cache=True, nogil=True)
def _used(
    cones: np.ndarray, i: int, geometry: np.ndarray, error: float
) -> tuple[float, float]:
    """The interval of a primary whose rays get through; empty when first ≥ last."""
    low, high = -cones[i, 5] - cones[i, 3], -cones[i, 5]
    step = (high - low) / _SCAN
    first, last = 1.0, -1.0
    for k in range(_SCAN + 1):
        z = min(low + k * step, high)
        if _ray(cones, i, geometry, z, error)[0]:
            if first > last:
                first = z
            last = z
    if first > last:
        return 0.0, 0.0
    if first > low:
        first = _edge(cones, i, geometry, error, first - step, first)
    if last < high:
        last = _edge(cones, i, geometry, error, min(last + step, high), last)
    return first, last


@njit(cache=True, nogil=True)
def _reflected(table: np.ndarray, step: float, energy: int, angle: float) -> float:
    place = angle / step
    k = int(place)
    if k >= table.shape[1] - 1:
        return 0.0
    share = place - k
    return table[energy, k] * (1.0 - share) + table[energy, k + 1] * share


@njit(cache=True, nogil=True)
def _spread(
    bins: np.ndarray, start: float, end: float, amount: float, reach: float, step: float
) -> None:
    """Spread an amount evenly between two offsets; none outside the grid is kept."""
    low = (min(start, end) + reach) / step
    high = (max(start, end) + reach) / step
    width = high - low
    if width < 1e-9:
        k = math.floor(low)
        if 0 <= k < bins.size:
            bins[k] += amount
        return
    density = amount / width
    first, last = max(math.floor(low), 0), min(math.floor(high), bins.size - 1)
    for k in range(first, last + 1):
        bins[k] += density * (min(high, k + 1.0) - max(low, float(k)))


@njit(cache=True, nogil=True)
def _integrate(
    cones: np.ndarray, geometry: np.ndarray, mirror: tuple[np.ndarray, float],
    edges: np.ndarray, distances: np.ndarray, grid: tuple[float, float],
    out: tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray],
    nodes: np.ndarray, weights: np.ndarray,
) -> None:  # fmt: skip
    reflectivity = mirror[0]
    landing, area, lever, lit_fraction = out
    energies, nd, nodes_n = reflectivity.shape[0], distances.size, nodes.size
    # Two rows: at the error edge before and at this one.
    place = np.zeros((2, nd, nodes_n))
    amount = np.zeros((2, energies, nodes_n))
    for i in range(cones.shape[0]):
        half_length = cones[i, 3] / 2
        first, last = _used(cones, i, geometry, 0.0)
        lit_fraction[i] = max(last - first, 0.0) / (2 * half_length)
        for j in range(edges.size):
            now, before = j % 2, (j + 1) % 2
            first, last = _used(cones, i, geometry, edges[j])
            _at_nodes(
                cones, i, geometry, (edges[j], first, last), mirror, distances,
                (nodes, weights), (place[now], amount[now], lever),
            )  # fmt: skip
            if j == 0:
                continue
            for e in range(energies):
                for k in range(nodes_n):
                    total = 0.5 * (amount[now, e, k] + amount[before, e, k])
                    if total == 0.0:
                        continue
                    area[e, j - 1] += total
                    for d in range(nd):
                        start, end = place[before, d, k], place[now, d, k]
                        if amount[before, e, k] == 0.0:
                            start = end
                        if amount[now, e, k] == 0.0:
                            end = start
                        _spread(landing[d, e, j - 1], start, end, total, grid[0], grid[1])


@njit(cache=True, nogil=True)
def _at_nodes(
    cones: np.ndarray, i: int, geometry: np.ndarray, used: tuple[float, float, float],
    mirror: tuple[np.ndarray, float], distances: np.ndarray,
    quadrature: tuple[np.ndarray, np.ndarray],
    out: tuple[np.ndarray, np.ndarray, np.ndarray],
) -> None:  # fmt: skip
    """Landing places and amounts at the nodes of the used interval for one error."""
    error, first, last = used
    reflectivity, angle_step = mirror
    place, amount, lever = out
    nodes, weights = quadrature
    r, a1, a2 = cones[i, 0], cones[i, 1], cones[i, 2]
    source, tilt = geometry[0], geometry[1]
    amount[:] = 0.0
    if last <= first:
        return
    half = 0.5 * (last - first)
    for k in range(nodes.size):
        z1 = 0.5 * (first + last) + half * nodes[k]
        _, graze1, graze2, z2, angle2 = _ray(cones, i, geometry, z1, error)
        rho1 = r - math.tan(a1) * z1
        slope0, dilution = -tilt, 1.0
        if not math.isinf(source):
            slope0 += rho1 / (source + z1)
            dilution = (source / (source + z1)) ** 2
            # A point shines evenly into solid angle: cos³ less a mm² off its axis.
            dilution *= (1.0 + (rho1 / (source + z1)) ** 2) ** -1.5
        # Photons on a stretch of primary, for one photon a mm² at the reference plane.
        ring = 2 * math.pi * rho1 * (math.tan(a1) + slope0) * dilution * half * weights[k]
        rho2 = r - math.tan(a2) * z2
        for e in range(reflectivity.shape[0]):
            amount[e, k] = (
                ring
                * _reflected(reflectivity, angle_step, e, graze1)
                * _reflected(reflectivity, angle_step, e, graze2)
            )
        for d in range(distances.size):
            place[d, k] = rho2 + math.tan(angle2) * (distances[d] - z2)
            lever[d, 0] += ring * (distances[d] - z2)
            lever[d, 1] += ring
