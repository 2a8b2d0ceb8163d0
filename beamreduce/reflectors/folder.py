"""A folder of height maps: read and checked as a whole before anything is measured."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from beamreduce.errors import Problem, ReflectorError
from beamreduce.mirror import Nesting, Prescription
from beamreduce.reflectors.grading import check_limits
from beamreduce.reflectors.map_list import MAPS_FILE, Reflector, read_map_list
from beamreduce.reflectors.setup import (
    SETTINGS_FILE,
    ReflectorSetup,
    read_reflector_setup,
)


@dataclass(frozen=True, kw_only=True)
class ReflectorFolder:
    """What a folder of maps says.

    Parameters
    ----------
    folder
        Where it is.
    setup
        Content of ``reflectors.toml``, with the mirror.
    reflectors
        Those that ``maps.ecsv`` lists, in its order.
    warnings
        What looks wrong, though it can be used.
    """

    folder: Path
    setup: ReflectorSetup
    reflectors: tuple[Reflector, ...]
    warnings: tuple[Problem, ...]


def read_reflector_folder(folder: Path | str) -> ReflectorFolder:
    """Read ``reflectors.toml``, ``maps.ecsv`` and what goes with them.

    Raises
    ------
    ReflectorError
        With every problem of the folder: keys, cells, files that are not there, limits
        that overlap or leave reflectors out, nestings that the mirror does not have.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise ReflectorError(
            f"{folder}: found {'a file' if folder.exists() else 'no such folder'}; "
            f"expected a folder with {SETTINGS_FILE} and {MAPS_FILE}; check the path"
        )
    setup, problems = read_reflector_setup(folder)
    reflectors, found = read_map_list(folder)
    problems += found
    problems += check_limits(
        setup.limits, ((r.stage, r.nesting) for r in reflectors), file=SETTINGS_FILE
    )
    if setup.prescription is not None:
        problems += _strangers(setup.prescription, reflectors)
    names = set(setup.plan.quadrants)
    problems += [
        Problem(
            file=MAPS_FILE,
            item=f"reflector {r.reflector}, column quadrant",
            found=repr(r.quadrant),
            expected=f"one of {', '.join(setup.plan.quadrants)}, or nothing",
            action="correct the cell",
        )
        for r in reflectors
        if r.quadrant and r.quadrant not in names
    ]
    errors = [problem for problem in problems if not problem.warning]
    if errors:
        raise ReflectorError(errors)
    return ReflectorFolder(
        folder=folder, setup=setup, reflectors=reflectors, warnings=tuple(problems)
    )


def grazing_angles(setup: ReflectorSetup) -> Callable[[Reflector], float | None]:
    """Return a function that gives the grazing angle (rad) a reflector works at.

    For light of a star on the axis: the primary's own angle, and ``secondary − 2 primary``
    on the secondary. None without a mirror.
    """
    if setup.prescription is None:
        return lambda reflector: None
    nests = {nesting.number: nesting for nesting in setup.prescription.nestings}
    return lambda reflector: grazing_rad(nests[reflector.nesting], reflector.stage)


def grazing_rad(nesting: Nesting, stage: str) -> float:
    """Return the grazing angle of light parallel to the axis on one stage."""
    if stage == "primary":
        return nesting.primary_angle_rad
    return nesting.secondary_angle_rad - 2 * nesting.primary_angle_rad


def _strangers(
    prescription: Prescription, reflectors: tuple[Reflector, ...]
) -> list[Problem]:
    there = {nesting.number for nesting in prescription.nestings}
    strange = {r.nesting: r for r in reversed(reflectors) if r.nesting not in there}
    return [
        Problem(
            file=MAPS_FILE,
            item=f"reflector {reflector.reflector}, column nesting",
            found=f"{number}",
            expected=f"a nesting of the mirror, {min(there)} to {max(there)}",
            action="correct the cell, or the mirror",
        )
        for number, reflector in sorted(strange.items())
    ]
