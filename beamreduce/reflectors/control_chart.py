"""Shewhart charts, which say whether a process runs as it did, batch after batch."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from scipy.special import gammaln

from beamreduce.errors import SettingsError

RUN_LENGTH = 9  # successive points on one side of the center that are no chance


@dataclass(frozen=True, kw_only=True)
class ChartPoint:
    """One batch on a chart.

    ``signal`` says what is odd: ``above``, ``below`` (beyond three standard deviations),
    ``run`` (the ninth on one side of the center), or nothing.
    """

    name: str
    count: int
    mean: float
    spread: float | None
    lower: float
    upper: float
    signal: str


@dataclass(frozen=True, kw_only=True)
class ControlChart:
    """Means of batches against limits that the scatter within batches sets."""

    quantity: str
    center: float
    sigma: float
    points: tuple[ChartPoint, ...]


def control_chart(
    quantity: str, batches: Mapping[str, Sequence[float]]
) -> ControlChart | None:
    """Return the chart of batch means; None when no batch has two values.

    Parameters
    ----------
    quantity
        Name of what is charted.
    batches
        Values by name of the batch, in the order they were made.

    Notes
    -----
    Limits ``x̿ ± 3 σ/√n``, σ the mean of ``s/c₄(n)`` over batches, weighted by degrees of
    freedom (ISO 7870-2:2013; Montgomery, Introduction to Statistical Quality Control,
    section 6.3). A run of nine on one side is rule 2 of Nelson 1984, J. Qual. Technol.
    16, 237.
    """
    kept = {name: [float(v) for v in values] for name, values in batches.items()}
    kept = {name: values for name, values in kept.items() if values}
    spreads = {
        name: _standard_deviation(values)
        for name, values in kept.items()
        if len(values) > 1
    }
    if not spreads:
        return None
    freedom = sum(len(kept[name]) - 1 for name in spreads)
    sigma = sum(
        (len(kept[name]) - 1) * spread / c4(len(kept[name]))
        for name, spread in spreads.items()
    )
    sigma /= freedom
    count = sum(len(values) for values in kept.values())
    center = sum(sum(values) for values in kept.values()) / count
    points, side, run = [], 0, 0
    for name, values in kept.items():
        mean = sum(values) / len(values)
        reach = 3 * sigma / math.sqrt(len(values))
        now = (mean > center) - (mean < center)
        run = run + 1 if now == side and now else 1
        side = now
        signal = "run" if run >= RUN_LENGTH else ""
        signal = "above" if mean > center + reach else signal
        signal = "below" if mean < center - reach else signal
        points.append(
            ChartPoint(
                name=name,
                count=len(values),
                mean=mean,
                spread=spreads.get(name),
                lower=center - reach,
                upper=center + reach,
                signal=signal,
            )
        )
    return ControlChart(quantity=quantity, center=center, sigma=sigma, points=tuple(points))


def c4(n: int) -> float:
    """Return the mean of the sample standard deviation of n normal values with σ = 1."""
    if n < 2:
        raise SettingsError(f"a standard deviation needs two values; got {n}")
    return math.sqrt(2 / (n - 1)) * math.exp(
        float(gammaln(n / 2)) - float(gammaln((n - 1) / 2))
    )


def _standard_deviation(values: Sequence[float]) -> float:
    mean = sum(values) / len(values)
    return math.sqrt(sum((v - mean) ** 2 for v in values) / (len(values) - 1))
