"""The light of an axisymmetric nest by quadrature in one plane through the axis.

In-plane slope errors keep a ray in its meridian plane, so for a source on the axis the
whole image follows from rays in one plane: a nesting, a place along its primary, and the
two slope errors. The error on the secondary only turns the ray that leaves it, which is a
known shift of where it lands; so one table over the primary's error is enough:
``landing[distance, energy, way, interval of primary error, signed offset]``. Light that a
rough surface scatters goes another way than mirrored light: each way has its own share.

The interval of a primary that is really used (not missed by the secondary, not blocked by
the foil of the next nesting inward) is found by bisection and only it is integrated;
quadrature over the whole primary would stay nearly a per cent wrong at any order.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from beamreduce.errors import GeometryError, SettingsError
from beamreduce.mirror import Prescription
from beamreduce.raytrace.meridian_kernel import CLIP_BINS, CLIP_INTERVALS, integrate

_UNNOTICED = 1e-5  # of the light
_FEWEST_NESTINGS = 30  # that are followed, where there are as many


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
    sideways_tilt_rad
        Slope of every ray across this plane: off-axis angle times the sine.
    reflectivity
        Share of the light that one reflection sends each way, shape (coatings, energies,
        ways, angles) on a grid of grazing angles from 0 in steps of ``angle_step_rad``;
        linear between. One way: mirrored; two: mirrored, and scattered.
    angle_step_rad
        Step of that grid.
    coating_of_nesting
        Which coating each nesting has, from the inside out; None when there is one.
    pre_collimator_mm
        Length of the blades in front of the primaries, 0 for none.
    """

    source_distance_mm: float
    reflectivity: np.ndarray
    angle_step_rad: float
    coating_of_nesting: np.ndarray | None = None
    inward_tilt_rad: float = 0.0
    sideways_tilt_rad: float = 0.0
    pre_collimator_mm: float = 0.0

    def tilted(self, off_axis_rad: float, away_rad: float) -> "MeridianLight":
        """Return the light in another plane through the axis, for a source off it.

        Parameters
        ----------
        off_axis_rad
            How far the source is off the axis.
        away_rad
            Azimuth of the plane from the direction that the source is off to.
        """
        return replace(
            self,
            inward_tilt_rad=off_axis_rad * math.cos(away_rad),
            sideways_tilt_rad=off_axis_rad * math.sin(away_rad),
        )


@dataclass(frozen=True, kw_only=True)
class OffsetGrid:
    """Bins of signed offset from the axis: even, symmetric about zero.

    For a source off the axis they are counted from where its image is to first order:
    the off-axis angle times the distance behind the reference plane.
    """

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
class ErrorGrid:
    """How finely slope errors of the two stages are told apart.

    Parameters
    ----------
    primary_rad
        Rising edges of intervals of primary slope error; positive lands further out.
    limit_rad
        Rising limits of secondary error that clipping is told apart by, from below any
        error that matters to the largest that may still let a ray out. None to take
        every ray as its secondary without error would send it.
    turn_rad
        Angle that all primaries, and all secondaries, are turned by about their middles:
        an error of the cones themselves, in the sense of slope errors.
    nesting_step
        Follow only one nesting of so many, which stands for its neighbours; fewer are
        left out where that would leave less than 30.
    """

    primary_rad: np.ndarray
    limit_rad: np.ndarray | None = None
    turn_rad: tuple[float, float] = (0.0, 0.0)
    nesting_step: int = 1


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
        (distances, energies, ways, intervals, bins). One way, or four: mirrored twice,
        scattered by the secondary, by the primary, by both (where it would land if it
        were mirrored: whoever knows the law of scatter spreads it).
    area_mm2
        The same wherever it lands, shape (energies, ways, intervals).
    lever_mm
        Mean distance from the secondary reflection to each detector, shape (distances,);
        a secondary error ``e`` moves a ray by twice that times ``e``.
    lit_fraction
        Used part of each primary for a slope error of zero, shape (nestings,); 0 for a
        nesting that was not followed.
    limit_rad
        Limits of secondary error, rising: a ray is caught by the foil of the next nesting
        inward, on its way out, when its secondary error is below its limit. Empty where
        no ray is.
    clipped_mm2, clipped_area_mm2
        The part of ``landing_mm2`` and ``area_mm2`` with each limit, linear between
        limits, on coarser intervals of error and bins: shape (distances, energies, ways,
        limits, intervals, bins) and (energies, ways, limits, intervals).
    clipped_error_rad
        Edges of those intervals.
    turn_rad
        Angles that primaries and secondaries are turned by.
    turned
        Tables of the same light with the cones turned, where they were asked for.
    """

    error_rad: np.ndarray
    grid: OffsetGrid
    landing_mm2: np.ndarray
    area_mm2: np.ndarray
    lever_mm: np.ndarray
    lit_fraction: np.ndarray
    limit_rad: np.ndarray
    clipped_mm2: np.ndarray
    clipped_area_mm2: np.ndarray
    clipped_error_rad: np.ndarray
    turn_rad: tuple[float, float] = (0.0, 0.0)
    turned: "tuple[MeridianTable, ...]" = ()


def meridian_table(
    prescription: Prescription,
    light: MeridianLight,
    *,
    detector_distances_mm: np.ndarray,
    errors: ErrorGrid,
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
    errors
        Intervals of primary error, limits of secondary error.
    grid
        Bins of signed offset.

    Raises
    ------
    GeometryError
        When no ray reaches the detector whatever the slope error.
    """
    edges = np.ascontiguousarray(errors.primary_rad, dtype=float)
    if edges.size < 2 or np.any(np.diff(edges) <= 0):
        raise SettingsError("primary_rad must hold at least two rising edges")
    distances = np.atleast_1d(np.asarray(detector_distances_mm, dtype=float))
    cones = _cones(prescription, errors.turn_rad)
    shares, coating = _shares(light, cones.shape[0])
    _, energies, ways, _ = shares.shape
    lights = energies * ways * ways
    landing = np.zeros((distances.size, lights, edges.size - 1, grid.bins))
    area = np.zeros((lights, edges.size - 1))
    lever = np.zeros((distances.size, 2))
    lit = np.zeros(cones.shape[0])
    limits = np.zeros(1)
    if errors.limit_rad is not None:
        limits = np.ascontiguousarray(errors.limit_rad, dtype=float)
    tilt = light.inward_tilt_rad
    geometry = np.array(
        [
            light.source_distance_mm,
            tilt,
            light.pre_collimator_mm,
            limits[-1],
            light.sideways_tilt_rad,
        ]
    )
    nesting_step = min(errors.nesting_step, max(cones.shape[0] // _FEWEST_NESTINGS, 1))
    coarse = -(-(edges.size - 1) // CLIP_INTERVALS)
    kept = limits.size if limits.size > 1 else 0
    clipped = np.zeros((distances.size, lights, kept, coarse, -(-grid.bins // CLIP_BINS)))
    clipped_area = np.zeros((lights, kept, coarse))
    integrate(
        cones, geometry, (shares, coating, light.angle_step_rad), edges, distances,
        (grid.reach_mm, grid.step_mm), (landing, area, lever, lit),
        (limits, clipped, clipped_area), nesting_step,
    )  # fmt: skip
    for summed in (landing, area, clipped, clipped_area):
        summed *= nesting_step
    catching = _catching(clipped_area, area)
    if not area.any():
        raise GeometryError(
            f"no ray from a source at {light.source_distance_mm / 1000:.4g} m gets through "
            f"both reflections; the source is too near for this mirror or too far off its "
            f"axis, or the prescription, its bars or its pre-collimator stop all light"
        )
    return MeridianTable(
        error_rad=edges,
        grid=grid,
        landing_mm2=landing.reshape(-1, energies, ways * ways, *landing.shape[2:]),
        area_mm2=area.reshape(energies, ways * ways, -1),
        lever_mm=lever[:, 0] / lever[:, 1],
        lit_fraction=lit,
        limit_rad=limits[catching],
        clipped_mm2=clipped[:, :, catching].reshape(
            distances.size, energies, ways * ways, catching.size, *clipped.shape[3:]
        ),
        clipped_area_mm2=clipped_area[:, catching].reshape(
            energies, ways * ways, catching.size, coarse
        ),
        clipped_error_rad=np.append(edges[:-1:CLIP_INTERVALS], edges[-1]),
        turn_rad=errors.turn_rad,
    )


def _catching(clipped_area: np.ndarray, area: np.ndarray) -> np.ndarray:
    """Limits at which light is caught that anyone could notice."""
    light = clipped_area.sum(axis=(0, 2))
    return np.flatnonzero(light > _UNNOTICED * area.sum())


def _cones(prescription: Prescription, turn_rad: tuple[float, float]) -> np.ndarray:
    """Numbers of each nesting for the kernel, inner neighbours first.

    Each cone has its own radius at the reference plane: turned ones do not meet there.
    """
    rows = []
    for n in sorted(prescription.nestings, key=lambda n: n.radius_mm):
        first, second = n.primary_angle_rad, n.secondary_angle_rad
        turned = first + turn_rad[0], second - turn_rad[1]
        middle = n.gap_mm / 2 + np.array([n.primary_length_mm, n.secondary_length_mm]) / 2
        radius = (
            n.radius_mm + middle[0] * (np.tan(first) - np.tan(turned[0])),
            n.radius_mm - middle[1] * (np.tan(second) - np.tan(turned[1])),
        )
        lengths = n.primary_length_mm, n.secondary_length_mm
        edges = n.gap_mm / 2, n.thickness_mm, radius[1]
        rows.append((radius[0], *turned, *lengths, *edges, *np.tan(turned)))
    return np.array(rows)


def _shares(light: MeridianLight, nestings: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the shares of all coatings, and which of them each nesting has."""
    shares = np.ascontiguousarray(light.reflectivity, dtype=float)
    coating = light.coating_of_nesting
    if coating is None:
        coating = np.zeros(nestings)
    coating = np.ascontiguousarray(coating, dtype=np.int64)
    if shares.ndim != 4 or shares.shape[2] > 2 or coating.shape != (nestings,):
        raise SettingsError(
            f"reflectivity must have shape (coatings, energies, ways, angles) with one or "
            f"two ways, and coating_of_nesting one number a nesting ({nestings}); got "
            f"shapes {shares.shape} and {coating.shape}"
        )
    if coating.min() < 0 or coating.max() >= shares.shape[0]:
        raise SettingsError(
            f"coating_of_nesting must be below {shares.shape[0]}, the number of coatings; "
            f"got {coating.min()} to {coating.max()}"
        )
    return shares, coating
