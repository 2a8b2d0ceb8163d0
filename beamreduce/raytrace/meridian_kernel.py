"""Kernels of the quadrature in the meridian: one ray, the used interval, the sums."""

import math

import numpy as np
from numba import njit


def _panels() -> tuple[np.ndarray, np.ndarray]:
    """Gauss–Legendre places and weights on 0 to 1, dense at the start.

    There, at the junction, the next foil inward clips what the secondary sends inward.
    """
    places, weights = [], []
    for start, end, order in ((0.0, 0.03, 5), (0.03, 0.15, 5), (0.15, 1.0, 10)):
        node, weight = np.polynomial.legendre.leggauss(order)
        places.append(start + (end - start) * 0.5 * (node + 1))
        weights.append((end - start) * 0.5 * weight)
    return np.concatenate(places), np.concatenate(weights)


NODES, WEIGHTS = _panels()
CLIP_INTERVALS = 8  # of primary error, and bins of offset, that clipped light shares
CLIP_BINS = 4
_SCAN = 16  # places along a primary where the used interval is looked for
_BISECTIONS = 14  # to 4e-6 of a primary


# What a ray fails by.
_NO_REFLECTION, _BEFORE_SECONDARY, _BEHIND_SECONDARY = 1, 2, 3
_CAUGHT_BEFORE, _CAUGHT_BETWEEN, _CAUGHT_BEHIND = 4, 5, 6


@njit(cache=True, nogil=True)
def _ray(
    cones: np.ndarray, i: int, geometry: np.ndarray, z1: float, error: float
) -> tuple[int, float, float, float, float]:
    """Follow a ray by its place on the primary.

    Returns 0 when it gets through, or what it fails by; both grazing angles; and place z
    and slope angle of the ray leaving the secondary (its radius follows from the cone).

    A ray that is tilted sideways by ``s``, too, turns about the axis as it goes: at a place
    ``z`` it meets the surface with ``s² z/r`` more of its slope outward than in the plane
    through the axis where it passes the reference plane (derived, to second order in s).
    """
    r1, a1, a2, _, l2, half_gap, _, r2, tan1, tan2 = cones[i]
    source, tilt = geometry[0], geometry[1]
    rho1 = r1 - tan1 * z1
    slope0 = -tilt
    if not math.isinf(source):
        slope0 = (rho1 - source * tilt) / (source + z1)
    angle0 = math.atan(slope0)
    aside = geometry[4] ** 2 / rho1
    graze1 = angle0 + aside * z1 + a1 + error
    angle1 = angle0 - 2.0 * graze1
    slope1 = math.tan(angle1)
    down = slope1 + tan2
    if graze1 <= 0.0 or down == 0.0:
        return _NO_REFLECTION, 0.0, 0.0, 0.0, 0.0
    z2 = (r2 - rho1 + slope1 * z1) / down
    graze2 = angle1 + aside * z2 + a2
    angle2 = angle1 - 2.0 * graze2
    fate = 0
    if z2 < half_gap:
        fate = _BEFORE_SECONDARY
    elif z2 > half_gap + l2:
        fate = _BEHIND_SECONDARY
    elif graze2 <= 0.0:
        fate = _NO_REFLECTION
    elif i > 0:
        fate = _caught(cones, i, geometry, (z1, rho1, slope0), (z2, slope1, angle2))
    return fate, graze1, graze2, z2, angle2


@njit(cache=True, nogil=True)
def _caught(
    cones: np.ndarray, i: int, geometry: np.ndarray,
    first: tuple[float, float, float], second: tuple[float, float, float],
) -> int:  # fmt: skip
    """Where the back of the next foil inward catches a ray; 0 when it is passed.

    The way in is nearest to it at its upper end (or the upper end of its pre-collimator
    blade), the way between the reflections at the gap, the way out at its lower end.
    """
    z1, rho1, slope0 = first
    z2, slope1, angle2 = second
    r1, _, _, l1, _, half_gap, thickness, r2, tan1, tan2 = cones[i - 1]
    top = -half_gap - l1
    if top < z1:
        rim = r1 + thickness - tan1 * top
        if rho1 + slope0 * (top - z1) <= rim:
            return _CAUGHT_BEFORE
        blade = geometry[2]
        if blade > 0.0 and rho1 + slope0 * (top - blade - z1) <= rim:
            return _CAUGHT_BEFORE
    for z in (-half_gap, half_gap):
        if z1 < z < z2:
            surface = r1 - tan1 * z if z < 0 else r2 - tan2 * z
            if rho1 + slope1 * (z - z1) <= surface + thickness:
                return _CAUGHT_BETWEEN
    # The error of the secondary may open the way out.
    if _exit_limit(cones, i, z2, angle2) < geometry[3]:
        return 0
    return _CAUGHT_BEHIND


@njit(cache=True, nogil=True)
def _exit_limit(cones: np.ndarray, i: int, z2: float, angle2: float) -> float:
    """Error of the secondary below which the next foil inward catches a ray going out."""
    if i == 0:
        return -math.inf
    _, _, _, _, l2, half_gap, thickness, r2, _, tan2 = cones[i - 1]
    bottom = half_gap + l2
    if bottom <= z2:
        return -math.inf
    rho2 = cones[i, 7] - cones[i, 9] * z2
    rim = r2 + thickness - tan2 * bottom
    return 0.5 * (math.atan((rim - rho2) / (bottom - z2)) - angle2)


@njit(cache=True, nogil=True)
def _edge(
    cones: np.ndarray, i: int, geometry: np.ndarray, error: float,
    dark: float, lit: float,
) -> float:  # fmt: skip
    for _ in range(_BISECTIONS):
        middle = 0.5 * (dark + lit)
        if _ray(cones, i, geometry, middle, error)[0] == 0:
            lit = middle
        else:
            dark = middle
    return 0.5 * (dark + lit)


@njit(cache=True, nogil=True)
def _used(
    cones: np.ndarray, i: int, geometry: np.ndarray, error: float
) -> tuple[float, float]:
    """The interval of a primary whose rays get through; empty when first ≥ last."""
    low, high = -cones[i, 5] - cones[i, 3], -cones[i, 5]
    step = (high - low) / _SCAN
    first, last, before, after = 1.0, -1.0, low, high
    fate_before = 0
    for k in range(_SCAN + 1):
        z = min(low + k * step, high)
        fate = _ray(cones, i, geometry, z, error)[0]
        if fate == 0:
            if first > last:
                first, before = z, max(z - step, low)
            last, after = z, min(z + step, high)
        elif k > 0 and first > last and fate_before not in (0, fate):
            between = _between_fates(cones, i, geometry, error, z - step, z)
            if between < 0.0:
                first = last = between
                before, after = z - step, z
        fate_before = fate
    if first > last:
        return 0.0, 0.0
    if first > low:
        first = _edge(cones, i, geometry, error, before, first)
    if last < high:
        last = _edge(cones, i, geometry, error, after, last)
    return first, last


@njit(cache=True, nogil=True)
def _between_fates(
    cones: np.ndarray, i: int, geometry: np.ndarray, error: float,
    low: float, high: float,
) -> float:  # fmt: skip
    """A used place between two that fail by different causes; 1 where none is found.

    Between what is caught on one side and on the other there may be a narrow gap.
    """
    fate_low = _ray(cones, i, geometry, low, error)[0]
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        fate = _ray(cones, i, geometry, middle, error)[0]
        if fate == 0:
            return middle
        if fate == fate_low:
            low = middle
        else:
            high = middle
    return 1.0


@njit(cache=True, nogil=True)
def _share(table: np.ndarray, step: float, angle: float) -> float:
    place = angle / step
    k = int(place)
    if k >= table.size - 1:
        return 0.0
    part = place - k
    return table[k] * (1.0 - part) + table[k + 1] * part


@njit(cache=True, nogil=True)
def _overlaps(
    share: np.ndarray, start: float, end: float, reach: float, step: float
) -> tuple[int, int]:
    """Share of each bin in what is spread evenly between two offsets.

    Returns the first of those bins, and one past the last; none is outside the grid.
    """
    low = (min(start, end) + reach) / step
    high = (max(start, end) + reach) / step
    width = high - low
    if width < 1e-9:
        k = math.floor(low)
        if not 0 <= k < share.size:
            return 0, 0
        share[k] = 1.0
        return k, k + 1
    first, last = max(math.floor(low), 0), min(math.floor(high), share.size - 1)
    for k in range(first, last + 1):
        share[k] = (min(high, k + 1.0) - max(low, float(k))) / width
    return first, last + 1


@njit(cache=True, nogil=True)
def integrate(
    cones: np.ndarray, geometry: np.ndarray, mirror: tuple[np.ndarray, np.ndarray, float],
    edges: np.ndarray, distances: np.ndarray, grid: tuple[float, float],
    out: tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray],
    clip: tuple[np.ndarray, np.ndarray, np.ndarray], nesting_step: int,
) -> None:  # fmt: skip
    """Fill the sums; ``mirror`` is reflectivities, coating of each nesting, angle step.

    ``clip`` is limits of secondary error, and the light (by place, and in all) that is
    caught when its secondary error is below them.
    """
    landing, area, lever, lit_fraction = out
    limits, clipped, clipped_area = clip
    lights, nd, nodes_n = area.shape[0], distances.size, NODES.size
    # Two rows: at the error edge before and at this one.
    place = np.zeros((2, nd, nodes_n))
    amount = np.zeros((2, nodes_n, lights))
    limit = np.zeros((2, nodes_n))
    total = np.zeros(lights)
    overlap, coarse = np.zeros(landing.shape[-1]), np.zeros(clipped.shape[-1])
    for i in range(nesting_step // 2, cones.shape[0], nesting_step):
        half_length = cones[i, 3] / 2
        first, last = _used(cones, i, geometry, 0.0)
        lit_fraction[i] = max(last - first, 0.0) / (2 * half_length)
        for j in range(edges.size):
            now, before = j % 2, (j + 1) % 2
            first, last = _used(cones, i, geometry, edges[j])
            _at_nodes(
                cones, i, geometry, (edges[j], first, last), mirror, distances,
                (place[now], amount[now], lever, limit[now]),
            )  # fmt: skip
            if j == 0:
                continue
            at = (j - 1) // CLIP_INTERVALS
            end_of = min((at + 1) * CLIP_INTERVALS, edges.size - 1)
            # Both tables hold what would come were all errors in an interval.
            share = (edges[j] - edges[j - 1]) / (edges[end_of] - edges[at * CLIP_INTERVALS])
            for k in range(nodes_n):
                lit_before, lit_now = False, False
                for e in range(lights):
                    total[e] = 0.5 * (amount[now, k, e] + amount[before, k, e])
                    lit_before = lit_before or amount[before, k, e] > 0.0
                    lit_now = lit_now or amount[now, k, e] > 0.0
                if not (lit_before or lit_now):
                    continue
                where, part = _between(limits, limit[before, k], limit[now, k])
                caught = where >= 0
                for e in range(lights):
                    area[e, j - 1] += total[e]
                    if caught:
                        low = total[e] * share * (1.0 - part)
                        clipped_area[e, where, at] += low
                        clipped_area[e, where + 1, at] += total[e] * share - low
                for d in range(nd):
                    start = place[before if lit_before else now, d, k]
                    end = place[now if lit_now else before, d, k]
                    first, last = _overlaps(overlap, start, end, grid[0], grid[1])
                    for e in range(lights):
                        for b in range(first, last):
                            landing[d, e, j - 1, b] += total[e] * overlap[b]
                    if not caught:
                        continue
                    step = grid[1] * CLIP_BINS
                    first, last = _overlaps(coarse, start, end, grid[0], step)
                    for e in range(lights):
                        for b in range(first, last):
                            light = total[e] * share * coarse[b]
                            clipped[d, e, where, at, b] += light * (1.0 - part)
                            clipped[d, e, where + 1, at, b] += light * part


@njit(cache=True, nogil=True)
def _between(limits: np.ndarray, before: float, now: float) -> tuple[int, float]:
    """Place a mean limit between two of the given ones; -1 where nothing is caught."""
    if limits.size < 2:
        return -1, 0.0
    value = 0.5 * (before + now)
    if not value > limits[0]:
        return -1, 0.0
    k = min(np.searchsorted(limits, value) - 1, limits.size - 2)
    return k, min((value - limits[k]) / (limits[k + 1] - limits[k]), 1.0)


@njit(cache=True, nogil=True)
def _at_nodes(
    cones: np.ndarray, i: int, geometry: np.ndarray, used: tuple[float, float, float],
    mirror: tuple[np.ndarray, np.ndarray, float], distances: np.ndarray,
    out: tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray],
) -> None:  # fmt: skip
    """Landing places and amounts at the nodes of the used interval for one error."""
    error, first, last = used
    reflectivity, angle_step = mirror[0][mirror[1][i]], mirror[2]
    place, amount, lever, limit = out
    r1, r2, tan1, tan2 = cones[i, 0], cones[i, 7], cones[i, 8], cones[i, 9]
    source, tilt = geometry[0], geometry[1]
    amount[:] = 0.0
    limit[:] = -math.inf
    if last <= first:
        return
    for k in range(NODES.size):
        z1 = last - (last - first) * NODES[k]
        _, graze1, graze2, z2, angle2 = _ray(cones, i, geometry, z1, error)
        rho1 = r1 - tan1 * z1
        slope0, dilution = -tilt, 1.0
        if not math.isinf(source):
            slope0 = (rho1 - source * tilt) / (source + z1)
            dilution = (source / (source + z1)) ** 2
            # A point shines evenly into solid angle: cos³ less a mm² off its axis.
            dilution *= (1.0 + (rho1 / (source + z1)) ** 2) ** -1.5
        # Photons on a stretch of primary, for one photon a mm² at the reference plane.
        ring = 2 * math.pi * rho1 * (tan1 + slope0) * dilution
        ring *= (last - first) * WEIGHTS[k]
        limit[k] = _exit_limit(cones, i, z2, angle2)
        rho2 = r2 - tan2 * z2
        light = 0
        for e in range(reflectivity.shape[0]):
            for first_way in range(reflectivity.shape[1]):
                once = ring * _share(reflectivity[e, first_way], angle_step, graze1)
                for second_way in range(reflectivity.shape[1]):
                    amount[k, light] = once * _share(
                        reflectivity[e, second_way], angle_step, graze2
                    )
                    light += 1
        slope2 = math.tan(angle2)
        for d in range(distances.size):
            place[d, k] = rho2 + slope2 * (distances[d] - z2)
            place[d, k] += tilt * distances[d]  # from where the middle of the image is
            lever[d, 0] += ring * (distances[d] - z2)
            lever[d, 1] += ring
