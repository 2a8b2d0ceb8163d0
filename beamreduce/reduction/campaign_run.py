"""A whole campaign: every measurement, each finished one kept, put in place at the end."""

import json
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import astropy.units as u
from astropy.units import Quantity

from beamreduce.campaign import DECISIONS_FILE, Campaign, read_campaign, read_decisions
from beamreduce.errors import CampaignError, Problem
from beamreduce.frame import MasterCache
from beamreduce.record import Measurement, write_text_whole
from beamreduce.reduction.area_summary import area_summary
from beamreduce.reduction.configurations import (
    Configuration,
    configurations,
    result_keys,
)
from beamreduce.reduction.field_results import field_results
from beamreduce.reduction.infinity_run import FoldJob, fold_and_write
from beamreduce.reduction.keys import input_checksums, measurement_key
from beamreduce.reduction.lit_part import left_untested
from beamreduce.reduction.locate import locate
from beamreduce.reduction.measure import measure
from beamreduce.reduction.output_folder import (
    OutputFolder,
    discard_partial,
    mark_finished,
    open_output,
    put_in_place,
    read_json,
    refuse_inside_campaign,
)
from beamreduce.reduction.products import (
    folded_file,
    measured_file,
    remove_strangers,
    reuse_fold,
    reuse_products,
    write_products,
)
from beamreduce.reduction.request import MeasureRequest
from beamreduce.reduction.results_files import CampaignRun, write_campaign_results
from beamreduce.reduction.workers import Workers
from beamreduce.report import campaign_report

Progress = Callable[[str, int, int], None]
REPORT = "report.html"


@dataclass(frozen=True, kw_only=True)
class RunOptions:
    """How to run, as opposed to what to compute.

    Parameters
    ----------
    update
        Redo only what has changed when results are there.
    jobs
        Processes to use.
    figures
        Draw the figures of every measurement.
    decisions
        Table of decisions to apply.
    reference_radius
        Where the encircled energy is 1 if the campaign does not say; None takes the largest
        circle about every center. A rerun with frames missing keeps that of the whole run.
    """

    update: bool = False
    jobs: int = 1
    figures: bool = True
    decisions: Path | None = None
    reference_radius: Quantity | None = None


@dataclass(frozen=True, kw_only=True)
class ReducedCampaign:
    """What a run left behind.

    Parameters
    ----------
    folder
        The results folder.
    measurements
        Results of every measurement as results.json holds them.
    reused
        Ids whose key had not changed.
    before
        Where older results were moved to.
    warnings
        What looks wrong in the campaign, though it could be reduced.
    """

    folder: Path
    measurements: tuple[dict[str, object], ...]
    reused: tuple[str, ...]
    before: Path | None
    warnings: tuple[Problem, ...] = ()


def reduce_campaign(
    campaign_folder: Path | str,
    results_folder: Path | str,
    *,
    options: RunOptions | None = None,
    progress: Progress | None = None,
) -> ReducedCampaign:
    """Reduce a campaign folder to a results folder.

    Parameters
    ----------
    campaign_folder
        Holds campaign.toml, exposures.ecsv and frames; never written.
    results_folder
        Made whole or not at all; work in progress is kept in ``DIR.partial`` beside it
        and taken up again by the next run.
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
    options = options or RunOptions()
    started = time.time()
    decided = () if options.decisions is None else read_decisions(options.decisions)
    campaign = read_campaign(Path(campaign_folder), decisions=decided)
    if not campaign.measurements:
        raise CampaignError(
            f"{campaign_folder}: found no exposure of kind beam; expected at least one; "
            f"add rows of kind beam to exposures.ecsv, or exclude fewer"
        )
    refuse_inside_campaign(campaign.folder, Path(results_folder))
    tell = progress or (lambda what, done, total: None)
    _directs.cache_clear()
    _masters.cache_clear()  # frames and settings may have changed since an earlier run
    with open_output(Path(results_folder), update=options.update) as output:
        with Workers(options.jobs) as run_all:
            requests = _with_reference(
                campaign, output, run_all, tell, options.reference_radius
            )
            measured = {r.inputs.id: measurement_key(r) for r in requests}
            folds = configurations(requests)
            keys = result_keys(folds, measured)
            _reuse(output, (measured, keys), folds, figures=options.figures)
            todo = [
                r
                for r in requests
                if not _is_measured(output, r.inputs.id, measured[r.inputs.id])
            ]
            jobs = [(r, output, options.figures, measured[r.inputs.id]) for r in todo]
            for done, _ in enumerate(run_all(_measure_and_write, jobs), 1):
                tell("measurements", done, len(jobs))
            redone = _fold_all(output, folds, keys, (run_all, options, tell))
        work = (requests, folds, redone)
        return _finish(campaign, output, work, (started, options))


def _fold_all(
    output: OutputFolder,
    folds: Sequence[Configuration],
    keys: dict[str, str],
    how: "tuple[Callable[..., Iterator[object]], RunOptions, Progress]",
) -> list[str]:
    """Fold every configuration that is not finished, those that others wait for first.

    Returns the ids of their measurements.
    """
    run_all, options, tell = how
    todo = [one for one in folds if not _is_folded(output, one, keys)]
    done = 0
    for wave in sorted({one.wave for one in todo}):
        jobs = [
            FoldJob(
                configuration=one,
                output=output,
                keys={identity: keys[identity] for identity in one.ids},
                figures=options.figures,
            )
            for one in todo
            if one.wave == wave
        ]
        for _ in run_all(fold_and_write, jobs):
            done += 1
            tell("seen from infinity", done, len(todo))
    return [identity for one in todo for identity in one.ids]


def _finish(
    campaign: Campaign,
    output: OutputFolder,
    work: tuple[Sequence[MeasureRequest], Sequence[Configuration], Sequence[str]],
    how: tuple[float, RunOptions],
) -> ReducedCampaign:
    (requests, folds, redone), (started, options) = work, how
    measurements = tuple(
        json.loads(output.finished(request.inputs.id).read_text()) for request in requests
    )
    reused = tuple(m["id"] for m in measurements if m["id"] not in redone)
    remove_strangers(
        output.partial,
        [request.inputs.id for request in requests],
        [one.name.file_name for one in folds],
    )
    folded = [folded_file(output.partial, one.name.file_name) for one in folds]
    focus = [read_json(path).get("focus") for path in folded]
    write_campaign_results(
        CampaignRun(
            campaign=campaign,
            output=output,
            measurements=measurements,
            focus=[entry for entry in focus if entry is not None],
            not_tested=left_untested(campaign),
            effective_areas=area_summary(campaign, measurements),
            off_axis=field_results(campaign, output.partial, measurements),
            reference_radius=requests[0].reference_radius,
            started=started,
            folds=folds,
            figures=options.figures,
            decisions_file=options.decisions,
        )
    )
    write_text_whole(output.partial / REPORT, campaign_report(output.partial))
    before = None
    if not redone and _same_results(output):
        discard_partial(output)
    else:
        before = put_in_place(output)
    return ReducedCampaign(
        folder=output.final,
        measurements=measurements,
        reused=reused,
        before=before,
        warnings=campaign.warnings,
    )


def _same_results(output: OutputFolder) -> bool:
    """True when what is in place already is what would be put there."""
    names = ("results.json", "settings.toml", "provenance.json", REPORT, DECISIONS_FILE)
    pairs = [(output.final / name, output.partial / name) for name in names]
    return all(_bytes_of(a) == _bytes_of(b) for a, b in pairs)


def _bytes_of(path: Path) -> bytes | None:
    return path.read_bytes() if path.is_file() else None


def _with_reference(
    campaign: Campaign,
    output: OutputFolder,
    run_all: "Callable[..., Iterator[object]]",
    tell: Progress,
    known: Quantity | None,
) -> tuple[MeasureRequest, ...]:
    """Give every measurement the one reference radius of the campaign.

    Without a set or known value it is the largest circle about every center, so all
    centers are found first; what is found is kept by key, so that a resumed run need not
    again.
    """
    reference = campaign.setup.reduction.reference_radius
    requests = tuple(
        MeasureRequest(
            folder=campaign.folder,
            setup=campaign.setup_of(inputs.id),
            inputs=inputs,
            reference_radius=reference,
            prescription=campaign.prescription,
        )
        for inputs in campaign.measurements
    )
    if reference is not None:
        return requests
    if known is not None:
        return tuple(replace(request, reference_radius=known) for request in requests)
    jobs = [(request, output) for request in requests]
    radii = []
    for done, radius_mm in enumerate(run_all(_largest_radius_mm, jobs), 1):
        radii.append(radius_mm)
        tell("centers", done, len(jobs))
    common: Quantity = min(radii) * u.mm
    return tuple(replace(request, reference_radius=common) for request in requests)


def _largest_radius_mm(job: tuple[MeasureRequest, OutputFolder]) -> float:
    request, output = job
    # No measurement can be called that: names have no plus sign.
    note = f"{request.inputs.id}+center"
    key = measurement_key(request)
    found = output.note(note)
    if found.get("key") == key:
        return found["largest_radius_mm"]
    # Rounded down, so that the circle fits whatever the last digits of a redo are.
    largest_mm = int(locate(request, _masters()).largest_radius_mm * 1000) / 1000
    mark_finished(output, note, {"key": key, "largest_radius_mm": largest_mm})
    return largest_mm


@lru_cache(maxsize=1)
def _masters() -> MasterCache:
    """The masters that this process has made; measurements share most of them."""
    return MasterCache()


@lru_cache(maxsize=1)
def _directs() -> MasterCache:
    """The direct beams that this process has counted."""
    return MasterCache()


def _measure_and_write(job: tuple[MeasureRequest, OutputFolder, bool, str]) -> str:
    request, output, figures, key = job
    measured = measure(request, _masters(), _directs())
    measurement: Measurement = replace(
        measured.measurement, measured_key=key, inputs=input_checksums(request)
    )
    write_products(output.partial, measured, figures=figures)
    # Last: it says that all is there.
    text = json.dumps(measurement.to_json(), allow_nan=False, indent=1) + "\n"
    write_text_whole(measured_file(output.partial, measurement.id), text)
    return measurement.id


def _reuse(
    output: OutputFolder,
    keys: tuple[dict[str, str], dict[str, str]],
    folds: Sequence[Configuration],
    *,
    figures: bool,
) -> None:
    """Take over from the results in place all whose key is the same.

    What was measured is taken over by its own key, what was folded by the keys of all
    that was folded together.
    """
    measured, final = keys
    results = read_json(output.final / "results.json")
    listed = results.get("measurements")
    stored = {
        old["id"]: old
        for old in (listed if isinstance(listed, list) else ())
        if isinstance(old, dict) and "id" in old
    }
    for identity, key in measured.items():
        old = stored.get(identity, {})
        if old.get("measured_key") == key and not _is_measured(output, identity, key):
            reuse_products(output, old, figures=figures)
    for one in folds:
        name = one.name.file_name
        same = all(
            stored.get(i, {}).get("key") == final[i]
            and _is_measured(output, i, measured[i])
            for i in one.ids
        )
        if same and not _is_folded(output, one, final) and reuse_fold(output, name):
            for identity in one.ids:
                mark_finished(output, identity, stored[identity])


def _is_measured(output: OutputFolder, identity: str, key: str) -> bool:
    return read_json(measured_file(output.partial, identity)).get("measured_key") == key


def _is_folded(output: OutputFolder, one: Configuration, keys: dict[str, str]) -> bool:
    noted = read_json(folded_file(output.partial, one.name.file_name)).get("keys")
    wanted = {identity: keys[identity] for identity in one.ids}
    return noted == wanted and all(output.note(i).get("key") == keys[i] for i in one.ids)
