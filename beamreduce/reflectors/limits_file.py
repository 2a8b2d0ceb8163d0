"""``[[limits]]`` of ``reflectors.toml``: what separates flight, reserve and reject."""

from collections.abc import Mapping

import astropy.units as u

from beamreduce.campaign.toml_section import Section, Trouble, is_number
from beamreduce.errors import SettingsError
from beamreduce.record.ranges import ABOVE_ZERO, ZERO_OR_MORE
from beamreduce.reflectors.grading import DEFAULT_GUARD, STAGES, Limit
from beamreduce.units import parse_quantity

# What a limit may be set on, and its unit; the smaller, the better.
LENGTHS = ("Sa", "Sq", "Sz", "Sq_band")
ANGLES = ("figure_slope",)
BARE = ("Sku",)


def energy_name(kev: float) -> str:
    """Return how an energy is written in the names of columns, such as ``4.51keV``."""
    return f"{kev:g}keV"


def read_limits(
    top: Section, energies: tuple[float, ...], *, with_band: bool
) -> tuple[Limit, ...]:
    """Read the list ``[[limits]]``; Sq_band is known only where a band is declared."""
    top.known.add("limits")
    entries = top.table.get("limits", [])
    if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
        top.report("limits", repr(entries), "tables [[limits]]", "write them as tables")
        return ()
    units = _limit_units(energies, with_band=with_band)
    limits = []
    for number, entry in enumerate(entries, start=1):
        section = Section(entry, f"limits[{number}]", top.problems, file=top.file)
        limit = _limit(section, units)
        section.unknown()
        if limit is not None:
            limits.append(limit)
    return tuple(limits)


def _limit_units(
    energies: tuple[float, ...], *, with_band: bool
) -> Mapping[str, u.UnitBase | None]:
    """Return the quantities a limit may be set on, with their units."""
    units: dict[str, u.UnitBase | None] = {
        **dict.fromkeys(LENGTHS, u.nm),
        **dict.fromkeys(ANGLES, u.arcsec),
        **dict.fromkeys(BARE, None),
        **{f"scatter_{energy_name(e)}": None for e in energies},
    }
    if not with_band:
        del units["Sq_band"]
    return units


def _limit(section: Section, units: Mapping[str, u.UnitBase | None]) -> Limit | None:
    quantity = section.text("quantity", tuple(units), required=True)
    stage = section.text("stage", (*STAGES, "both"))
    nestings = section.read("nestings", _nestings)
    if quantity is None:
        section.known |= {"flight", "reserve", "guard"}
        return None
    unit = units[quantity]
    read = _bare if unit is None else _in_unit(unit)
    values = {}
    for key in ("flight", "reserve"):
        if key not in section.table and key == "flight":
            section.report(key, "nothing", "the limit of flight grade", "add the key")
        values[key] = section.read(key, read)
    guard = section.read("guard", lambda value: _guard(value, read))
    flight = values["flight"]
    if flight is None:
        return None
    # Without a reserve limit there are no reserves: the two limits are one.
    reserve = flight if values["reserve"] is None else values["reserve"]
    share, width = guard if guard is not None else (DEFAULT_GUARD, None)
    return Limit(
        quantity=quantity,
        stages=STAGES if stage in (None, "both") else (stage,),
        nestings=nestings,
        flight=flight,
        reserve=reserve,
        unit="" if unit is None else unit.to_string(),
        guard=share,
        guard_width=width,
    )


def _in_unit(unit: u.UnitBase) -> object:
    def read(value: object) -> float | Trouble:
        try:
            quantity = parse_quantity(value, unit, name="limit")
        except SettingsError:
            return Trouble(f'a value above zero such as "0.5 {unit}"')
        if quantity.value <= 0:
            return Trouble(f'a value above zero such as "0.5 {unit}"')
        return float(quantity.value)

    return read


def _bare(value: object) -> float | Trouble:
    if not is_number(value) or not ABOVE_ZERO.holds(value):
        return Trouble("a bare number above zero")
    return float(value)


def _guard(value: object, read: object) -> tuple[float, float | None] | Trouble:
    if is_number(value) and ZERO_OR_MORE.holds(value):
        return float(value), None
    width = read(value) if isinstance(value, str) else Trouble("")
    if isinstance(width, Trouble):
        return Trouble(
            "a number of standard uncertainties of zero or more, or a width with the unit "
            "of the limit"
        )
    return DEFAULT_GUARD, width


def _nestings(value: object) -> tuple[int, int] | Trouble:
    trouble = Trouble("the first and the last nesting, such as [1, 60]")
    if not isinstance(value, list) or len(value) != 2:
        return trouble
    if not all(isinstance(n, int) and not isinstance(n, bool) for n in value):
        return trouble
    return (value[0], value[1]) if 1 <= value[0] <= value[1] else trouble
