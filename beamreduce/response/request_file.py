"""The file that says what is wanted: energies, angles, radii, line shape."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.campaign.toml_section import Section, Trouble
from beamreduce.errors import SettingsError
from beamreduce.record.ranges import ABOVE_ZERO, FRACTION, Range
from beamreduce.response.energy_grid import SPACINGS
from beamreduce.response.keywords import Instrument
from beamreduce.units import parse_quantity

FORMAT = "beamreduce-grid/1"
DEFAULT_STEP = 10 * u.eV
_BINS = Range(words="from 1 to 100000", low=1, high=100_000)
_SHORT = Range(words="of at most 68 characters", low=0, high=68)


@dataclass(frozen=True, kw_only=True)
class EnergyRequest:
    """The ``[energy]`` table; None for what follows from the measured lines."""

    lowest: Quantity | None = None
    highest: Quantity | None = None
    spacing: str = "linear"
    step: Quantity = DEFAULT_STEP
    bins: int = 1000
    edges: Quantity | None = None
    refine_edges: bool = False
    refine_width: Quantity = 20 * u.eV
    refine_step: Quantity = 1 * u.eV
    extrapolate: bool = False


@dataclass(frozen=True, kw_only=True)
class LineRequest:
    """The ``[redistribution]`` table: how lines look, and the channels.

    ``detector`` is the name of one of the campaign's detectors, None for that of the lines
    on the axis.
    """

    detector: str | None = None
    escape_fraction: float = 0.0
    shelf_fraction: float = 0.0
    line_width: Quantity | tuple[Quantity, Quantity] | None = None
    spectra: str | None = None
    channel_width: Quantity | None = None
    lowest_channel: Quantity | None = None
    highest_channel: Quantity | None = None
    threshold: float = 1e-9


@dataclass(frozen=True, kw_only=True)
class SurfaceRequest:
    """The ``[surface]`` table: bounds within which coating and roughness are fitted."""

    density: tuple[Quantity, Quantity]
    roughness: tuple[Quantity, Quantity]


@dataclass(frozen=True, kw_only=True)
class ResponseRequest:
    """What is wanted.

    Parameters
    ----------
    energy, line, surface, instrument
        The tables of the file; ``surface`` None to fit nothing.
    angles
        Off-axis angles and azimuths; None for those that were measured.
    radii
        Angular radii for areas inside them; None for the reference radius.
    content
        The file as it was read, for the record.
    """

    energy: EnergyRequest = field(default_factory=EnergyRequest)
    line: LineRequest = field(default_factory=LineRequest)
    surface: SurfaceRequest | None = None
    instrument: Instrument = field(default_factory=Instrument)
    angles: tuple[tuple[Quantity, Quantity], ...] | None = None
    radii: Quantity | None = None
    content: Mapping[str, object] = field(default_factory=dict)


def read_request(path: Path | str) -> ResponseRequest:
    """Read a grid file (TOML).

    Raises
    ------
    SettingsError
        With all that is wrong in it: no such file, syntax, unknown keys, values.
    """
    path = Path(path)
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise SettingsError(
            f"{path}: found {error.strerror}; expected a TOML file that says what response "
            f"files are wanted; check --grid"
        ) from None
    except ValueError as error:
        raise SettingsError(
            f"{path}: found no TOML ({error}); expected TOML; correct the file"
        ) from None
    problems: list = []
    top = Section(content, "", problems, file=path.name)
    top.text("format", (FORMAT,), required=True)
    tables = {
        name: Section(_table(content, name), name, problems, file=path.name)
        for name in ("energy", "off_axis", "inside", "redistribution", "surface", "names")
    }
    top.known.update(tables)
    for name in tables:
        if not isinstance(content.get(name, {}), Mapping):
            top.report(name, repr(content[name]), "a table", f"write it under [{name}]")
    energy = _energy(tables["energy"])
    line = _line(tables["redistribution"])
    angles = _angles(tables["off_axis"])
    radii = tables["inside"].read("radii", _angle_list)
    surface = _surface(tables["surface"])
    instrument = _instrument(tables["names"])
    for section in (top, *tables.values()):
        section.unknown()
    # A key that does nothing would change results without a word.
    if problems:
        raise SettingsError("\n".join(str(problem) for problem in problems))
    return ResponseRequest(
        energy=energy,
        line=line,
        surface=surface,
        instrument=instrument,
        angles=angles,
        radii=radii,
        content=content,
    )


def _table(content: Mapping[str, object], name: str) -> Mapping[str, object]:
    table = content.get(name, {})
    return table if isinstance(table, Mapping) else {}


def _given(values: Mapping[str, object]) -> dict[str, object]:
    return {key: value for key, value in values.items() if value is not None}


def _energy(section: Section) -> EnergyRequest:
    values = {
        key: section.quantity(key, u.keV, ABOVE_ZERO)
        for key in ("lowest", "highest", "step", "refine_width", "refine_step")
    }
    values |= {
        "spacing": section.text("spacing", SPACINGS),
        "bins": section.integer("bins", _BINS),
        "edges": section.read("edges", _energy_list),
        "refine_edges": section.truth("refine_edges"),
        "extrapolate": section.truth("extrapolate"),
    }
    return EnergyRequest(**_given(values))


def _line(section: Section) -> LineRequest:
    values = {
        key: section.number(key, FRACTION)
        for key in ("escape_fraction", "shelf_fraction", "threshold")
    }
    values |= {
        key: section.quantity(key, u.keV, ABOVE_ZERO)
        for key in ("channel_width", "lowest_channel", "highest_channel")
    }
    values["line_width"] = section.value_or_energy_table(
        "line_width", u.eV, table_only=False
    )
    values |= {key: section.text(key) for key in ("spectra", "detector")}
    return LineRequest(**_given(values))


def _angles(section: Section) -> tuple[tuple[Quantity, Quantity], ...] | None:
    angles = section.read("angles", _angle_list)
    azimuths = section.read("azimuths", _azimuth_list)
    if angles is None:
        return None
    azimuths = [0] * u.deg if azimuths is None else azimuths
    return tuple((angle, azimuth) for angle in angles for azimuth in azimuths)


def _surface(section: Section) -> SurfaceRequest | None:
    density = section.read("density", _pair_of(u.g / u.cm**3))
    roughness = section.read("roughness", _pair_of(u.nm))
    if (density is None) != (roughness is None):
        section.report("density", "bounds of one", "bounds of density and roughness",
                       "give both, or take the table out")  # fmt: skip
    if density is None or roughness is None:
        return None
    return SurfaceRequest(density=density, roughness=roughness)


def _instrument(section: Section) -> Instrument:
    values = {
        key: section.text(key)
        for key in ("telescope", "instrument", "filter", "valid_from")
    }
    for key, value in values.items():
        if value is not None and (not value.isascii() or not _SHORT.holds(len(value))):
            section.report(key, repr(value), f"plain ASCII {_SHORT.words}", "shorten it")
    return Instrument(**_given(values))


def _list_of(unit: u.UnitBase, example: str, *, zero: bool = False) -> object:
    trouble = Trouble(f"a list such as {example}")

    def read(value: object) -> Quantity | Trouble:
        if not isinstance(value, list) or not value:
            return trouble
        try:
            numbers = [parse_quantity(one, unit, name="value").value for one in value]
        except SettingsError as error:
            return Trouble(f"a list such as {example} ({error})")
        if min(numbers) < 0 or (min(numbers) == 0 and not zero):
            return trouble
        return np.array(numbers) * unit

    return read


_energy_list = _list_of(u.keV, '["1.4 keV", "1.5 keV"]')
_angle_list = _list_of(u.arcmin, '["30 arcsec", "1 arcmin"]', zero=True)
_azimuth_list = _list_of(u.deg, '["0 deg", "90 deg"]', zero=True)


def _pair_of(unit: u.UnitBase) -> object:
    trouble = Trouble(f'two rising values such as ["1 {unit}", "2 {unit}"]')

    def read(value: object) -> tuple[Quantity, Quantity] | Trouble:
        found = _list_of(unit, f'["1 {unit}", "2 {unit}"]', zero=True)(value)
        if isinstance(found, Trouble):
            return found
        if found.size != 2 or found[1] <= found[0]:
            return trouble
        return found[0], found[1]

    return read
