"""Circle and ring sums of a 2048² frame."""

import numpy as np
import sep
from photutils.profiles import CurveOfGrowth

from beamreduce.rings import overlap_sums, plan_rings
from tests.benchmarks.timing import Result, at_least, at_most, medians, once

CENTER = (1023.3, 1022.8)
RADII = np.linspace(5.0, 1000.0, 200)
MANY_RADII = np.linspace(1.0, 1000.0, 1000)
AGREEMENT = 1e-9  # of the total


def _frame() -> np.ndarray:
    return np.random.default_rng(1).poisson(0.4, (2048, 2048)).astype(float)


def _assert_equal(found: np.ndarray, expected: np.ndarray, total: float) -> str:
    worst = float(np.max(np.abs(found - expected)) / total)
    assert worst <= AGREEMENT, worst
    return f"within {AGREEMENT:g} of the total (worst {worst:.0e})"


def new_center() -> list[Result]:
    """200 radii about a center not seen before, against a plain sum and two libraries."""
    frame = _frame()
    plain, ours = medians(
        (lambda: np.sum(frame), lambda: overlap_sums(frame, CENTER, RADII)), repeats=25
    )
    found, total = overlap_sums(frame, CENTER, RADII), frame.sum()
    growth, curve = once(
        lambda: CurveOfGrowth(frame, CENTER, RADII, method="exact").profile
    )
    n = np.ones(RADII.size)
    circles, sums = once(
        lambda: sep.sum_circle(frame, CENTER[0] * n, CENTER[1] * n, RADII, subpix=0)[0]
    )
    work = "circle sums, 200 radii, 2048², new center"
    exact = _assert_equal(found, np.asarray(curve), total)
    also = _assert_equal(found, np.asarray(sums), total)
    return [
        Result(work=work, accuracy=exact, **at_most(ours / plain, 10, "np.sum")),
        Result(work=work, accuracy=exact, **at_least(growth / ours, 250, "photutils")),
        Result(work=work, accuracy=also, **at_least(circles / ours, 60, "sep")),
    ]


def more_radii() -> list[Result]:
    """1 000 radii against 200."""
    frame = _frame()
    few, many = medians(
        (
            lambda: overlap_sums(frame, CENTER, RADII),
            lambda: overlap_sums(frame, CENTER, MANY_RADII),
        ),
        repeats=15,
    )
    # Radii 5, 10, … are in both lists.
    exact = _assert_equal(
        overlap_sums(frame, CENTER, MANY_RADII)[4::5],
        overlap_sums(frame, CENTER, RADII),
        frame.sum(),
    )
    return [
        Result(
            work="circle sums, 1 000 radii, 2048², new center",
            accuracy=f"the 200 radii {exact}",
            **at_most(many / few, 5, "200 radii"),
        )
    ]


def fixed_center() -> list[Result]:
    """200 rings planned once, then summed frame after frame."""
    frame = _frame()
    plan = plan_rings(frame.shape, CENTER, RADII)
    plain, ours = medians((lambda: np.sum(frame), lambda: plan.sums(frame)), repeats=25)
    exact = _assert_equal(
        np.cumsum(plan.sums(frame)), overlap_sums(frame, CENTER, RADII), frame.sum()
    )
    return [
        Result(
            work="ring sums, 200 radii, 2048², center fixed over many frames",
            accuracy=exact,
            **at_most(ours / plain, 4, "np.sum"),
        )
    ]
