"""The command ``quadrants``: a campaign in, positions and moves of its quadrants out."""

import re
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import astropy.units as u
from astropy.units import Quantity

from beamreduce.campaign import (
    Adjuster,
    Campaign,
    MeasurementInputs,
    find_adjusters,
    quadrants_of,
    read_campaign,
)
from beamreduce.campaign.rounds import (
    ROUND_FILE,
    Known,
    Round,
    read_rounds,
    single_round,
)
from beamreduce.errors import CampaignError, Problem, SettingsError
from beamreduce.infinity.declared import WHOLE
from beamreduce.reduction.locate import locate
from beamreduce.reduction.output_folder import (
    open_output,
    put_in_place,
    refuse_inside_campaign,
)
from beamreduce.reduction.quadrant_folds import (
    FoldedQuadrant,
    MeasuredQuadrant,
    fold_quadrants,
    measure_quadrant,
)
from beamreduce.reduction.quadrants_files import QuadrantsRun, write_quadrants
from beamreduce.reduction.quadrants_step import QuadrantsFound, find_quadrants
from beamreduce.reduction.request import MeasureRequest
from beamreduce.reduction.workers import Workers

Progress = Callable[[str, int, int], None]
_LIKE_A_QUADRANT = re.compile(r"\s*(q|quadrant|quad)[ _-]*\d+\s*", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True)
class QuadrantOptions:
    """How to run.

    Parameters
    ----------
    rounds
        Log of rounds; None takes ``rounds.ecsv`` of the campaign where there is one.
    target_hpd
        Half-power diameter, as an angle, that errors of alignment bars have to keep; None
        leaves the budget of bars out.
    update
        Replace earlier results, which are moved aside.
    jobs
        Processes to use.
    figures
        Draw figures.
    """

    rounds: Path | None = None
    target_hpd: Quantity | None = None
    update: bool = False
    jobs: int = 1
    figures: bool = True


@dataclass(frozen=True, kw_only=True)
class QuadrantsDone:
    """What a run left behind.

    Parameters
    ----------
    folder
        Where the results are.
    found
        What they say.
    content
        What quadrants.json holds.
    before
        Where earlier results were moved to.
    warnings
        What looks wrong in the campaign.
    """

    folder: Path
    found: QuadrantsFound
    content: Mapping[str, object]
    before: Path | None
    warnings: tuple[Problem, ...] = ()


@dataclass(frozen=True, kw_only=True)
class QuadrantInputs:
    """What a campaign has for its quadrants, checked.

    Parameters
    ----------
    adjusters
        None when it has no table of them.
    rounds, log
        The log, and its file; None without one.
    requests
        Every image that the log names.
    """

    adjusters: tuple[Adjuster, ...] | None
    rounds: tuple[Round, ...]
    log: Path | None
    requests: tuple[MeasureRequest, ...]


def quadrant_inputs(campaign: Campaign, rounds: Path | None = None) -> QuadrantInputs:
    """Find images of single quadrants, adjusters and the log of rounds.

    Parameters
    ----------
    campaign
        What was read.
    rounds
        A log elsewhere; None takes the campaign's where it has one.

    Raises
    ------
    CampaignError
        When there is no image of a single quadrant, or a table cannot be used.
    """
    inputs = _single_quadrants(campaign)
    adjusters = find_adjusters(campaign.folder, quadrants_of(campaign.setup))
    found, log = _rounds(campaign, rounds, inputs, adjusters)
    wanted = {identity for one in found for identity in one.measured}
    requests = tuple(
        MeasureRequest(
            folder=campaign.folder,
            setup=campaign.setup,
            inputs=one,
            reference_radius=campaign.setup.reduction.reference_radius,
            prescription=campaign.prescription,
        )
        for one in inputs
        if one.id in wanted
    )
    _check_stages(found, requests)
    return QuadrantInputs(adjusters=adjusters, rounds=found, log=log, requests=requests)


def by_quadrant(
    measured: Sequence[MeasuredQuadrant],
) -> list[tuple[str, tuple[MeasuredQuadrant, ...]]]:
    """Return the images of each quadrant, in the order of quadrants."""
    names = quadrants_of(measured[0].request.setup)
    seen = [name for name in names if any(m.image.aperture == name for m in measured)]
    return [(n, tuple(m for m in measured if m.image.aperture == n)) for n in seen]


def run_quadrants(
    campaign_folder: Path | str,
    output_folder: Path | str,
    *,
    options: QuadrantOptions | None = None,
    progress: Progress | None = None,
) -> QuadrantsDone:
    """Find where the images of quadrants are, and which moves make them coincide.

    Parameters
    ----------
    campaign_folder
        Holds exposures of single quadrants; never written.
    output_folder
        Made whole or not at all.
    options
        How to run.
    progress
        Called with (what, done, of how many).

    Raises
    ------
    CampaignError, FrameError, MeasurementError
        When the input cannot be used.
    OutputError
        When results cannot be written there.
    """
    options = options or QuadrantOptions()
    tell = progress or (lambda what, done, total: None)
    started = time.time()
    campaign = read_campaign(Path(campaign_folder))
    refuse_inside_campaign(campaign.folder, Path(output_folder))
    inputs = quadrant_inputs(campaign, options.rounds)
    with open_output(Path(output_folder), update=options.update) as output:
        with Workers(options.jobs) as run_all:
            measured, folded = _images(inputs, (run_all, tell))
        tell("moves and predictions", 0, 1)
        target = options.target_hpd
        target_rad = None if target is None else float(target.to_value(u.rad))
        wanted = inputs.adjusters, target_rad
        found = find_quadrants(campaign, inputs.rounds, measured, folded, wanted)
        tell("moves and predictions", 1, 1)
        content = write_quadrants(
            QuadrantsRun(
                campaign=campaign,
                output=output,
                found=found,
                log=inputs.log,
                target_hpd=options.target_hpd,
                figures=options.figures,
                started=started,
            )
        )
        before = put_in_place(output)
    return QuadrantsDone(
        folder=output.final,
        found=found,
        content=content,
        before=before,
        warnings=campaign.warnings,
    )


def parse_target(text: str) -> Quantity:
    """Read a half-power diameter such as ``"40 arcsec"``."""
    try:
        target = Quantity(text)
        angle = target.to(u.arcsec)
    except (TypeError, ValueError, u.UnitConversionError):
        raise SettingsError(
            f"the half-power diameter wanted must be an angle, such as '40 arcsec'; "
            f"got {text!r}"
        ) from None
    if not 0 < angle.value < 3600:
        raise SettingsError(
            f"the half-power diameter wanted must be above 0 and below a degree; "
            f"got {text!r}"
        )
    return angle


def _single_quadrants(campaign: Campaign) -> tuple[MeasurementInputs, ...]:
    """Measurements of single quadrants on the axis, all of one detector."""
    names = quadrants_of(campaign.setup)
    known = [m for m in campaign.measurements if m.aperture in names]
    found = tuple(m for m in known if not m.off_axis.value)
    if not found:
        apertures = sorted({m.aperture for m in campaign.measurements}) or ["none"]
        raise CampaignError(
            f"{campaign.folder}: exposures.ecsv: found no beam exposure on the axis with a "
            f"single quadrant open (apertures: {', '.join(apertures)}); expected at least "
            f"one of {', '.join(names)}; close all but one quadrant and name it in column "
            f"aperture, or name the azimuths of apertures in [quadrants]"
        )
    others = {m.aperture for m in campaign.measurements} - set(names) - {WHOLE}
    # Other openings are none of our business, unless a quadrant is meant.
    strange = sorted(name for name in others if _LIKE_A_QUADRANT.fullmatch(name))
    if strange:
        raise CampaignError(
            f"{campaign.folder}: exposures.ecsv: found the aperture {', '.join(strange)}; "
            f"expected {WHOLE} or one of {', '.join(names)}; correct it, or name its "
            f"azimuths in [quadrants]"
        )
    detectors = {m.detector.name for m in found}
    if len(detectors) > 1:
        raise CampaignError(
            f"{campaign.folder}: exposures.ecsv: found single quadrants on different "
            f"detectors ({', '.join(sorted(detectors))}); expected one, since places on "
            f"different detectors cannot be compared"
        )
    return found


def _rounds(
    campaign: Campaign,
    path: Path | None,
    inputs: Sequence[MeasurementInputs],
    adjusters: Sequence[Adjuster] | None,
) -> tuple[tuple[Round, ...], Path | None]:
    if path is None and (campaign.folder / ROUND_FILE).exists():
        path = campaign.folder / ROUND_FILE
    if path is None:
        return single_round([m.id for m in inputs]), None
    known = Known.of(quadrants_of(campaign.setup), adjusters, inputs)
    rounds = read_rounds(path, known)
    if not any(one.measured for one in rounds):
        raise CampaignError(
            f"{path.name}: found no row of action measured; expected the measurements of "
            f"each round; add them"
        )
    return rounds, path


def _images(
    inputs: QuadrantInputs, how: tuple[Callable[..., object], Progress]
) -> tuple[tuple[MeasuredQuadrant, ...], dict[str, FoldedQuadrant]]:
    """Measure what the log names, and fold each quadrant."""
    run_all, tell = how
    requests = inputs.requests
    if requests[0].reference_radius is None:
        radii = []
        for done, radius in enumerate(run_all(_largest_radius_mm, requests), 1):
            radii.append(radius)
            tell("centers", done, len(requests))
        common = min(radii) * u.mm
        requests = tuple(replace(one, reference_radius=common) for one in requests)
    measured = []
    for done, one in enumerate(run_all(measure_quadrant, requests), 1):
        measured.append(one)
        tell("images of quadrants", done, len(requests))
    order = [one.inputs.id for one in requests]
    measured.sort(key=lambda one: order.index(one.image.id))
    folded = fold_quadrants(
        by_quadrant(measured), run_all, partial(tell, "slope errors of quadrants")
    )
    return tuple(measured), folded


def _largest_radius_mm(request: MeasureRequest) -> float:
    # Rounded down, so that the circle fits whatever the last digits of a redo are.
    return int(locate(request).largest_radius_mm * 1000) / 1000


def _check_stages(rounds: Sequence[Round], requests: Sequence[MeasureRequest]) -> None:
    """Images of one round must share the place of the detector."""
    for one in rounds:
        rows = [r.inputs.beam[0].exposure for r in requests if r.inputs.id in one.measured]
        places = {
            tuple(None if p is None else float(p.to_value(u.mm))
                  for p in (row.detector_x, row.detector_y))
            for row in rows
        }  # fmt: skip
        if len(places) > 1:
            raise CampaignError(
                f"exposures.ecsv: found the detector at {len(places)} places "
                f"(detector_x, detector_y) in the images of round {one.number}; expected "
                f"one, since only then can places of images be compared; leave out the "
                f"others with a log of rounds"
            )
