"""How benchmarks are timed and what each of them returns."""

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, kw_only=True)
class Result:
    """One row of the table; ``accuracy`` says what was asserted in the same run."""

    work: str
    aim: str
    measured: str
    met: bool
    accuracy: str


def medians(works: tuple[Callable[[], object], ...], repeats: int) -> tuple[float, ...]:
    """Median seconds of several works, taken in turn so that all see the same machine."""
    for work in works:
        work()  # compiles, fills caches
    seconds = np.empty((repeats, len(works)))
    for k in range(repeats):
        for at, work in enumerate(works):
            start = time.perf_counter()
            work()
            seconds[k, at] = time.perf_counter() - start
    return tuple(float(s) for s in np.median(seconds, axis=0))


def once(work: Callable[[], object]) -> tuple[float, object]:
    """Seconds of one run, for oracles too slow to repeat, and what it returned."""
    start = time.perf_counter()
    found = work()
    return time.perf_counter() - start, found


def at_most(ratio: float, limit: float, yardstick: str) -> dict[str, object]:
    """Aim, measured ratio and whether it is met, for a time that shall be small."""
    return {
        "aim": f"≤ {limit:g} × {yardstick}",
        "measured": f"{ratio:.1f} ×",
        "met": ratio <= limit,
    }


def at_least(ratio: float, limit: float, yardstick: str) -> dict[str, object]:
    """The same for a speed that shall be large."""
    return {
        "aim": f"≥ {limit:g} × as fast as {yardstick}",
        "measured": f"{ratio:.0f} ×",
        "met": ratio >= limit,
    }
