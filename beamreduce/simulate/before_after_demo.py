"""The demonstration of ``compare``: a nest before and after, changed and not changed."""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from beamreduce.before_after import Comparison, Judged
from beamreduce.record import write_text_whole
from beamreduce.reduction import RunOptions, reduce_campaign
from beamreduce.reduction.campaign_run import Progress
from beamreduce.reduction.comparison_run import CompareOptions, compare_folders
from beamreduce.simulate.write_campaign import simulate_campaign
from beamreduce.units import arcsec_per_mm

BEFORE = "before_shake"
# Folder: scenario, and the seed of its frames (None: the scenario's own).
AFTER: Mapping[str, tuple[str, int | None]] = {
    "after_shake": ("after_shake", None),
    "after_nothing": (BEFORE, 20270415),
}
MARGINS = """# What the demonstration calls no change; the rest as by default.
format = "beamreduce-margins/1"

[margins]
area = "10 %"
"""
_QUADRANT = "quadrant_position_{}_arcsec"


@dataclass(frozen=True, kw_only=True)
class ChangeAgreement:
    """One difference against the difference of the truths.

    Parameters
    ----------
    id, key
        Measurement and quantity.
    difference, uncertainty
        As compared.
    truth, truth_uncertainty
        As traced.
    verdict, margin
        What was said of it, and the margin.
    """

    id: str
    key: str
    difference: float
    uncertainty: float
    truth: float
    truth_uncertainty: float
    verdict: str
    margin: float

    @property
    def pull(self) -> float:
        """Deviation from the truth in combined standard uncertainties."""
        sigma = math.hypot(self.uncertainty, self.truth_uncertainty)
        return (self.difference - self.truth) / sigma

    @property
    def is_right(self) -> bool:
        """False for a wrong claim: changed though it is not, unchanged beyond its margin.

        What is less than three standard errors of the traced truth counts as no change.
        """
        if self.verdict == "unchanged":
            return abs(self.truth) < self.margin
        return self.verdict != "changed" or abs(self.truth) > 3 * self.truth_uncertainty


def run_before_after_demo(
    folder: Path, *, options: RunOptions | None = None, progress: Progress | None = None
) -> str:
    """Make a nest before and twice after, reduce all, compare, and check with the truth.

    Parameters
    ----------
    folder
        Gets ``before``, ``after_shake`` and ``after_nothing``, their truths and results,
        and a comparison of each with ``before``.
    options, progress
        As for :func:`beamreduce.reduction.reduce_campaign`.
    """
    options = options or RunOptions(update=True, figures=False)
    margins = folder / "margins.toml"
    write_text_whole(margins, MARGINS)
    _make(folder, "before", (BEFORE, None), options, progress)
    lines = []
    for name, scenario in AFTER.items():
        _make(folder, name, scenario, options, progress)
        done = compare_folders(
            folder / "before_results",
            folder / f"{name}_results",
            folder / f"{name}_compared",
            options=CompareOptions(margins=margins, update=True),
            progress=progress,
        )
        rows = agree_with_truth(
            done.comparison, _truth(folder, "before"), _truth(folder, name)
        )
        lines += [f"before → {name}: {done.comparison.verdict}", table(rows)]
        lines.append(f"page: {done.folder / 'report.html'}\n")
    return "\n".join(lines)


def agree_with_truth(
    comparison: Comparison, before: Mapping[str, object], after: Mapping[str, object]
) -> tuple[ChangeAgreement, ...]:
    """Set every difference that has a truth against it.

    Parameters
    ----------
    comparison
        What was found.
    before, after
        Truth files of both campaigns.
    """
    sides = [{m["id"]: m for m in truth["measurements"]} for truth in (before, after)]  # type: ignore[attr-defined]
    rows = []
    for judged in comparison.judged:
        known = _true_difference(judged, *sides)
        if known is None:
            continue
        finding = judged.finding
        rows.append(
            ChangeAgreement(
                id=finding.id,
                key=finding.key,
                difference=finding.difference.quantity.value,
                uncertainty=finding.difference.quantity.uncertainty,
                truth=known[0],
                truth_uncertainty=known[1],
                verdict=judged.verdict,
                margin=finding.margin,
            )
        )
    return tuple(rows)


def table(rows: tuple[ChangeAgreement, ...]) -> str:
    """Return one line a difference, and how well they agree together."""
    ids = max(len(row.id) for row in rows)
    keys = max(len(row.key) for row in rows)
    lines = [
        f"{row.id:<{ids}}  {row.key:<{keys}}  {row.difference:>+8.3f} ± "
        f"{row.uncertainty:<6.3f} truth {row.truth:>+7.3f}  pull {row.pull:>+5.2f}  "
        f"{row.verdict}{'' if row.is_right else '  WRONG'}"
        for row in rows
    ]
    pulls = [row.pull for row in rows]
    rms = math.sqrt(sum(pull**2 for pull in pulls) / len(pulls))
    return "\n".join([*lines, f"rms pull {rms:.2f}, largest {max(map(abs, pulls)):.2f}"])


def _make(
    folder: Path,
    name: str,
    scenario: tuple[str, int | None],
    options: RunOptions,
    progress: Progress | None,
) -> None:
    """Make a campaign once, and reduce it."""
    campaign = folder / name
    if not (campaign.exists() and campaign.with_name(f"{name}.truth.json").exists()):
        simulate_campaign(scenario[0], campaign, progress=progress, seed=scenario[1])
    reduce_campaign(
        campaign, folder / f"{name}_results", options=options, progress=progress
    )


def _truth(folder: Path, name: str) -> Mapping[str, object]:
    return json.loads((folder / f"{name}.truth.json").read_text(encoding="utf-8"))


def _true_difference(
    judged: Judged, before: Mapping[str, dict], after: Mapping[str, dict]
) -> tuple[float, float] | None:
    """Return a true difference and its standard error; None where it is not known."""
    identity, key = judged.finding.id, judged.finding.key
    if identity not in before or identity not in after:
        return None
    for axis, letter in enumerate("xy"):
        if key == _QUADRANT.format(letter):
            found = [_place(side, identity, axis) for side in (before, after)]
            return found[1][0] - found[0][0], math.hypot(found[0][1], found[1][1])
    pair = [side[identity].get(key) for side in (before, after)]
    if None in pair:
        return None
    return (
        pair[1]["value"] - pair[0]["value"],
        math.hypot(*(one["uncertainty"] for one in pair)),
    )


def _place(side: Mapping[str, dict], identity: str, axis: int) -> tuple[float, float]:
    """Place of a quadrant against the mean of all, arcsec, from true centers.

    The scenarios' detector is as seen from the source, with pixels of 50 µm.
    """
    quadrants = [m for m in side.values() if m["aperture"].startswith("Q")]
    scale = 0.05 * arcsec_per_mm(side[identity]["detector_distance_mm"])
    mean = sum(m["center_pixel"][axis] for m in quadrants) / len(quadrants)
    own = side[identity]
    squares = sum(m["center_uncertainty_pixel"][axis] ** 2 for m in quadrants)
    error = math.sqrt(own["center_uncertainty_pixel"][axis] ** 2 + squares / 16)
    return scale * (own["center_pixel"][axis] - mean), scale * error
