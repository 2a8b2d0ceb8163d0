"""The largest changes that do not matter, and what both runs have in common."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path

import astropy.units as u

from beamreduce.before_after.equivalence import Assurance
from beamreduce.errors import Problem, ResultsError, SettingsError
from beamreduce.units import parse_quantity

FORMAT = "beamreduce-margins/1"
# Terms of the uncertainty budgets whose error is the same in both runs as long as both
# declare the same, which of detector and filters means that they are the same. Families of
# slope errors, the background's model and area without usable pixels depend on the
# exposures themselves and are each run's own, unless said.
COMMON_BY_DEFAULT = (
    "pixel size",
    "detector distance",
    "source distance",
    "source diameter",
    "focal length",
    "inner radius",
    "reflector length",
    "reflector thickness",
    "gap",
    "roughness",
    "coating density",
    "pre collimator length",
    "nesting radius",
    "form of roughness",
    "table of optical constants",
    "detector efficiency",
    "filter transmission",
    "line fraction",
    "photon scale",
    "linearity of the detector",
)


@dataclass(frozen=True, kw_only=True)
class Margin:
    """Largest change that does not matter, absolute or as a part of the value before."""

    size: float
    relative: bool = False
    unit: str = ""

    def of(self, before: float) -> float:
        """Return the margin in the unit of the quantity."""
        return abs(before) * self.size if self.relative else self.size

    def __str__(self) -> str:
        return f"{self.size:.4g} {self.unit}" if not self.relative else f"{self.size:.3g}"


@dataclass(frozen=True, kw_only=True)
class Margins:
    """One margin for each kind of quantity.

    Parameters
    ----------
    hpd, w90
        Diameters; by default 3 % and 6 % of the value before.
    eef
        Encircled energy at any radius, in shares of 1; by default 0.03.
    area
        Effective area; by default 5 % of the value before.
    position
        Place of the image on each axis, as an angle from the mirror; by default 5 arcsec.
    quadrant_position
        The same for a quadrant against the mean of all quadrants; by default 3 arcsec.
    """

    hpd: Margin = field(default=Margin(size=0.03, relative=True))
    w90: Margin = field(default=Margin(size=0.06, relative=True))
    eef: Margin = field(default=Margin(size=0.03))
    area: Margin = field(default=Margin(size=0.05, relative=True))
    position: Margin = field(default=Margin(size=5.0, unit="arcsec"))
    quadrant_position: Margin = field(default=Margin(size=3.0, unit="arcsec"))


_UNITS = {
    "hpd": u.arcsec,
    "w90": u.arcsec,
    "eef": None,
    "area": u.cm**2,
    "position": u.arcsec,
    "quadrant_position": u.arcsec,
}
_RELATIVE = ("hpd", "w90", "area")


@dataclass(frozen=True, kw_only=True)
class CompareSettings:
    """All that a comparison depends on beside the results.

    Parameters
    ----------
    margins
        Largest changes that do not matter.
    assurance
        How sure verdicts have to be.
    distance_tolerance_mm
        Detector distances that differ by no more are the same plane.
    detector_not_moved
        True when stage and detector are known not to have been touched between the runs,
        so that places of images can be compared without recorded stage positions.
    common
        Names of terms that are common to both runs when the settings agree.
    """

    margins: Margins = field(default_factory=Margins)
    assurance: Assurance = field(default_factory=Assurance)
    distance_tolerance_mm: float = 0.1
    detector_not_moved: bool = False
    common: tuple[str, ...] = COMMON_BY_DEFAULT

    def as_plain(self) -> dict[str, object]:
        """Return the settings as a margins file holds them."""
        margins: dict[str, object] = {}
        for item in fields(self.margins):
            one = getattr(self.margins, item.name)
            if one.relative:
                margins[item.name] = f"{one.size * 100:.12g} %"
            elif one.unit:
                margins[item.name] = f"{one.size!r} {one.unit}"
            else:
                margins[item.name] = one.size
        return {
            "confidence": self.assurance.confidence,
            "power": self.assurance.power,
            "distance_tolerance": f"{self.distance_tolerance_mm!r} mm",
            "detector_not_moved": self.detector_not_moved,
            "common": list(self.common),
            "margins": margins,
        }


def read_margins(path: Path) -> CompareSettings:
    """Read a margins file; what it leaves out keeps its default.

    Raises
    ------
    ResultsError
        When it cannot be read, or a key or value cannot be used.
    """
    try:
        stored = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise _refused(path, "", f"no sound TOML ({error})", "a margins file") from None
    if stored.pop("format", None) != FORMAT:
        raise _refused(path, "format", "another format", f'format = "{FORMAT}"')
    return settings_from(stored, path)


def settings_from(stored: Mapping[str, object], path: Path) -> CompareSettings:
    """Return the settings that a table holds, as ``as_plain`` gives and files keep them.

    Parameters
    ----------
    stored
        The table, without its format: a margins file, or ``[compare]`` of settings.toml.
    path
        Where it is from, for messages.

    Raises
    ------
    ResultsError
        When a key or value cannot be used.
    """
    readers = {
        "confidence": _number,
        "power": _number,
        "distance_tolerance": _distance,
        "detector_not_moved": _yes_or_no,
        "common": _names,
        "margins": _margins,
    }
    unknown = sorted(set(stored) - set(readers))
    if unknown:
        raise _refused(path, unknown[0], "a key that is not known", ", ".join(readers))
    try:
        values = {key: readers[key](value, key) for key, value in stored.items()}
        assured = {k: values.pop(k) for k in ("confidence", "power") if k in values}
        return CompareSettings(assurance=Assurance(**assured), **_renamed(values))
    except SettingsError as error:
        raise ResultsError(f"{path}: {error}") from None


def _renamed(values: Mapping[str, object]) -> dict[str, object]:
    names = {"distance_tolerance": "distance_tolerance_mm"}
    return {names.get(key, key): value for key, value in values.items()}


def _margins(value: object, name: str) -> Margins:
    if not isinstance(value, dict):
        raise SettingsError(f"{name} must be a table; got {value!r}")
    unknown = sorted(set(value) - set(_UNITS))
    if unknown:
        raise SettingsError(
            f"{name}.{unknown[0]} is not known; expected {', '.join(_UNITS)}"
        )
    return Margins(**{key: _margin(entry, key) for key, entry in value.items()})


def _margin(value: object, key: str) -> Margin:
    unit = _UNITS[key]
    name = f"margins.{key}"
    if isinstance(value, str) and value.strip().endswith("%") and key in _RELATIVE:
        share = parse_quantity(value, u.percent, name=name).value / 100
        return Margin(size=_above_zero(share, name), relative=True)
    if unit is None:
        return Margin(size=_above_zero(_number(value, name), name))
    size = float(parse_quantity(value, unit, name=name).value)
    return Margin(size=_above_zero(size, name), unit=unit.to_string())


def _distance(value: object, name: str) -> float:
    return _above_zero(float(parse_quantity(value, u.mm, name=name).value), name)


def _above_zero(value: float, name: str) -> float:
    if not value > 0:
        raise SettingsError(f"{name} must be above zero; got {value:g}")
    return value


def _number(value: object, name: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise SettingsError(f"{name} must be a number; got {value!r}")
    return float(value)


def _yes_or_no(value: object, name: str) -> bool:
    if not isinstance(value, bool):
        raise SettingsError(f"{name} must be true or false; got {value!r}")
    return value


def _names(value: object, name: str) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(one, str) for one in value):
        raise SettingsError(f"{name} must be a list of names of terms; got {value!r}")
    return tuple(value)


def _refused(path: Path, item: str, found: str, expected: str) -> ResultsError:
    problem = Problem(
        file=str(path),
        item=item,
        found=found,
        expected=expected,
        action="see docs/compare.md",
    )
    return ResultsError(str(problem))
