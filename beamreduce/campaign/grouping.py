"""Exposures that were taken as many frames of one setting."""

import math
from collections.abc import Mapping

from astropy.units import Quantity

from beamreduce.campaign.exposure import Exposure
from beamreduce.campaign.paths import EXPOSURE_FILE
from beamreduce.errors import Problem

# Settings are compared as written; the last digits are lost when units are converted.
_SAME = 1e-6

_AGREE = {
    "beam": (
        "aperture",
        "energy",
        "off_axis",
        "azimuth",
        "detector_distance",
        "detector",
    ),
    "direct": ("energy", "detector"),
    "background": ("energy", "aperture", "detector"),
}


def same_number(one: Quantity | None, two: Quantity | None) -> bool:
    """Return True for two absent values, and for two that agree to one in a million."""
    if one is None or two is None:
        return one is two
    return math.isclose(one.value, two.to_value(one.unit), rel_tol=_SAME, abs_tol=1e-12)


def group_beams(
    by_kind: Mapping[str, tuple[Exposure, ...]], shapes: Mapping[str, tuple[int, int]]
) -> tuple[dict[str, tuple[Exposure, ...]], list[Problem]]:
    """Return the beam exposures of each measurement by its name, and disagreements.

    Parameters
    ----------
    by_kind
        All exposures by kind.
    shapes
        Rows and columns of each frame by exposure, where known.
    """
    problems = []
    for kind, columns in _AGREE.items():
        for name, members in _groups(by_kind.get(kind, ())).items():
            problems += _disagreements(kind, name, (members, columns))
            problems += _shape_disagreements(name, members, shapes)
    beams = by_kind.get("beam", ())
    groups = {name: tuple(members) for name, members in _groups(beams).items()}
    single = [exposure for exposure in beams if exposure.group is None]
    problems += _clashes(list(groups), [exposure.exposure for exposure in single])
    groups |= {exposure.exposure: (exposure,) for exposure in single}
    return groups, problems


def _groups(exposures: tuple[Exposure, ...]) -> dict[str, list[Exposure]]:
    groups: dict[str, list[Exposure]] = {}
    for exposure in exposures:
        if exposure.group is not None:
            groups.setdefault(exposure.group, []).append(exposure)
    return groups


def _value(exposure: Exposure, column: str) -> object:
    value = getattr(exposure, column)
    if column == "aperture" and exposure.kind == "beam":
        return value or "full"
    return value


def _disagreements(
    kind: str, name: str, content: tuple[list[Exposure], tuple[str, ...]]
) -> list[Problem]:
    """Return a problem for each column in which a group does not agree."""
    members, columns = content
    problems = []
    for column in columns:
        first = _value(members[0], column)
        for other in members[1:]:
            value = _value(other, column)
            numbers = isinstance(first, Quantity) or isinstance(value, Quantity)
            if same_number(first, value) if numbers else first == value:
                continue
            problems.append(
                Problem(
                    file=EXPOSURE_FILE,
                    item=f"exposure {other.exposure}, column {column}",
                    found=f"{_shown(value)} in the {kind} group {name}, where "
                    f"{members[0].exposure} has {_shown(first)}",
                    expected="one setting in a group",
                    action="correct the cell, or give the exposure another group",
                )
            )
    return problems


def _shown(value: object) -> str:
    return "nothing" if value is None else str(value)


def _shape_disagreements(
    name: str, members: list[Exposure], shapes: Mapping[str, tuple[int, int]]
) -> list[Problem]:
    """Return a problem for each frame whose size is not that of its group's first."""
    known = [(m, shapes[m.exposure]) for m in members if m.exposure in shapes]
    return [
        Problem(
            file=other.file,
            item="NAXIS1, NAXIS2",
            found=f"{shape[1]} × {shape[0]} pixels in group {name}, where "
            f"{known[0][0].exposure} has {known[0][1][1]} × {known[0][1][0]}",
            expected="frames of one shape in a group",
            action="give the exposure another group, or take the right frame",
        )
        for other, shape in known[1:]
        if shape != known[0][1]
    ]


def _clashes(groups: list[str], exposures: list[str]) -> list[Problem]:
    """Return a problem for each pair of measurements whose files would have one name."""
    first: dict[str, str] = {}
    problems = []
    for kind, name in [("group", g) for g in sorted(groups)] + [
        ("exposure", e) for e in exposures
    ]:
        earlier = first.setdefault(name.casefold(), f"{kind} {name}")
        if earlier == f"{kind} {name}":
            continue
        problems.append(
            Problem(
                file=EXPOSURE_FILE,
                item=f"{kind} {name}",
                found=f"a second measurement beside {earlier}",
                expected="groups and ungrouped beam exposures with different names "
                "(case does not count)",
                action="rename one of them",
            )
        )
    return problems
