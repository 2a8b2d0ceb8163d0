"""The demonstration for reflectors: make maps, measure, grade, compare with the truth."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from beamreduce.reduction.reflectors_run import (
    GradedReflectors,
    ReflectorOptions,
    grade_reflectors,
    grade_table,
)
from beamreduce.reflectors import ReflectorNumbers
from beamreduce.simulate.reflector_maps import (
    read_reflector_scenario,
    simulate_reflectors,
)
from beamreduce.simulate.write_campaign import Progress, read_truth

SCENARIO = "reflectors"


@dataclass(frozen=True, kw_only=True)
class ReflectorAgreement:
    """Measured reflectors against how they were made.

    Parameters
    ----------
    pulls
        Sq less truth in combined standard uncertainties, shape (reflectors,).
    scatter_pulls
        The same of the scattered share, by energy.
    flight_wrong
        Reflectors graded flight whose true roughness is above the flight limit.
    flight_wrong_expected
        How many the guard band lets through: with a height scale that may be off by its
        uncertainty, and with one that is off by what it is.
    graded, agreeing
        Reflectors graded, and those that get the grade of their true roughness.
    height_scale_error
        Of the profilometer, relative: one error that all maps have in common.
    pulls_without_scale
        Sq, put right by that error, less truth in statistical standard uncertainties.
    worst_mandrel
        Mandrel with the lowest yield of those that stand out.
    bad_mandrel
        The one that was made bad.
    """

    pulls: np.ndarray
    scatter_pulls: Mapping[str, np.ndarray]
    flight_wrong: int
    flight_wrong_expected: tuple[float, float]
    graded: int
    agreeing: int
    height_scale_error: float
    pulls_without_scale: np.ndarray
    worst_mandrel: str
    bad_mandrel: str

    def as_text(self) -> str:
        """Return the comparison in a few lines."""
        lines = [
            f"Sq of {len(self.pulls)} reflectors against truth: mean pull "
            f"{self.pulls.mean():+.2f}, rms {_rms(self.pulls):.2f}, largest "
            f"{np.abs(self.pulls).max():.1f} (in standard uncertainties)",
            f"the height scale that all maps share is {self.height_scale_error:+.2%} off, "
            f"drawn once from its declared uncertainty; with that put right, mean pull "
            f"{self.pulls_without_scale.mean():+.2f}, rms "
            f"{_rms(self.pulls_without_scale):.2f} (in statistical uncertainties)",
        ]
        lines += [
            f"scattered share at {energy}: mean pull {pulls.mean():+.2f}, rms "
            f"{_rms(pulls):.2f}"
            for energy, pulls in self.scatter_pulls.items()
        ]
        lines += [
            f"{self.agreeing} of {self.graded} have the grade of their true roughness; "
            f"{self.flight_wrong} flight grades are above the limit in truth; the guard "
            f"band lets {self.flight_wrong_expected[0]:.1f} through on average, and "
            f"{self.flight_wrong_expected[1]:.1f} with this height scale",
            f"mandrel that stands out most: {self.worst_mandrel or 'none'}; made bad: "
            f"{self.bad_mandrel or 'none'}",
        ]
        return "\n".join(lines)


def run_reflector_demo(
    folder: Path,
    *,
    options: ReflectorOptions | None = None,
    progress: Progress | None = None,
) -> str:
    """Make the maps once, run the command and return a comparison with the truth.

    Parameters
    ----------
    folder
        Gets ``maps``, ``maps.truth.json`` and ``results``.
    options, progress
        As for :func:`beamreduce.reduction.reflectors_run.grade_reflectors`.

    Raises
    ------
    OutputError
        When the folder holds maps of another scenario.
    """
    maps, results = folder / "maps", folder / "results"
    truth_file = folder / "maps.truth.json"
    if not (maps.exists() and truth_file.exists()):
        simulate_reflectors(SCENARIO, maps, progress=progress)
    truth = read_truth(truth_file, SCENARIO, read_reflector_scenario(SCENARIO).sha256)
    done = grade_reflectors(
        maps, results, options=options or ReflectorOptions(update=True), progress=progress
    )
    return "\n".join(
        [
            grade_table(done),
            compare_reflectors_with_truth(done, truth).as_text(),
            f"maps: {maps}   results: {results}   truth: {truth_file}",
        ]
    )


def compare_reflectors_with_truth(
    done: GradedReflectors, truth: Mapping[str, object]
) -> ReflectorAgreement:
    """Set every reflector against how it was made."""
    made = truth["reflectors"]
    known = [n for n in done.numbers if n.reflector.reflector in made and n.values]
    true = [made[n.reflector.reflector] for n in known]
    energies = list(true[0]["scatter"])
    flights = [
        (n, t) for n, t in zip(known, true, strict=True) if n.grade.grade == "flight"
    ]
    outliers = [y for y in done.yields if y.kind == "mandrel" and y.stands_out == "low"]
    scale = float(truth.get("height_scale_error", 0.0))  # older maps had none
    return ReflectorAgreement(
        pulls=_pulls(known, [t["sq_nm"] for t in true], "Sq"),
        height_scale_error=scale,
        pulls_without_scale=np.array(
            [
                (q.value / (1 + scale) - t["sq_nm"]) / q.statistical
                for q, t in zip((n.values["Sq"] for n in known), true, strict=True)
            ]
        ),
        scatter_pulls={
            e: _pulls(known, [t["scatter"][e] for t in true], f"scatter_{e}")
            for e in energies
        },
        flight_wrong=sum(t["grade"] != "flight" for _, t in flights),
        flight_wrong_expected=(
            sum(_chance_above(n) for n, _ in flights),
            sum(_chance_above(n, scale) for n, _ in flights),
        ),
        graded=len(known),
        agreeing=sum(n.grade.grade == t["grade"] for n, t in zip(known, true, strict=True)),
        worst_mandrel=min(outliers, key=lambda y: y.share).name if outliers else "",
        bad_mandrel=str(truth["bad_mandrel"]),
    )


def _chance_above(numbers: ReflectorNumbers, scale: float | None = None) -> float:
    """Probability that a flight grade is above its limit, from its margin.

    With the error of the height scale where that is known.
    """
    value = numbers.values[numbers.grade.quantity]
    # margin is a share of the limit: limit = (value + guard)/(1 − margin).
    limit = (value.value + value.uncertainty) / (1 - numbers.grade.margin)
    best, sigma = value.value, value.uncertainty
    if scale is not None:
        best, sigma = value.value / (1 + scale), value.statistical
    return 0.5 * math.erfc((limit - best) / (sigma * math.sqrt(2)))


def _pulls(
    known: Sequence[ReflectorNumbers], truth: Sequence[float], key: str
) -> np.ndarray:
    return np.array(
        [
            (n.values[key].value - t) / n.values[key].uncertainty
            for n, t in zip(known, truth, strict=True)
        ]
    )


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2)))
