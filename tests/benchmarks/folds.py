"""From finite distance to infinity: quadrature, ladder, families and replicates."""

import math
import time
from dataclasses import replace

import numpy as np

from beamreduce.infinity.answer import StarPlane, seen_from_infinity, star_views
from beamreduce.infinity.configuration import (
    Measured,
    Resolution,
    resolution_of,
    rings_to_fold,
)
from beamreduce.infinity.fold import MeasuredRings, describe
from beamreduce.infinity.folded import fold
from beamreduce.infinity.ladder_steps import error_edges, error_grid, ladder_steps
from beamreduce.infinity.optics import tables_of, view_of
from beamreduce.infinity.replicates import replicate_weights
from beamreduce.infinity.slope_ladder import SlopeLadder, ladder_areas
from beamreduce.infinity.star import (
    StarCurves,
    mixture_growths,
    pair_growths,
    star_radii,
)
from beamreduce.raytrace import ErrorGrid, OffsetGrid, meridian_table
from tests.benchmarks.timing import Result, at_least, medians, once
from tests.external.independent_cases import Case, cases
from tests.external.independent_measured import measured, optics_of
from tests.external.independent_trace import trace
from tests.external.independent_truth import ARCSEC, BATCHES, STAR, curves, truth

LADDER_S, REPLICATES_S, REPLICATES = 20.0, 2.0, 1000
NOISE = 0.002  # of the light inside a circle
EXACT = 0.001  # of area and HPD
RAYS = 50_000  # a batch


def _case(name: str = "f5.2/60") -> Case:
    return next(case for case in cases() if case.name == name)


def _in_seconds(seconds: float, limit: float) -> dict[str, object]:
    return {
        "aim": f"≤ {limit:g} s",
        "measured": f"{seconds:.1f} s",
        "met": seconds <= limit,
    }


def _of_one_law(case: Case, intervals: int, bins: int) -> tuple[float, float]:
    """Area (mm²) and HPD (arcsec) of a star by quadrature, normal errors on both stages."""
    (slope,) = case.errors.primary.scales
    focal = case.prescription.focal_length_mm
    ladder, optics = SlopeLadder(steps_rad=(slope,)), optics_of(case).for_star()
    limits = error_grid((slope / 5, slope, 1.2 * slope)).limit_rad
    errors = ErrorGrid(
        primary_rad=error_edges(slope, 3 * slope, intervals), limit_rad=limits
    )
    reach = (case.reference_angle + 6 * slope) * focal
    table = meridian_table(
        case.prescription,
        optics.light,
        detector_distances_mm=np.array([focal]),
        errors=errors,
        grid=OffsetGrid(reach_mm=reach, bins=bins),
    )
    radii = star_radii(2 * slope * focal, case.reference_angle * focal, 120)
    view = view_of(optics, (table,), (0, 0, focal), 0.0)
    growth = mixture_growths(view, radii, [(ladder, np.ones(1))])[0]
    hpd = StarCurves(radii_mm=radii, growth=growth).diameter_mm(0.5, radii[-1])
    return float(ladder_areas(table, ladder)[0, 0]), float(hpd) / focal / ARCSEC


def quadrature() -> list[Result]:
    """Area and HPD on the axis to a tenth of a per cent, against rays by chance."""
    case = _case()
    focal, angle = case.prescription.focal_length_mm, case.reference_angle

    def by_chance() -> tuple[float, float, float, float]:
        batches = [
            trace(case.mirror, STAR, RAYS, np.random.default_rng([20261208, k]))
            for k in range(BATCHES)
        ]
        areas = np.array([rays.weight.sum() / rays.launched for rays in batches])
        hpd, error = curves(batches, focal, angle, (0.0, 0.0)).diameter(0.5)
        spread = areas.std(ddof=1) / math.sqrt(BATCHES)
        return float(areas.mean()), float(spread), hpd, error

    (seconds,) = medians((lambda: _of_one_law(case, 40, 400),), 3)
    taken, (area, area_error, hpd, hpd_error) = once(by_chance)
    coarse, fine = _of_one_law(case, 40, 400), _of_one_law(case, 480, 4800)
    own = max(abs(a / b - 1) for a, b in zip(coarse, fine, strict=True))
    assert own <= EXACT, own
    away = abs(coarse[0] - area) / area_error, abs(coarse[1] - hpd) / hpd_error
    assert away[0] <= 3 + EXACT * area / area_error, away
    assert away[1] <= 3 + EXACT * hpd / hpd_error, away
    # Rays by chance would have to be as many as bring the worse of their errors to that.
    needed = taken * (max(area_error / area, hpd_error / hpd) / EXACT) ** 2
    return [
        Result(
            work=f"area and HPD of {len(case.prescription.nestings)} nestings to 0.1 %",
            **at_least(needed / seconds, 20, "rays by chance"),
            accuracy=f"within {own:.1e} of twelve times the resolution (asserted: "
            f"{EXACT:g}), area {away[0]:.1f} and HPD {away[1]:.1f} standard errors "
            "from the rays (asserted: 3)",
        )
    ]


def ladder() -> list[Result]:
    """256 pairs of slope errors in two planes, the image measured and that of a star."""
    case = _case()
    slope = 15 * ARCSEC
    focal, near_mm = case.prescription.focal_length_mm, case.distances[0]
    near, star = optics_of(case), optics_of(case).for_star()

    def growths(finer: int) -> list[np.ndarray]:
        resolution = Resolution(
            steps_rad=ladder_steps(slope),
            hpd_rad=3.8 * slope / finer,
            reach_rad=case.reference_angle + 6 * slope,
            intervals=240 * finer,
        )
        found = []
        for optics, distance in ((near, near_mm), (star, focal)):
            grid = resolution.grid(distance)
            tables = tables_of(optics, [distance], resolution.errors, grid)
            view = view_of(optics, tables, (0, 0, distance), 0.05)
            radii = star_radii(2 * slope * distance, case.reference_angle * distance, 60)
            found.append(pair_growths(view, radii, resolution.ladder))
        return found

    growths(1)  # compiles
    seconds, usual = once(lambda: growths(1))
    worst = max(
        float(np.max(np.abs(a - b) / b[-1])) for a, b in zip(usual, growths(3), strict=True)
    )
    assert worst <= NOISE, worst
    return [
        Result(
            work="ladder of 256 pairs in two planes, and with cones turned",
            **_in_seconds(seconds, LADDER_S),
            accuracy=f"light inside circles within {worst:.1e} of three times the "
            f"resolution (asserted: {NOISE:g} of the pair's light)",
        )
    ]


def replicates() -> list[Result]:
    """A thousand replicates of a fit, against fits of repeats."""
    case = _case()
    made: list[Measured] = measured(case, 20261209)
    resolution = resolution_of(made)
    (one,) = rings_to_fold(optics_of(case), made, resolution)
    described = describe([one], resolution.ladder)
    rng = np.random.default_rng(20261210)
    (seconds,) = medians((lambda: replicate_weights(described, REPLICATES, rng),), 3)
    focal = case.prescription.focal_length_mm
    (view,) = star_views(optics_of(case), resolution, [focal])[0]
    radii = star_radii(resolution.hpd_rad * focal / 2, case.reference_angle * focal)
    pairs = pair_growths(view, radii, resolution.ladder)

    def hpd(weights: np.ndarray) -> np.ndarray:
        curve = StarCurves(radii_mm=radii, growth=np.atleast_2d(weights) @ pairs.T)
        return curve.diameter_mm(0.5, radii[-1])

    (data,) = described.data
    scale = described.mixture.photons_per_mm2[0]
    expected = scale * (data.columns @ described.mixture.weights)
    repeats = []
    for _ in range(200):
        counts = rng.poisson(expected).astype(float)
        again = _with_photons(one, counts)
        fitted = describe([again], resolution.ladder).mixture.weights
        repeats.append(float(hpd(fitted)[0]))
    drawn = hpd(replicate_weights(described, REPLICATES, rng))
    ratio = float(drawn.std(ddof=1) / np.std(repeats, ddof=1))
    limit = 3 * math.sqrt(1 / 400 + 1 / 2 / REPLICATES)  # of two scatters
    assert abs(ratio - 1) <= limit, ratio
    return [
        Result(
            work=f"{REPLICATES:,} replicates of a fit",
            **_in_seconds(seconds, REPLICATES_S),
            accuracy=f"scatter of HPD at infinity {ratio:.2f} of that of 200 fitted "
            f"repeats (asserted within {limit:.2f})",
        )
    ]


def _with_photons(one: MeasuredRings, counts: np.ndarray) -> MeasuredRings:
    noise = np.diag(np.maximum(counts, 1.0))
    return replace(one, photons=counts, poisson=counts, covariance=noise)


def families() -> list[Result]:
    """A whole configuration of five distances to HPD at infinity, against its truth."""
    case = _case("f3.5/60")
    made = measured(case, 20261211, case.distances)
    focal = case.prescription.focal_length_mm
    plane = StarPlane(distance_mm=focal, reference_rad=case.reference_angle)
    reference = case.reference_angle * focal
    fold(optics_of(case), made[:1])  # compiles
    start = time.perf_counter()
    folded = fold(optics_of(case), made)
    seen = seen_from_infinity(folded, plane, REPLICATES, np.random.default_rng(1))[0]
    seconds = time.perf_counter() - start
    found = seen.quantity(lambda n: n.diameters_mm(0.5, reference) / focal / ARCSEC)
    expected = truth(case.mirror, case.question(rays=2_000_000))
    sigma = math.hypot(found.uncertainty, expected.hpd_error)
    away = (found.value - expected.hpd_arcsec) / expected.hpd_arcsec
    limit = 0.005 + 3 * sigma / expected.hpd_arcsec
    assert abs(away) <= limit, (away, limit)
    return [
        Result(
            work=f"five distances, {len(folded.families)} families, to infinity",
            **_in_seconds(seconds, LADDER_S),
            accuracy=f"HPD {away:+.2%} from rays of another hand (asserted: 0.5 % and "
            f"three standard errors, {limit:.2%})",
        )
    ]
