"""A whole campaign: settings, exposures, mirror, and what belongs to what."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from beamreduce.campaign.belonging import match
from beamreduce.campaign.decisions import (
    Decision,
    chosen_reductions,
    excluded_exposures,
)
from beamreduce.campaign.exposure import Exposure
from beamreduce.campaign.exposure_list import (
    HeaderReader,
    Progress,
    RowContext,
    make_exposures,
    read_headers,
)
from beamreduce.campaign.exposure_table import ExposureTable, read_exposure_table
from beamreduce.campaign.frame_headers import FrameHeader, read_frame_header
from beamreduce.campaign.measurement_inputs import CalibratedBy, MeasurementInputs
from beamreduce.campaign.paths import check_folder, find_inside, is_awaited
from beamreduce.campaign.plausible import check_together
from beamreduce.campaign.setup_file import Setup, SetupDraft, draft_setup
from beamreduce.campaign.setup_tables import Reduction
from beamreduce.errors import CampaignError, Problem
from beamreduce.mirror import PRESCRIPTION_FILE, Prescription, find_prescription

__all__ = [
    "Awaited",
    "CalibratedBy",
    "Campaign",
    "CampaignDraft",
    "MeasurementInputs",
    "draft_campaign",
    "read_campaign",
]


@dataclass(frozen=True, kw_only=True)
class Awaited:
    """A row whose frame is not there yet; its kind is empty where only a card says it."""

    exposure: str
    kind: str
    group: str | None
    file: str


@dataclass(frozen=True, kw_only=True)
class Campaign:
    """A campaign folder that has been read and checked, pixels apart.

    Parameters
    ----------
    folder
        Where it is.
    setup
        Its settings.
    exposures
        Every exposure, in the order of the table.
    prescription
        The nest of cones.
    measurements
        In the order of their names.
    warnings
        What looks wrong but does not keep the campaign from being reduced.
    awaited
        Rows left out of all the rest because their frame is not there yet.
    decisions
        Decisions that were applied, in order.
    excluded
        Exposures that they leave out of all the rest.
    chosen
        Settings of the measurements for which they change any, by id.
    """

    folder: Path
    setup: Setup
    exposures: tuple[Exposure, ...]
    prescription: Prescription
    measurements: tuple[MeasurementInputs, ...]
    warnings: tuple[Problem, ...] = ()
    awaited: tuple[Awaited, ...] = ()
    decisions: tuple[Decision, ...] = ()
    excluded: frozenset[str] = frozenset()
    chosen: Mapping[str, Reduction] = field(default_factory=dict)

    def setup_of(self, identity: str) -> Setup:
        """Return the settings of one measurement, decisions applied."""
        reduction = self.chosen.get(identity, self.setup.reduction)
        return replace(self.setup, reduction=reduction)


@dataclass(frozen=True, kw_only=True)
class CampaignDraft:
    """As much of a campaign as can be read, and every problem with it.

    Each part stands for itself: None or empty where it cannot be had.
    """

    setup: Setup | None = None
    table: ExposureTable | None = None
    exposures: tuple[Exposure, ...] = ()
    headers: Mapping[str, FrameHeader]
    prescription: Prescription | None = None
    measurements: tuple[MeasurementInputs, ...] = ()
    awaited: tuple[Awaited, ...] = ()
    excluded: frozenset[str] = frozenset()
    chosen: Mapping[str, Reduction] = field(default_factory=dict)
    problems: tuple[Problem, ...]


def read_campaign(
    folder: Path, *, growing: bool = False, decisions: Sequence[Decision] = ()
) -> Campaign:
    """Read settings, exposures, nestings and frame headers of a campaign folder.

    Parameters
    ----------
    folder
        Holds ``campaign.toml``, ``exposures.ecsv``, the frames and perhaps
        ``nestings.ecsv``. It is never written.
    growing
        The table may be ahead of the frames: rows whose frame is not there yet are left
        out, instead of being a problem, and told in ``awaited``.
    decisions
        Applied in order, as :func:`read_decisions` gives them. What is wrong with a frame
        that they leave out is no problem.

    Raises
    ------
    CampaignError
        With every problem of the folder that is no mere warning.
    """
    folder = Path(folder)
    draft = draft_campaign(folder, read_frame_header, growing=growing, decisions=decisions)
    errors = [problem for problem in draft.problems if not problem.warning]
    if errors or draft.setup is None or draft.prescription is None:
        raise CampaignError(errors)
    return Campaign(
        folder=folder,
        setup=draft.setup,
        exposures=draft.exposures,
        prescription=draft.prescription,
        measurements=draft.measurements,
        warnings=tuple(draft.problems),
        awaited=draft.awaited,
        decisions=tuple(decisions),
        excluded=draft.excluded,
        chosen=draft.chosen,
    )


def draft_campaign(
    folder: Path,
    reader: HeaderReader,
    progress: Progress | None = None,
    *,
    growing: bool = False,
    decisions: Sequence[Decision] = (),
) -> CampaignDraft:
    """Read what can be read of a campaign folder, and collect all problems.

    Parameters
    ----------
    folder
        The folder.
    reader
        Reads and checks one frame's header: path, and name for messages.
    progress
        Called with (what, done, of how many) after each frame.
    growing, decisions
        As in :func:`read_campaign`.
    """
    problem = check_folder(folder)
    if problem is not None:
        return CampaignDraft(headers={}, problems=(problem,))
    setup = draft_setup(folder)
    table, problems = read_exposure_table(folder)
    if table is None and any("pencil-beam" in problem.found for problem in problems):
        # One sentence: nothing else matters for a campaign of that kind.
        return CampaignDraft(headers={}, problems=tuple(problems))
    problems = [*setup.problems, *problems]
    headers: dict[str, FrameHeader] = {}
    exposures: list[Exposure] = []
    lost: frozenset[str] = frozenset()
    awaited: tuple[Awaited, ...] = ()
    excluded: frozenset[str] = frozenset()
    if table is not None:
        names = {str(row.get("exposure")) for row in table.cells}
        excluded, found = excluded_exposures(decisions, names)
        problems += found
        table = table.without(excluded)
        awaited = _awaited(folder, table) if growing else ()
        absent = {row.file for row in awaited}
        headers, found = read_headers(folder, table, reader, progress, awaited=absent)
        problems += found
        context = RowContext(
            detector_names=setup.detector_names, cards=setup.cards, headers=headers
        )
        exposures, lost, found = make_exposures(table, context)
        problems += found
        exposures = [exposure for exposure in exposures if exposure.file not in absent]
        lost |= {row.kind for row in awaited}
    prescription, found = _prescription(folder, setup)
    problems += found
    measurements, found = _match(setup.setup, (exposures, lost), headers)
    problems += found
    chosen: Mapping[str, Reduction] = {}
    if setup.setup is not None:
        chosen, found = chosen_reductions(decisions, setup.setup.reduction, measurements)
        problems += found
    return CampaignDraft(
        setup=setup.setup,
        table=table,
        exposures=tuple(exposures),
        headers=headers,
        prescription=prescription,
        measurements=measurements,
        awaited=awaited,
        excluded=excluded,
        chosen=chosen,
        problems=tuple(problems),
    )


def _awaited(folder: Path, table: ExposureTable) -> tuple[Awaited, ...]:
    absent = {file for file in table.files if is_awaited(folder, file)}
    return tuple(
        Awaited(
            exposure=str(row.get("exposure")),
            kind=str(row.get("kind") or ""),
            group=None if row.get("group") is None else str(row["group"]),
            file=str(row["file"]),
        )
        for row in table.cells
        if row.get("file") in absent
    )


def _prescription(
    folder: Path, setup: SetupDraft
) -> tuple[Prescription | None, list[Problem]]:
    """Find the nest, unless the settings it depends on cannot be read."""
    if setup.setup is None:
        return None, []
    path, trouble = find_inside(folder, PRESCRIPTION_FILE)
    if path is None and (folder / PRESCRIPTION_FILE).is_symlink():
        found, action = trouble
        expected = "the table of nestings"
        return None, [
            Problem(file=PRESCRIPTION_FILE, found=found, expected=expected, action=action)
        ]
    return find_prescription(folder, setup.setup.mirror)


def _match(
    setup: Setup | None,
    rows: tuple[list[Exposure], frozenset[str]],
    headers: Mapping[str, FrameHeader],
) -> tuple[tuple[MeasurementInputs, ...], list[Problem]]:
    """Check settings and exposures against each other, then match the exposures."""
    exposures, lost = rows
    if setup is None or (not exposures and not lost):
        return (), []
    usable = [e for e in exposures if (e.detector or "") in setup.detectors]
    shapes = {e.exposure: headers[e.file].shape for e in usable if e.file in headers}
    measurements, problems = match(usable, setup, shapes, lost)
    return measurements, check_together(setup, usable) + problems
