"""One table of a file of settings, read key by key; every problem is kept, none raised."""

import difflib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.campaign.columns import UNCERTAINTY
from beamreduce.campaign.paths import SETUP_FILE
from beamreduce.errors import Problem, SettingsError
from beamreduce.record.ranges import ABOVE_ZERO, ZERO_OR_MORE, Range
from beamreduce.units import parse_quantity


@dataclass(frozen=True)
class Trouble:
    """What a value should have been, and what to do, when it cannot be used."""

    expected: str
    action: str = "correct the value"


Reader = Callable[[object], object | Trouble]


@dataclass
class Section:
    """A table of the file, what was wrong in it, and which of its keys were asked for.

    Parameters
    ----------
    table
        Content of the table.
    path
        Its name, the first part of every key in messages.
    problems
        Grows with each key that cannot be used.
    uncertainties
        Declared standard uncertainties by key, grows likewise.
    known
        Keys that were asked for.
    file
        Name of the file for messages.
    """

    table: Mapping[str, object]
    path: str
    problems: list[Problem]
    uncertainties: dict[str, Quantity | float] = field(default_factory=dict)
    known: set[str] = field(default_factory=set)
    file: str = SETUP_FILE

    def quantity(
        self, key: str, unit: u.UnitBase, allowed: Range, *, required: bool = False
    ) -> Quantity | None:
        """Return a value with a dimension in a unit; None when absent or wrong."""
        value = self._read(key, _quantity_reader(unit, allowed), required=required)
        self._uncertainty(key, _quantity_reader(unit, ZERO_OR_MORE))
        return value

    def number(self, key: str, allowed: Range) -> float | None:
        """Return a bare number; None when absent or wrong."""
        value = self._read(key, _number_reader(allowed))
        self._uncertainty(key, _number_reader(ZERO_OR_MORE))
        return value

    def integer(self, key: str, allowed: Range) -> int | None:
        """Return a whole number; None when absent or wrong."""
        value = self._read(key, _integer_reader(allowed))
        self._uncertainty(key, _number_reader(ZERO_OR_MORE))
        return value

    def text(
        self, key: str, choices: tuple[str, ...] = (), *, required: bool = False
    ) -> str | None:
        """Return a text, one of the choices if there are any; None when absent or wrong."""
        return self._read(key, _text_reader(choices), required=required)

    def truth(self, key: str) -> bool | None:
        """Return true or false; None when absent or wrong."""
        return self._read(key, _truth)

    def value_or_energy_table(
        self, key: str, unit: u.UnitBase, *, table_only: bool
    ) -> Quantity | tuple[Quantity, Quantity] | None:
        """Return one value, or a table (energies, values) from pairs, lowest first."""
        reader = _energy_table_reader(unit, table_only=table_only)
        value = self._read(key, reader)
        self._uncertainty(key, _quantity_reader(unit, ZERO_OR_MORE))
        return value

    def read(
        self, key: str, reader: Reader, *, uncertainty: Reader | None = None
    ) -> object | None:
        """Return what a reader makes of a key, unless it makes a :class:`Trouble`."""
        value = self._read(key, reader)
        if uncertainty is not None:
            self._uncertainty(key, uncertainty)
        return value

    def unknown(self) -> dict[str, object]:
        """Return the entries that nobody asked for, and report each as a warning."""
        left = {key: value for key, value in self.table.items() if key not in self.known}
        for key in left:
            near = difflib.get_close_matches(key, sorted(self.known), n=1)
            hint = f"did you mean {near[0]!r}?" if near else "it is kept and not used"
            self.report(key, "an unknown key", "a key of the format", hint, warning=True)
        return {f"{self.path}.{key}": value for key, value in left.items()}

    def report(
        self, key: str, found: str, expected: str, action: str, *, warning: bool = False
    ) -> None:
        """Keep a problem with a key."""
        self.problems.append(
            Problem(
                file=self.file,
                item=f"{self.path}.{key}" if self.path else key,
                found=found,
                expected=expected,
                action=action,
                warning=warning,
            )
        )

    def _read(self, key: str, reader: Reader, *, required: bool = False) -> object | None:
        self.known.add(key)
        given = key in self.table
        if not given and not required:
            return None
        value = reader(self.table.get(key))
        if not isinstance(value, Trouble):
            return value
        found = repr(self.table[key]) if given else "nothing"
        self.report(key, found, value.expected, value.action if given else "add the key")
        return None

    def _uncertainty(self, key: str, reader: Reader) -> None:
        name = key + UNCERTAINTY
        value = self._read(name, reader)
        if value is not None:
            self.uncertainties[key] = value


def _quantity_reader(unit: u.UnitBase, allowed: Range) -> Reader:
    """Make a reader of strings such as ``"5.2 m"``."""
    kind = str(unit.physical_type).split("/")[0]
    kind = f"value in {unit}" if kind == "unknown" else kind
    expected = (
        f"a{'n' if kind[0] in 'aeiou' else ''} {kind} {allowed.words}, "
        f'number and unit in one string such as "{_example(unit)}"'
    )

    def read(value: object) -> Quantity | Trouble:
        try:
            quantity = parse_quantity(value, unit, name="value")
        except SettingsError:
            return Trouble(expected, f"write it with a unit that converts to {unit}")
        return quantity if allowed.holds(float(quantity.value)) else Trouble(expected)

    return read


def _example(unit: u.UnitBase) -> str:
    return f"5.2 {unit}" if unit == u.m else f"1.5 {unit.to_string().replace(' ', '')}"


def _number_reader(allowed: Range) -> Reader:
    """Make a reader of bare numbers."""

    def read(value: object) -> float | Trouble:
        if not is_number(value) or not allowed.holds(value):
            return Trouble(f"a bare number {allowed.words}, without quotes")
        return float(value)

    return read


def _integer_reader(allowed: Range) -> Reader:
    """Make a reader of whole numbers."""

    def read(value: object) -> int | Trouble:
        if not is_number(value) or isinstance(value, float) or not allowed.holds(value):
            return Trouble(f"a whole number {allowed.words}, without quotes")
        return value

    return read


def is_number(value: object) -> bool:
    """Return True for whole and broken numbers, not for true and false."""
    return isinstance(value, int | float) and not isinstance(value, bool)


def _text_reader(choices: tuple[str, ...]) -> Reader:
    """Make a reader of text, or of one of several words."""
    expected = "one of " + ", ".join(f'"{choice}"' for choice in choices)

    def read(value: object) -> str | Trouble:
        if not isinstance(value, str) or not value.strip():
            return Trouble(expected if choices else "a text in quotes")
        return value if value in choices or not choices else Trouble(expected)

    return read


def _truth(value: object) -> bool | Trouble:
    return value if isinstance(value, bool) else Trouble("true or false, without quotes")


def _energy_table_reader(unit: u.UnitBase, *, table_only: bool) -> Reader:
    """Make a reader of ``[["1.49 keV", "400 electron"], …]``, or of one value."""
    one = _quantity_reader(unit, ABOVE_ZERO)
    energy_of = _quantity_reader(u.keV, ABOVE_ZERO)
    pairs = f'a list of pairs such as [["4.5 keV", "{_example(unit)}"]], each energy once'
    trouble = Trouble(pairs if table_only else f'"{_example(unit)}", or {pairs}')

    def read(value: object) -> Quantity | tuple[Quantity, Quantity] | Trouble:
        if isinstance(value, str):
            return trouble if table_only else one(value)
        if not isinstance(value, list) or not value:
            return trouble
        if not all(isinstance(pair, list) and len(pair) == 2 for pair in value):
            return trouble
        table = {}
        for energy_text, text in value:
            # Electrons are counted, so there a bare number will do.
            counted = unit == u.electron and is_number(text)
            energy, entry = (
                energy_of(energy_text),
                one(f"{text} {unit}" if counted else text),
            )
            if isinstance(energy, Trouble) or isinstance(entry, Trouble):
                return trouble
            table[float(energy.value)] = float(entry.value)
        if len(table) < len(value):
            return trouble
        energies = np.array(sorted(table))
        return energies * u.keV, np.array([table[energy] for energy in energies]) * unit

    return read
