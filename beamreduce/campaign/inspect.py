"""A campaign folder looked over: every problem at once, and what belongs together."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from beamreduce.campaign.adjusters import find_adjusters
from beamreduce.campaign.exposure_list import Progress
from beamreduce.campaign.frame_headers import FrameHeader, check_frame
from beamreduce.campaign.inspect_text import measurement_table
from beamreduce.campaign.matching import CampaignDraft, draft_campaign
from beamreduce.campaign.measurement_inputs import CalibratedBy, MeasurementInputs
from beamreduce.campaign.paths import EXPOSURE_FILE
from beamreduce.campaign.rounds import ROUND_FILE, Known, read_rounds
from beamreduce.campaign.setup_file import QUADRANTS
from beamreduce.errors import CampaignError, FrameError, Problem
from beamreduce.record import sha256_of_file


@dataclass(frozen=True, kw_only=True)
class FrameUse:
    """One exposure and what it does for one measurement.

    ``role`` is ``beam``, ``background``, ``direct``, ``direct background``, ``bias``,
    ``dark`` or ``flat``; ``file`` is empty for a counter.
    """

    measurement: str
    role: str
    exposure: str
    file: str


@dataclass(frozen=True, kw_only=True)
class Inspection:
    """What was found in a campaign folder.

    Parameters
    ----------
    folder
        The folder.
    name
        Name of the campaign; empty when ``campaign.toml`` cannot be used.
    problems
        Errors first, then warnings.
    measurements
        Settings and exposures of each measurement.
    uses
        Which exposure serves which measurement, and as what.
    checksums
        SHA-256 of every frame by its path in the campaign.
    frames
        Number of frames that hold a usable image.
    """

    folder: Path
    name: str
    problems: tuple[Problem, ...]
    measurements: tuple[MeasurementInputs, ...]
    uses: tuple[FrameUse, ...]
    checksums: Mapping[str, str]
    frames: int

    @property
    def errors(self) -> tuple[Problem, ...]:
        """Problems with which the campaign cannot be reduced."""
        return tuple(problem for problem in self.problems if not problem.warning)

    @property
    def warnings(self) -> tuple[Problem, ...]:
        """Problems with which it can."""
        return tuple(problem for problem in self.problems if problem.warning)

    @property
    def usable(self) -> bool:
        """True when there are no errors."""
        return not self.errors

    def as_text(self) -> str:
        """Return everything as plain text: table, problems, counts."""
        lines = [f"campaign {self.name or '(no name)'} in {self.folder}", ""]
        if self.measurements:
            lines += [*measurement_table(self.measurements), ""]
        else:
            lines += ["which frames belong together cannot be told", ""]
        for problem in self.problems:
            kind = "warning" if problem.warning else "error"
            lines.append(f"{kind}: {problem}")
        if self.problems:
            lines.append("")
        lines.append(
            f"{_count(len(self.measurements), 'measurement')}, "
            f"{_count(self.frames, 'usable frame')}, "
            f"{_count(len(self.errors), 'error')}, "
            f"{_count(len(self.warnings), 'warning')}"
        )
        return "\n".join(lines)


def inspect_campaign(folder: Path, progress: Progress | None = None) -> Inspection:
    """Check a campaign folder without reducing it.

    Reads ``campaign.toml``, ``exposures.ecsv``, ``nestings.ecsv``, ``adjusters.ecsv``,
    ``rounds.ecsv`` and every frame's header, size and checksums; pixels are read only for
    the checksums. When one file is broken the others are checked all the same.

    Parameters
    ----------
    folder
        The campaign folder.
    progress
        Called with (what, done, of how many) after each frame.
    """
    folder = Path(folder)
    checksums: dict[str, str] = {}

    def read(path: Path, file: str) -> tuple[FrameHeader | None, list[Problem]]:
        header, problems = check_frame(path, file)
        try:
            checksums[file] = sha256_of_file(path)
        except FrameError:
            return header, problems  # the unreadable file is among the problems
        return header, problems

    draft = draft_campaign(folder, read, progress)
    problems = [
        *draft.problems,
        *_quadrant_tables(folder, draft),
        *_same_content(checksums),
        *_lacking(draft),
    ]
    uses = tuple(use for inputs in draft.measurements for use in _uses(inputs))
    if draft.setup is not None:
        problems += _unused(draft, uses)
    return Inspection(
        folder=folder,
        name=draft.setup.name if draft.setup else "",
        problems=tuple(sorted(problems, key=lambda problem: problem.warning)),
        measurements=draft.measurements,
        uses=uses,
        checksums=checksums,
        frames=len(draft.headers),
    )


def _uses(inputs: MeasurementInputs) -> list[FrameUse]:
    """List every exposure that a measurement uses, once a role."""
    roles: dict[tuple[str, str], str] = {}
    groups: dict[str, tuple[CalibratedBy, ...]] = {
        "beam": inputs.beam,
        "background": inputs.background,
        "direct": inputs.direct,
        "direct background": inputs.direct_background,
    }
    for role, rows in groups.items():
        roles |= {(role, row.exposure.exposure): row.exposure.file for row in rows}
    every = [row for rows in groups.values() for row in rows]
    for role in ("bias", "dark", "flat"):
        masters = [m for row in every for m in getattr(row, role)]
        if role == "dark":
            masters += [m for row in every for m in row.flat_dark]
        roles |= {(role, master.exposure): master.file for master in masters}
    return [
        FrameUse(measurement=inputs.id, role=role, exposure=name, file=file)
        for (role, name), file in roles.items()
    ]


def _quadrant_tables(folder: Path, draft: CampaignDraft) -> tuple[Problem, ...]:
    """Look through the tables of adjusters and of rounds, where there are any.

    A log of rounds names measurements: it waits until those can be made out.
    """
    declared = draft.setup.quadrants if draft.setup is not None else {}
    quadrants = tuple(declared or QUADRANTS)
    broken = any(not problem.warning for problem in draft.problems)
    try:
        adjusters = find_adjusters(folder, quadrants)
        if not broken and (folder / ROUND_FILE).exists():
            known = Known.of(quadrants, adjusters, draft.measurements)
            read_rounds(folder / ROUND_FILE, known)
    except CampaignError as error:
        return error.problems
    return ()


def _same_content(checksums: Mapping[str, str]) -> list[Problem]:
    """Warn of frames that are copies of each other."""
    first: dict[str, str] = {}
    return [
        Problem(
            file=file,
            found=f"the same bytes as in {earlier}",
            expected="every exposure with a frame of its own",
            action="check whether a frame was copied under the wrong name",
            warning=True,
        )
        for file, digest in checksums.items()
        if (earlier := first.setdefault(digest, file)) != file
    ]


def _lacking(draft: CampaignDraft) -> list[Problem]:
    """Warn of what measurements have to go without, once for all of them."""
    expected = {
        "direct": "direct rows of the same energy and detector, for effective areas",
        "direct_background": "background rows that serve the direct rows",
    }
    problems = []
    for key, wanted in expected.items():
        notes: dict[str, list[str]] = {}
        for inputs in draft.measurements:
            if key in inputs.notes:
                notes.setdefault(inputs.notes[key], []).append(inputs.id)
        problems += [
            Problem(
                file=EXPOSURE_FILE,
                item=f"measurement{'s' if len(ids) > 1 else ''} {', '.join(ids)}",
                found=note,
                expected=wanted,
                action="add them if they were taken",
                warning=True,
            )
            for note, ids in notes.items()
        ]
    return problems


def _unused(draft: CampaignDraft, uses: tuple[FrameUse, ...]) -> list[Problem]:
    """Warn of exposures that serve no measurement."""
    used = {use.exposure for use in uses}
    return [
        Problem(
            file=EXPOSURE_FILE,
            item=f"exposure {exposure.exposure}",
            found=f"a {exposure.kind} row that serves no measurement",
            expected="energy, aperture, detector and shape of a beam row (darks without "
            "bias frames: also its exposure time)",
            action="check its settings, or leave it as it is",
            warning=True,
        )
        for exposure in draft.exposures
        if exposure.exposure not in used
    ]


def _count(number: int, name: str) -> str:
    return f"{number} {name}{'' if number == 1 else 's'}"
