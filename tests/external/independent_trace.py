"""A two-cone ray trace in plain NumPy, written from the geometry alone.

An oracle: it shares the prescription with the package and nothing else. Points on the
primaries are chosen at random, each standing for the flux it intercepts; every ray is
followed through both reflections past the foils of the next nesting inward.

Lengths in mm, angles in rad. The axis is z: 0 at the reference plane, positive towards the
detector. Primary: radius r − z tan(a); secondary: r − z tan(b); foils are thick outward.
x and y as seen from the source. A positive slope error makes the ray land further outward
along its own radius, by 2 e times the remaining distance: it makes a primary steeper and
a secondary less steep.

Left out on purpose: light reflected once or not at all, a housing inside the innermost
nesting, alignment bars, pre-collimator, diffraction, scatter, detector.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from beamreduce.mirror import Prescription

Reflectivity = Callable[[float, np.ndarray], np.ndarray]
CHUNK = 1 << 15  # rays that stay in the processor's cache together


@dataclass(frozen=True, kw_only=True)
class SlopeLaw:
    """In-plane slope errors of one stage: a mixture of Gaussians plus a sine ripple.

    Each reflection draws its Gaussian by ``shares``. ``ripple`` is the amplitude of the
    slope, whose law is then the arcsine one.
    """

    scales: tuple[float, ...] = (0.0,)
    shares: tuple[float, ...] = (1.0,)
    ripple: float = 0.0

    def draw(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """Draw ``count`` independent slope errors."""
        scale = self.scales[0]
        if len(self.scales) > 1:
            scale = rng.choice(self.scales, size=count, p=self.shares)
        slopes = scale * rng.standard_normal(count)
        if self.ripple:
            slopes += self.ripple * np.sin(2 * np.pi * rng.random(count))
        return slopes


@dataclass(frozen=True, kw_only=True)
class FigureErrors:
    """What is wrong with a mirror.

    ``primary_offset`` and ``secondary_offset`` change the cones themselves, about the
    middle of each reflector. ``reflector_offset`` is the scatter of further offsets, one
    for each of the four quarters of each nesting and stage (its own seed), which turn the
    normals only. ``out_of_plane`` turns normals about the meridian, both stages.
    ``quadrant_shifts`` moves quadrants Q1 to Q4 rigidly, (x, y) each.
    """

    primary: SlopeLaw = SlopeLaw()
    secondary: SlopeLaw = SlopeLaw()
    out_of_plane: float = 0.0
    primary_offset: float = 0.0
    secondary_offset: float = 0.0
    reflector_offset: float = 0.0
    reflector_seed: int = 1
    quadrant_shifts: tuple[tuple[float, float], ...] = ((0.0, 0.0),) * 4


@dataclass(frozen=True, kw_only=True)
class Beam:
    """A uniform disc at ``distance`` before the reference plane, or a parallel beam.

    ``off_axis`` towards ``azimuth`` is the direction in which the source stands.
    """

    distance: float = math.inf
    diameter: float = 0.0
    off_axis: float = 0.0
    azimuth: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Mirror:
    """Prescription, errors and reflectivity, as arrays over the nestings.

    A stage is (radius at z = 0, angle, first z, last z, tangent of the angle); ``behind``
    the back of the same foils of the next nesting inward, a line on the axis for the
    innermost nesting. ``offsets``: stage, quadrant, nesting.
    """

    prescription: Prescription
    errors: FigureErrors = FigureErrors()
    reflectivity: Reflectivity | None = None
    energy: float = math.nan
    stages: tuple[np.ndarray, np.ndarray] = field(init=False, repr=False)
    behind: tuple[np.ndarray, np.ndarray] = field(init=False, repr=False)
    offsets: np.ndarray = field(init=False, repr=False)

    def __post_init__(self):
        nestings = self.prescription.nestings
        radius = np.array([n.radius_mm for n in nestings])
        gap = np.array([n.gap_mm for n in nestings]) / 2
        thickness = np.array([n.thickness_mm for n in nestings])
        stages = []
        for stage, sign in (("primary", -1.0), ("secondary", 1.0)):
            angle = np.array([getattr(n, f"{stage}_angle_rad") for n in nestings])
            length = np.array([getattr(n, f"{stage}_length_mm") for n in nestings])
            middle = sign * (gap + length / 2)
            turned = angle - sign * getattr(self.errors, f"{stage}_offset")
            pivoted = radius - middle * (np.tan(angle) - np.tan(turned))
            ends = np.sort([sign * gap, sign * (gap + length)], axis=0)
            stages.append(np.array([pivoted, turned, *ends, np.tan(turned)]))
        object.__setattr__(self, "stages", tuple(stages))
        backs = [
            np.roll(s + np.outer([1, 0, 0, 0, 0], thickness), 1, axis=1) for s in stages
        ]
        for back in backs:
            back[:, 0] = 0.0
        object.__setattr__(self, "behind", tuple(backs))
        rng = np.random.default_rng(self.errors.reflector_seed)
        scatter = self.errors.reflector_offset * rng.standard_normal((2, 4, radius.size))
        object.__setattr__(self, "offsets", scatter)

    @property
    def shares(self) -> np.ndarray:
        """Share of the rays that each nesting gets: its annular aperture on axis."""
        radius, _, first, last, taper = self.stages[0]
        aperture = radius * (last - first) * taper
        return aperture / aperture.sum()


@dataclass(frozen=True, kw_only=True)
class Aims:
    """Points on the primaries, what errs there, and where on the source light starts.

    ``azimuth`` and ``z`` in the frame of the quadrant. ``scale`` (mm) is 2π times length
    over share, such that the mean weight of many rays is an area.
    """

    nesting: np.ndarray
    z: np.ndarray
    azimuth: np.ndarray
    slopes: tuple[np.ndarray, np.ndarray]
    sideways: tuple[np.ndarray, np.ndarray] | None = None
    start: tuple[np.ndarray, np.ndarray] | None = None
    scale: np.ndarray | float = 1.0


@dataclass(frozen=True, kw_only=True)
class Rays:
    """Rays that came through: line at z = 0, slopes, weight (mm²) and where they hit.

    ``weight`` is the area of the wavefront at the reference plane that each ray stands
    for, times its reflectivities: their sum over the number launched is the area.
    """

    x: np.ndarray
    y: np.ndarray
    u: np.ndarray
    v: np.ndarray
    weight: np.ndarray
    nesting: np.ndarray
    quadrant: np.ndarray
    z_primary: np.ndarray
    launched: int

    def at(self, distance: float) -> tuple[np.ndarray, np.ndarray]:
        """Landing positions x, y in a plane ``distance`` behind the reference plane."""
        return self.x + self.u * distance, self.y + self.v * distance


def aim(mirror: Mirror, beam: Beam, count: int, rng: np.random.Generator) -> Aims:
    """Choose ``count`` points at random, independent of each other.

    The same state of ``rng`` gives the same points and errors for every beam.
    """
    shares = mirror.shares
    nesting = np.searchsorted(np.cumsum(shares)[:-1], rng.random(count), side="right")
    _, _, first, last, _ = mirror.stages[0]
    length = last - first
    errors = mirror.errors
    z = last[nesting] - length[nesting] * rng.random(count)
    azimuth = 2 * np.pi * rng.random(count)
    slopes = errors.primary.draw(count, rng), errors.secondary.draw(count, rng)
    sideways = None
    if errors.out_of_plane:
        sideways = tuple(errors.out_of_plane * rng.standard_normal((2, count)))
    radius = beam.diameter / 2 * np.sqrt(rng.random(count))
    turn = 2 * np.pi * rng.random(count)
    start = None
    if beam.diameter and math.isfinite(beam.distance):
        start = radius * np.cos(turn), radius * np.sin(turn)
    scale = (2 * np.pi * length / shares)[nesting]
    return Aims(
        nesting=nesting,
        z=z,
        azimuth=azimuth,
        slopes=slopes,
        sideways=sideways,
        start=start,
        scale=scale,
    )


def _arrive(beam: Beam, point: tuple, shift: tuple, start: tuple | None) -> tuple:
    """Slopes dx/dz, dy/dz at ``point`` and the flux there over that at the origin."""
    x, y, z = point
    u = math.tan(beam.off_axis) * math.cos(beam.azimuth)
    v = math.tan(beam.off_axis) * math.sin(beam.azimuth)
    if math.isinf(beam.distance):
        return np.full_like(x, -u), np.full_like(x, -v), 1.0
    # A displaced quadrant sees the source displaced the other way.
    ahead = z + beam.distance
    from_x, from_y = u * beam.distance - shift[0], v * beam.distance - shift[1]
    if start is not None:
        from_x, from_y = from_x + start[0], from_y + start[1]
    u_here, v_here = (x - from_x) / ahead, (y - from_y) / ahead
    origin = beam.distance**2 * (1 + u**2 + v**2)
    return u_here, v_here, origin / (ahead**2 * (1 + u_here**2 + v_here**2))


def _reflect(slope: tuple, around: tuple, angle: np.ndarray, sideways) -> tuple:
    """Slopes after a reflection and the sine of the grazing angle (negative: from behind).

    The inward normal stands in the meridian plane, across a cone of half-angle ``angle``,
    and is then turned about the meridian by ``sideways``.
    """
    (u, v), (cosine, sine) = slope, around
    along, axial = np.cos(angle), -np.sin(angle)
    nx, ny = -along * cosine, -along * sine
    if sideways is not None:
        still, turned = np.cos(sideways), np.sin(sideways)
        nx, ny = nx * still - turned * sine, ny * still + turned * cosine
        axial = axial * still
    projected = u * nx + v * ny + axial
    dz = 1 - 2 * projected * axial
    after = (u - 2 * projected * nx) / dz, (v - 2 * projected * ny) / dz
    return after, -projected / np.sqrt(1 + u * u + v * v)


def is_clear(line: tuple, z_from: np.ndarray, z_to: np.ndarray, back: np.ndarray):
    """Whether straight lines stay outside a back surface between two z.

    ``line`` is (x, y, z, u, v), ``back`` a stage as in `Mirror`, one column a ray. The
    squared distance from the axis minus the squared radius of the surface is a parabola
    in z; ends of the interval and, where it is hollow, its lowest point must be above 0.
    Ends of foils are covered too, since a ray that meets one is inside at that z.
    """
    x, y, z, u, v = line
    radius, _, first, last, slope = back
    z_from, z_to = np.maximum(z_from, first), np.minimum(z_to, last)
    here = radius - z * slope
    second = u * u + v * v - slope * slope
    half_first = x * u + y * v + here * slope
    zeroth = x * x + y * y - here * here
    low, high = z_from - z, z_to - z
    clear = ((second * low + 2 * half_first) * low + zeroth >= 0) & (
        (second * high + 2 * half_first) * high + zeroth >= 0
    )
    dips = (second > 0) & (half_first + second * low < 0) & (half_first + second * high > 0)
    clear &= ~(dips & (second * zeroth < half_first * half_first))
    return clear | (z_from >= z_to)


def _meet_secondary(x, y, z, slope: tuple, cone: np.ndarray) -> np.ndarray:
    """Axial distance to the first meeting with the cone from inside (NaN: none)."""
    u, v = slope
    taper = cone[4]
    here = cone[0] - z * taper
    second = u * u + v * v - taper * taper
    half_first = x * u + y * v + here * taper
    zeroth = x * x + y * y - here * here
    inside = half_first * half_first - second * zeroth
    meets = (inside >= 0) & (half_first + np.sqrt(np.abs(inside)) > 0)
    root = np.where(meets, half_first + np.sqrt(np.abs(inside)), np.nan)
    return -zeroth / root


def follow(mirror: Mirror, beam: Beam, aims: Aims) -> Rays:
    """Follow rays to the given points on the primaries and through the mirror."""
    n, z = aims.nesting, aims.z
    quadrant = (aims.azimuth * (2 / np.pi)).astype(int) % 4
    shift = np.array(mirror.errors.quadrant_shifts).T[:, quadrant]
    primary, back = mirror.stages[0][:, n], mirror.behind[0][:, n]
    cosine, sine = np.cos(aims.azimuth), np.sin(aims.azimuth)
    radius = primary[0] - z * primary[4]
    x, y = radius * cosine, radius * sine
    u, v, flux = _arrive(beam, (x, y, z), shift, aims.start)
    # Sine of the nominal grazing angle times the surface, dz times radius over cosine.
    facing = (u * cosine + v * sine + primary[4]) / np.sqrt(1 + u * u + v * v)
    weight = flux * facing * radius * aims.scale
    turned = primary[1] + aims.slopes[0] + mirror.offsets[0, quadrant, n]
    across = aims.sideways or (None, None)
    slope, grazing = _reflect((u, v), (cosine, sine), turned, across[0])
    ahead = primary[2] - z
    opening = primary[0] - primary[2] * primary[4]
    good = (weight > 0) & (grazing > 0)
    good &= (x + u * ahead) ** 2 + (y + v * ahead) ** 2 <= opening**2 * (1 + 1e-12)
    good &= is_clear((x, y, z, u, v), np.full_like(z, -np.inf), z, back)
    good &= is_clear((x, y, z, *slope), z, np.full_like(z, np.inf), back)
    if mirror.reflectivity is not None:
        angle = np.arcsin(np.clip(grazing, 0, 1))
        weight = weight * mirror.reflectivity(mirror.energy, angle)
    k = np.flatnonzero(good)
    state = {
        "line": (x[k], y[k], z[k], slope[0][k], slope[1][k]),
        "weight": weight[k],
        "quadrant": quadrant[k],
        "shift": shift[:, k],
        "nesting": n[k],
        "slope_error": aims.slopes[1][k],
        "sideways": None if across[1] is None else across[1][k],
    }
    return _through_secondary(mirror, state, aims.z.size)


def _through_secondary(mirror: Mirror, kept: dict, launched: int) -> Rays:
    """Second reflection, and past the next nesting inward before and after it."""
    n, quadrant, shift, weight = (
        kept[name] for name in ("nesting", "quadrant", "shift", "weight")
    )
    cone, back = mirror.stages[1][:, n], mirror.behind[1][:, n]
    x, y, z_primary, *slope = kept["line"]
    step = _meet_secondary(x, y, z_primary, slope, cone)
    z = z_primary + step
    good = (z >= cone[2]) & (z <= cone[3])
    good &= is_clear(kept["line"], z_primary, z, back)
    x, y = x + slope[0] * step, y + slope[1] * step
    turned = cone[1] - kept["slope_error"] - mirror.offsets[1, quadrant, n]
    radius = np.hypot(x, y)
    (u, v), grazing = _reflect(slope, (x / radius, y / radius), turned, kept["sideways"])
    good &= is_clear((x, y, z, u, v), z, np.full_like(z, np.inf), back) & (grazing > 0)
    if mirror.reflectivity is not None:
        angle = np.arcsin(np.clip(grazing, 0, 1))
        weight = weight * mirror.reflectivity(mirror.energy, angle)
    return Rays(
        x=(x - u * z + shift[0])[good],
        y=(y - v * z + shift[1])[good],
        u=u[good],
        v=v[good],
        weight=weight[good],
        nesting=n[good],
        quadrant=kept["quadrant"][good],
        z_primary=z_primary[good],
        launched=launched,
    )


def trace_both(
    mirror: Mirror, beams: tuple[Beam, ...], count: int, rng: np.random.Generator
) -> tuple[Rays, ...]:
    """Send ``count`` rays of each beam to the same random points and errors."""
    parts = []
    for begun in range(0, count, CHUNK):
        aims = aim(mirror, beams[-1], min(CHUNK, count - begun), rng)
        parts.append([follow(mirror, beam, aims) for beam in beams])
    return tuple(_joined(of_one, count) for of_one in zip(*parts, strict=True))


def trace(mirror: Mirror, beam: Beam, count: int, rng: np.random.Generator) -> Rays:
    """Launch ``count`` random rays and return those that came through."""
    return trace_both(mirror, (beam,), count, rng)[0]


def _joined(parts: tuple[Rays, ...], launched: int) -> Rays:
    names = [name for name in Rays.__dataclass_fields__ if name != "launched"]
    whole = {name: np.concatenate([getattr(p, name) for p in parts]) for name in names}
    return Rays(**whole, launched=launched)
