"""Which measurement of the first run belongs to which of the second."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import astropy.units as u

from beamreduce.before_after.margins import CompareSettings
from beamreduce.errors import ResultsError, SettingsError
from beamreduce.record import ResultsFolder
from beamreduce.units import parse_quantity

Record = Mapping[str, object]

# What makes one mirror another; relative where a length, since later runs may know better.
_SAME_LENGTH = 0.005  # a focal length that the angles contradict by more is refused, too
_LENGTHS = (
    "focal_length",
    "inner_radius",
    "outer_radius",
    "reflector_length",
    "reflector_thickness",
)
_WORDS = ("coating", "bar_count")
# Lines are typed in by hand, to four digits at best; angles by dials.
_SAME_ENERGY = 0.002
_SAME_OFF_AXIS_ARCMIN = 0.02
_SAME_AZIMUTH_DEG = 0.5


@dataclass(frozen=True, kw_only=True)
class Pair:
    """One setting, measured before and after.

    Parameters
    ----------
    before, after
        The measurements as results.json holds them.
    same_plane
        True when the detector stood at the same distance.
    """

    before: Record
    after: Record
    same_plane: bool

    @property
    def id(self) -> str:
        """Name of the pair: that of the measurement before."""
        return str(self.before["id"])


@dataclass(frozen=True, kw_only=True)
class Paired:
    """Both runs, measurement by measurement.

    Parameters
    ----------
    pairs
        In the order of the first run.
    left_out
        (id, reason) of measurements without a partner.
    """

    pairs: tuple[Pair, ...]
    left_out: tuple[tuple[str, str], ...]


def refuse_other_mirror(before: ResultsFolder, after: ResultsFolder) -> None:
    """Refuse to compare two mirrors.

    Raises
    ------
    ResultsError
        When radii, lengths, thickness or coating differ by more than 0.5 %.
    """
    first, second = (_table(run, "mirror") for run in (before, after))
    for key in (*_LENGTHS, *_WORDS):
        one, other = first.get(key), second.get(key)
        same = _same_length(one, other) if key in _LENGTHS else one == other
        if not same:
            raise ResultsError(
                f"{after.folder / 'settings.toml'}: mirror.{key}: found {other!r}; "
                f"expected {one!r}, as in {before.folder}, since only results of one "
                f"mirror can be compared; check which folders belong together"
            )


def pair_up(
    before: ResultsFolder, after: ResultsFolder, settings: CompareSettings
) -> Paired:
    """Find the measurements of both runs that were made at the same setting.

    Aperture, energy, off-axis angle and azimuth make a setting; within one the detector
    distance does. Where several are alike those with the same id belong together, and the
    rest in the order of their ids when there are as many in both.
    """
    pairs: list[Pair] = []
    left_out: list[tuple[str, str]] = []
    free = list(after.measurements.values())
    for group in _groups(list(before.measurements.values())):
        partners = [m for m in free if _same_setting(group[0], m)]
        free = [m for m in free if not any(m is p for p in partners)]
        found, lonely = _within_setting(group, partners, settings)
        pairs += found
        left_out += lonely
    left_out += [(str(m["id"]), "measured after only") for m in free]
    return Paired(pairs=tuple(pairs), left_out=tuple(left_out))


def _groups(measurements: Iterable[Record]) -> list[list[Record]]:
    groups: list[list[Record]] = []
    for one in measurements:
        for group in groups:
            if _same_setting(group[0], one):
                group.append(one)
                break
        else:
            groups.append([one])
    return groups


def _within_setting(
    group: Sequence[Record], partners: Sequence[Record], settings: CompareSettings
) -> tuple[list[Pair], list[tuple[str, str]]]:
    """Pair measurements of one setting by detector distance, ids first."""
    tolerance = settings.distance_tolerance_mm
    pairs, left, free = [], [], list(partners)
    for one in sorted(group, key=lambda m: not any(p["id"] == m["id"] for p in partners)):
        near = [p for p in free if _apart_mm(one, p) <= tolerance]
        same_id = [p for p in near if p["id"] == one["id"]]
        others = [m for m in group if _apart_mm(one, m) <= tolerance]
        rivals = [p for p in partners if _apart_mm(one, p) <= tolerance]
        if same_id or (near and len(others) == len(rivals)):
            partner = same_id[0] if same_id else min(near, key=lambda p: str(p["id"]))
            free = [p for p in free if p is not partner]
            pairs.append(Pair(before=one, after=partner, same_plane=True))
        elif near:
            reason = (
                f"{len(others)} measurements like it before and {len(rivals)} after, of "
                f"other names: which belong together is not known"
            )
            left.append((str(one["id"]), reason))
        else:
            left.append((str(one["id"]), "not measured after at this setting and distance"))
    if not pairs and group and partners:
        # A star does not mind where the detector stood.
        one, partner = min(
            ((m, p) for m in group for p in partners), key=lambda both: _apart_mm(*both)
        )
        pairs.append(Pair(before=one, after=partner, same_plane=False))
        left = [entry for entry in left if entry[0] != one["id"]]
        free = [p for p in free if p is not partner]
    left += [(str(p["id"]), "measured after only") for p in free]
    order = [id(m) for m in group]
    return sorted(pairs, key=lambda pair: order.index(id(pair.before))), left


def _same_setting(one: Record, other: Record) -> bool:
    if one["aperture"] != other["aperture"]:
        return False
    if not math.isclose(one["energy_keV"], other["energy_keV"], rel_tol=_SAME_ENERGY):
        return False
    if abs(one["off_axis_arcmin"] - other["off_axis_arcmin"]) > _SAME_OFF_AXIS_ARCMIN:
        return False
    if one["off_axis_arcmin"] <= _SAME_OFF_AXIS_ARCMIN:
        return True  # on the axis there is no azimuth
    a, b = one.get("azimuth_deg"), other.get("azimuth_deg")
    if a is None or b is None:
        return a is b
    return abs((a - b + 180) % 360 - 180) <= _SAME_AZIMUTH_DEG


def _apart_mm(one: Record, other: Record) -> float:
    return abs(one["detector_distance_mm"] - other["detector_distance_mm"])


_OF_DETECTOR = (
    "pixel size",
    "detector efficiency",
    "photon scale",
    "linearity of the detector",
)


def same_declared(before: ResultsFolder, after: ResultsFolder, term: str) -> bool:
    """Return True when both runs declare alike what a term of a budget comes from.

    Terms that have no setting of their own count as declared alike.
    """
    key = term.replace(" ", "_")
    special = {
        **dict.fromkeys(_OF_DETECTOR, (("detectors", None),)),
        "form of roughness": (("mirror", "roughness_model"), ("mirror", "roughness")),
        "table of optical constants": (
            ("mirror", "optical_constants"),
            ("mirror", "coating"),
        ),
    }
    places = special.get(term, (("facility", key), ("mirror", key)))
    return all(_same_entry(before, after, table, name) for table, name in places)


def _same_entry(
    before: ResultsFolder, after: ResultsFolder, table: str, key: str | None
) -> bool:
    """Compare a value and its uncertainty, or a whole table."""
    first, second = (_table(run, table) for run in (before, after))
    if key is None:
        return first == second
    uncertain = [
        _table(run, "uncertainties").get(f"{table}.{key}") for run in (before, after)
    ]
    return first.get(key) == second.get(key) and uncertain[0] == uncertain[1]


def _table(run: ResultsFolder, name: str) -> Mapping[str, object]:
    table = run.settings.get(name, {})
    return table if isinstance(table, dict) else {}


def _same_length(one: object, other: object) -> bool:
    if one is None or other is None:
        return one is other
    try:
        values = [float(parse_quantity(v, u.mm, name="").value) for v in (one, other)]
    except SettingsError:
        return False
    return math.isclose(*values, rel_tol=_SAME_LENGTH)
