"""The demonstration for quadrants: make a campaign, plan its moves, compare with truth."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import astropy.units as u
import numpy as np

from beamreduce.campaign import quadrants_of
from beamreduce.quadrants import common_moves, outwards
from beamreduce.reduction.quadrants_run import QuadrantOptions, run_quadrants
from beamreduce.reduction.quadrants_step import QuadrantsFound
from beamreduce.reduction.quadrants_text import quadrants_text
from beamreduce.simulate.scenario_file import read_scenario
from beamreduce.simulate.write_campaign import Progress, read_truth, simulate_campaign

SCENARIO = "quadrants"
TARGET = 50 * u.arcsec


@dataclass(frozen=True, kw_only=True)
class QuadrantAgreement:
    """What was found against how the campaign was made.

    Parameters
    ----------
    place_pulls
        Displacements less truth in standard uncertainties, every quadrant, axis and
        round, both less what all quadrants have in common.
    largest_mm
        Largest difference of a displacement from truth.
    hpd
        Name, value, uncertainty and truth of every predicted HPD at best focus, arcsec.
    """

    place_pulls: np.ndarray
    largest_mm: float
    hpd: tuple[tuple[str, float, float, float], ...]

    @property
    def hpd_pulls(self) -> np.ndarray:
        """Predicted HPD less truth, in standard uncertainties."""
        return np.array([(value - true) / error for _, value, error, true in self.hpd])

    def as_text(self) -> str:
        """Return the comparison in a few lines."""
        rms = math.sqrt(float(np.mean(self.place_pulls**2)))
        lines = [
            f"displacements against truth: rms pull {rms:.2f}, largest "
            f"{np.abs(self.place_pulls).max():.2f} standard uncertainties, "
            f"{self.largest_mm:.3f} mm"
        ]
        lines += [
            f"HPD {name}: {value:.2f} ± {error:.2f} arcsec, truth {true:.2f}"
            for name, value, error, true in self.hpd
        ]
        return "\n".join(lines)


def run_quadrant_demo(
    folder: Path,
    *,
    options: QuadrantOptions | None = None,
    progress: Progress | None = None,
) -> str:
    """Make the campaign of displaced quadrants once, work on it, compare with its truth.

    Parameters
    ----------
    folder
        Gets ``campaign``, ``campaign.truth.json`` and ``results``.
    options, progress
        As for :func:`beamreduce.reduction.quadrants_run.run_quadrants`.

    Raises
    ------
    OutputError
        When the folder holds a campaign of another scenario.
    """
    campaign, truth_file = folder / "campaign", folder / "campaign.truth.json"
    if not (campaign.exists() and truth_file.exists()):
        simulate_campaign(SCENARIO, campaign, progress=progress)
    truth = read_truth(truth_file, SCENARIO, read_scenario(SCENARIO).sha256)
    options = options or QuadrantOptions(update=True, target_hpd=TARGET)
    done = run_quadrants(campaign, folder / "results", options=options, progress=progress)
    agreement = compare_quadrants(done.found, done.content, truth["quadrants"])
    return "\n".join(
        [
            quadrants_text(done.content),
            agreement.as_text(),
            f"campaign: {campaign}   results: {done.folder}   truth: {truth_file}",
            f"next: open {done.folder}/report.html",
        ]
    )


def compare_quadrants(
    found: QuadrantsFound, content: Mapping[str, object], truth: Mapping[str, object]
) -> QuadrantAgreement:
    """Set displacements and predicted sizes against their truth.

    Parameters
    ----------
    found, content
        What a run found, and what quadrants.json holds.
    truth
        ``quadrants`` of the truth file.
    """
    true_rounds: Sequence[Mapping[str, object]] = truth["rounds"]  # type: ignore[assignment]
    edges = quadrants_of(found.last.measured[0].request.setup)
    pulls, differences = [], []
    for one in found.rounds:
        displaced = one.displaced
        if displaced is None:
            continue
        known = true_rounds[one.round.number]["displacement_mm"]
        true = np.array([known[name] for name in displaced.names])  # type: ignore[index]
        along = np.array([outwards(edges[name]) for name in displaced.names])
        moved, outward = common_moves(true, along)
        true = true - moved
        if not displaced.keeps_outward:
            true = true - outward * along
        apart = displaced.angle_rad * found.detector_mm - true
        differences.append(np.hypot(*apart.T))
        pulls.append(apart / (displaced.error_rad * found.detector_mm))
    last = true_rounds[found.last.round.number]
    states = (
        ("as it is", "now", last["hpd_best_focus_arcsec"]),
        ("all on target", "coincident", truth["coincident"]["hpd_best_focus_arcsec"]),  # type: ignore[index]
    )
    hpd = []
    for name, key, true_hpd in states:
        value = content[f"hpd_{key}_arcsec"]
        if value is not None:
            error = math.hypot(value["uncertainty"], true_hpd["uncertainty"])  # type: ignore[index]
            hpd.append((name, value["value"], error, true_hpd["value"]))  # type: ignore[index]
    return QuadrantAgreement(
        place_pulls=np.concatenate(pulls).ravel(),
        largest_mm=float(np.concatenate(differences).max()),
        hpd=tuple(hpd),
    )
