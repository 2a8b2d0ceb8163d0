"""The tables of a scenario, each a record that knows how its keys are read."""

import re
from collections.abc import Callable, Mapping
from dataclasses import MISSING, dataclass, field, fields
from typing import TypeVar

import astropy.units as u
from astropy.units import Quantity

from beamreduce.errors import SettingsError
from beamreduce.units import parse_quantity

_FLUX = u.ph / (u.cm**2 * u.s)
_RATE = 1 / u.s
_NAME = re.compile(r"[A-Za-z0-9._-]{1,61}")  # room for the number of the frame
KINDS = ("beam", "direct", "background", "dark", "bias", "flat")

Reader = Callable[[object, str], object]
Record = TypeVar("Record")


def _by(read: Reader) -> dict[str, Reader]:
    """Return the metadata of a field that is read by a function."""
    return {"read": read}


def _quantity(unit: u.UnitBase, *, least: float = 0.0) -> Reader:
    def read(value: object, name: str) -> Quantity:
        quantity = parse_quantity(value, unit, name=name)
        if quantity.value < least:
            raise SettingsError(f"{name} must be at least {least:g} {unit}; got {value!r}")
        return quantity

    return read


def _number(least: float, most: float) -> Reader:
    def read(value: object, name: str) -> float:
        plain = isinstance(value, int | float) and not isinstance(value, bool)
        if not plain or not least <= value <= most:
            raise SettingsError(
                f"{name} must be a number from {least:g} to {most:g}; got {value!r}"
            )
        return float(value)

    return read


def _whole(least: int) -> Reader:
    def read(value: object, name: str) -> int:
        if not isinstance(value, int) or isinstance(value, bool) or value < least:
            raise SettingsError(
                f"{name} must be a whole number of at least {least}; got {value!r}"
            )
        return value

    return read


def _text(value: object, name: str) -> str:
    if not isinstance(value, str):
        raise SettingsError(f"{name} must be text; got {value!r}")
    return value


def _identifier(value: object, name: str) -> str:
    if not isinstance(value, str) or not _NAME.fullmatch(value):
        raise SettingsError(
            f"{name} must be 1 to 61 of the characters A-Z a-z 0-9 . _ -; got {value!r}"
        )
    return value


def _one_of(*words: str) -> Reader:
    def read(value: object, name: str) -> str:
        if value not in words:
            raise SettingsError(f"{name} must be one of {', '.join(words)}; got {value!r}")
        return str(value)

    return read


def _yes_or_no(value: object, name: str) -> bool:
    if not isinstance(value, bool):
        raise SettingsError(f"{name} must be true or false; got {value!r}")
    return value


def _two(read_one: Reader) -> Reader:
    def read(value: object, name: str) -> tuple[object, object]:
        if not isinstance(value, list) or len(value) != 2:
            raise SettingsError(f"{name} must be a list of two; got {value!r}")
        return read_one(value[0], name), read_one(value[1], name)

    return read


_ANY = -float("inf")


def _shift() -> tuple[Quantity, Quantity]:
    return field(metadata=_by(_two(_quantity(u.mm, least=_ANY))))


def _tilt() -> tuple[Quantity, Quantity]:
    read = _two(_quantity(u.arcsec, least=_ANY))
    return field(default=(0 * u.arcsec, 0 * u.arcsec), metadata=_by(read))


@dataclass(frozen=True, kw_only=True)
class FigureAsMade:
    """``[made.figure]``: errors of the surfaces, places of the quadrants, scatter.

    Slopes are in the plane of reflection, but for ``across_slope``. A positive mean slope
    makes light land further out (a steeper primary, a flatter secondary).
    """

    core_slope: Quantity = field(metadata=_by(_quantity(u.arcsec)))
    tail_slope: Quantity = field(metadata=_by(_quantity(u.arcsec)))
    tail_share: float = field(metadata=_by(_number(0, 1)))
    reflector_offset: Quantity = field(metadata=_by(_quantity(u.arcsec)))
    scatter_width: Quantity = field(metadata=_by(_quantity(u.arcsec)))
    shift_Q1: tuple[Quantity, Quantity] = _shift()
    shift_Q2: tuple[Quantity, Quantity] = _shift()
    shift_Q3: tuple[Quantity, Quantity] = _shift()
    shift_Q4: tuple[Quantity, Quantity] = _shift()
    across_slope: Quantity = field(
        default=0 * u.arcsec, metadata=_by(_quantity(u.arcsec))
    )  # about the generator of the cone
    primary_mean_slope: Quantity = field(
        default=0 * u.arcsec, metadata=_by(_quantity(u.arcsec, least=_ANY))
    )  # common cone-angle error of the stage
    secondary_mean_slope: Quantity = field(
        default=0 * u.arcsec, metadata=_by(_quantity(u.arcsec, least=_ANY))
    )
    tilt_Q1: tuple[Quantity, Quantity] = _tilt()  # lean of the axis along x and y
    tilt_Q2: tuple[Quantity, Quantity] = _tilt()
    tilt_Q3: tuple[Quantity, Quantity] = _tilt()
    tilt_Q4: tuple[Quantity, Quantity] = _tilt()


@dataclass(frozen=True, kw_only=True)
class SensorAsMade:
    """``[made.sensor]``: what campaign.toml does not say about the detector."""

    columns: int = field(metadata=_by(_whole(16)))
    rows: int = field(metadata=_by(_whole(16)))
    image_center: tuple[float, float] = field(metadata=_by(_two(_number(-1e4, 1e4))))
    charge_cloud: float = field(
        default=0.0, metadata=_by(_number(0, 5))
    )  # standard deviation in pixels
    bias_level: Quantity = field(default=0 * u.adu, metadata=_by(_quantity(u.adu)))
    bias_pattern: Quantity = field(default=0 * u.adu, metadata=_by(_quantity(u.adu)))
    dark_current: Quantity = field(
        default=0 * u.electron / u.s, metadata=_by(_quantity(u.electron / u.s))
    )
    response_spread: float = field(default=0.0, metadata=_by(_number(0, 0.2)))
    flat_light: Quantity = field(
        default=0 * u.electron / u.s, metadata=_by(_quantity(u.electron / u.s))
    )
    hot_pixels: int = field(default=0, metadata=_by(_whole(0)))
    hot_current: Quantity = field(
        default=0 * u.electron / u.s, metadata=_by(_quantity(u.electron / u.s))
    )
    dead_pixels: int = field(default=0, metadata=_by(_whole(0)))
    stuck_pixels: int = field(default=0, metadata=_by(_whole(0)))
    cosmic_rays: Quantity = field(
        default=0 / (u.cm**2 * u.min), metadata=_by(_quantity(1 / (u.cm**2 * u.min)))
    )


@dataclass(frozen=True, kw_only=True)
class BackgroundAsMade:
    """``[made.background]``: photons that are there without the beam."""

    rate: Quantity = field(
        metadata=_by(_quantity(_RATE))
    )  # a pixel, in the middle of the frame
    energy: Quantity = field(metadata=_by(_quantity(u.keV, least=0.05)))
    gradient: tuple[float, float] = field(
        default=(0.0, 0.0), metadata=_by(_two(_number(-1, 1)))
    )  # over the frame


@dataclass(frozen=True, kw_only=True)
class MonitorAsMade:
    """``[made.monitor]``: drift of the source and what the monitor makes of it."""

    drift: float = field(default=0.0, metadata=_by(_number(0, 0.5)))  # amplitude of a sine
    drift_period: Quantity = field(
        default=3600 * u.s, metadata=_by(_quantity(u.s, least=1.0))
    )
    dead_time: Quantity = field(default=0 * u.s, metadata=_by(_quantity(u.s)))
    background_rate: Quantity = field(default=0 * _RATE, metadata=_by(_quantity(_RATE)))


@dataclass(frozen=True, kw_only=True)
class Line:
    """``[[made.line]]``: one energy of the source; flux at the reference plane."""

    name: str = field(metadata=_by(_identifier))
    energy: Quantity = field(metadata=_by(_quantity(u.keV, least=0.05)))
    flux: Quantity = field(metadata=_by(_quantity(_FLUX)))
    filter_transmission: float = field(default=1.0, metadata=_by(_number(0.0, 1.0)))
    filter_transmission_uncertainty: float = field(
        default=0.0, metadata=_by(_number(0.0, 1.0))
    )
    detector_efficiency: float = field(default=1.0, metadata=_by(_number(0.0, 1.0)))
    detector_efficiency_uncertainty: float = field(
        default=0.0, metadata=_by(_number(0.0, 1.0))
    )


@dataclass(frozen=True, kw_only=True)
class ExposureSet:
    """``[[made.exposures]]``: frames that are taken alike, one after the other.

    ``strength`` is that of the source relative to the line's flux. With ``grouped`` the
    frames are one measurement of the set's name, without it each is its own.
    """

    name: str = field(metadata=_by(_identifier))
    kind: str = field(metadata=_by(_one_of(*KINDS)))
    frames: int = field(metadata=_by(_whole(1)))
    exposure_time: Quantity = field(metadata=_by(_quantity(u.s)))
    line: str = field(default="", metadata=_by(_text))
    detector_distance: Quantity | None = field(default=None, metadata=_by(_quantity(u.mm)))
    grouped: bool = field(default=True, metadata=_by(_yes_or_no))
    aperture: str = field(default="", metadata=_by(_text))
    off_axis: Quantity | None = field(default=None, metadata=_by(_quantity(u.arcmin)))
    azimuth: Quantity | None = field(
        default=None, metadata=_by(_quantity(u.deg, least=_ANY))
    )
    off_axis_by: str = field(
        default="mirror_tilt", metadata=_by(_one_of("mirror_tilt", "source_shift"))
    )
    strength: float = field(default=1.0, metadata=_by(_number(0, 1e6)))
    background: str = field(default="", metadata=_by(_text))
    comment: str = field(default="", metadata=_by(_text))
    round: int = field(default=0, metadata=_by(_whole(0)))  # moves made before it

    @property
    def distance_mm(self) -> float:
        """Distance of the detector from the reference plane."""
        return float(self.detector_distance.to_value(u.mm))

    @property
    def off_axis_arcmin(self) -> float:
        """Angle of the source from the mirror's axis, 0 when not given."""
        return 0.0 if self.off_axis is None else float(self.off_axis.to_value(u.arcmin))

    @property
    def azimuth_deg(self) -> float | None:
        """Azimuth of the source, None when not given."""
        return None if self.azimuth is None else float(self.azimuth.to_value(u.deg))


@dataclass(frozen=True, kw_only=True)
class ReflectorsAsMade:
    """``[made]`` of a scenario of reflectors: how they came out of forming and coating.

    Roughness of a reflector is ``roughness`` times normal laws in its logarithm: its own
    (``spread``), its batch's (``batch_spread``); mandrel ``bad_mandrel`` makes it
    ``bad_mandrel_factor`` as large, the last ``drifting_runs`` coating runs
    ``drift_factor``. The spectrum of a surface is a power law between two waves.
    """

    reflectors: int = field(metadata=_by(_whole(8)))
    map_points: int = field(metadata=_by(_whole(16)))
    pixel_size: Quantity = field(metadata=_by(_quantity(u.um, least=1e-3)))
    roughness: Quantity = field(metadata=_by(_quantity(u.nm, least=1e-3)))
    spread: float = field(metadata=_by(_number(0, 1)))
    batch_spread: float = field(metadata=_by(_number(0, 1)))
    exponent: float = field(metadata=_by(_number(0, 4)))
    longest_wave: Quantity = field(metadata=_by(_quantity(u.um, least=1e-3)))
    nestings_a_mandrel: int = field(metadata=_by(_whole(1)))
    reflectors_a_batch: int = field(metadata=_by(_whole(1)))
    reflectors_a_run: int = field(metadata=_by(_whole(1)))
    bad_mandrel: str = field(default="", metadata=_by(_text))
    bad_mandrel_factor: float = field(default=1.0, metadata=_by(_number(0.1, 10)))
    drifting_runs: int = field(default=0, metadata=_by(_whole(0)))
    drift_factor: float = field(default=1.0, metadata=_by(_number(0.1, 10)))
    second_maps: int = field(default=0, metadata=_by(_whole(0)))
    spikes: int = field(default=0, metadata=_by(_whole(0)))
    hole_fraction: float = field(default=0.0, metadata=_by(_number(0, 0.2)))
    sag: Quantity = field(default=0 * u.nm, metadata=_by(_quantity(u.nm)))


@dataclass(frozen=True, kw_only=True)
class AdjusterAsMade:
    """``[[made.adjuster]]``: a row of adjusters.ecsv.

    ``works`` is how far it really moves for what it says: known to nobody else.
    """

    quadrant: str = field(metadata=_by(_identifier))
    adjuster: str = field(metadata=_by(_identifier))
    motion: str = field(metadata=_by(_one_of("shift", "tilt")))
    direction: str = field(metadata=_by(_text))
    step: str = field(metadata=_by(_text))
    travel_min: str = field(metadata=_by(_text))
    travel_max: str = field(metadata=_by(_text))
    stage: str = field(
        default="both", metadata=_by(_one_of("both", "primary", "secondary"))
    )
    pivot: str = field(default="", metadata=_by(_text))
    locked: bool = field(default=False, metadata=_by(_yes_or_no))
    works: float = field(default=1.0, metadata=_by(_number(0.0, 2.0)))


@dataclass(frozen=True, kw_only=True)
class MoveAsMade:
    """``[[made.move]]``: steps of one adjuster between two rounds of exposures."""

    round: int = field(metadata=_by(_whole(1)))
    quadrant: str = field(metadata=_by(_identifier))
    adjuster: str = field(metadata=_by(_identifier))
    planned: int = field(metadata=_by(_whole(-(10**6))))
    done: int = field(metadata=_by(_whole(-(10**6))))


@dataclass(frozen=True, kw_only=True)
class Truth:
    """``[made.truth]``: how many traced photons each true value rests on, at least."""

    photons: int = field(metadata=_by(_whole(2000)))


def read_record(
    kind: type[Record], table: object, where: str, problems: list[str]
) -> Record | None:
    """Read one table into its record; None, and every reason in ``problems``, if not."""
    if not isinstance(table, Mapping):
        problems.append(f"{where} must be a table; got {table!r}")
        return None
    before = len(problems)
    known = {item.name: item for item in fields(kind)}
    for name in table.keys() - known.keys():
        problems.append(f"{where}.{name} is not known; expected {', '.join(known)}")
    values = {}
    for name, item in known.items():
        if name in table:
            try:
                values[name] = item.metadata["read"](table[name], f"{where}.{name}")
            except SettingsError as error:
                problems.append(str(error))
        elif item.default is MISSING:
            problems.append(f"{where}.{name} is missing; add it")
    return kind(**values) if len(problems) == before else None
