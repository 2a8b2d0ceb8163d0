"""How a coating refracts, from tabulated optical constants; its density.

Two tables by name. ``"henke"``: Henke, Gullikson & Davis 1993, ADNDT 54, 181, as carried
by periodictable. ``"chantler"``: Chantler 1995/2000, JPCRD 24, 71 / 29, 597, as carried by
xraydb. They differ by 0.1 to 3 % in δ and 3 to 18 % in β, by far more beside an edge, so
the table is a recorded setting.
"""

import importlib.metadata
import re

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.errors import SettingsError
from beamreduce.units import convert, positive_in

OPTICAL_TABLES = {"henke": "periodictable", "chantler": "xraydb"}  # name → library
DEFAULT_TABLE = "henke"

# Bulk densities in g/cm³ where no campaign says otherwise. Libraries disagree by up to
# 0.6 % (iridium 22.42 or 22.56), so what is used here is written down here.
DEFAULT_DENSITIES = {
    "Au": 19.3,
    "Pt": 21.45,
    "Ir": 22.56,
    "Ni": 8.908,
    "C": 2.2,
    "Rh": 12.41,
    "Pd": 12.0,
    "W": 19.3,
    "Cr": 7.19,
    "Al": 2.70,
    "Si": 2.33,
    "SiO2": 2.20,
    "B4C": 2.52,
    "SiC": 3.21,
}

_PLAIN_FORMULA = re.compile(r"^(?:[A-Z][a-z]?(?:\d+(?:\.\d+)?)?)+$")
_DENSITY_UNIT = u.g / u.cm**3
_LAST_CHANTLER = 92  # uranium is the last element of that table


def coating_density(coating: str, given: Quantity | None = None) -> Quantity:
    """Return the density of a coating: the one given, else the default of its formula.

    Raises
    ------
    SettingsError
        When the formula is not known, or has no default density and none is given.
    """
    _elements(coating)
    if given is not None:
        return positive_in(given, _DENSITY_UNIT, name="coating_density") * _DENSITY_UNIT
    if coating not in DEFAULT_DENSITIES:
        raise SettingsError(
            f"coating {coating!r} has no default density (there is one for "
            f"{', '.join(DEFAULT_DENSITIES)}); set coating_density"
        )
    return DEFAULT_DENSITIES[coating] * _DENSITY_UNIT


def table_version(table: str) -> str:
    """Return which library and version a table comes from, for the record."""
    library = OPTICAL_TABLES[check_table(table)]
    return f"{library} {importlib.metadata.version(library)}"


def check_table(table: str) -> str:
    """Return the name of a table, or say which names there are."""
    if table not in OPTICAL_TABLES:
        raise SettingsError(
            f"optical_constants must be one of {', '.join(OPTICAL_TABLES)}; got {table!r}"
        )
    return table


def optical_constants(
    coating: str, density: Quantity, energy: Quantity, table: str = DEFAULT_TABLE
) -> tuple[np.ndarray, np.ndarray]:
    """Return δ and β of the index of refraction ``n = 1 - δ + iβ``.

    Parameters
    ----------
    coating
        Chemical symbol or formula, such as ``"Au"`` or ``"SiO2"``.
    density
        Mass per volume; see :func:`coating_density`.
    energy
        Photon energies, any shape.
    table
        ``"henke"`` or ``"chantler"``.

    Returns
    -------
    delta, beta
        In the shape of ``energy``.

    Raises
    ------
    SettingsError
        When coating or table is not known, or an energy is outside the table.
    """
    check_table(table)
    grams = positive_in(density, _DENSITY_UNIT, name="coating_density")
    kev = np.asarray(convert(energy, u.keV, name="energy").value, dtype=float)
    low, high = energy_range_kev(coating, table)
    outside = kev[~((kev >= low) & (kev <= high))]
    if outside.size:
        raise SettingsError(
            f"energy must be between {low:.4g} and {high:.4g} keV, where the {table} table "
            f"has values for {coating}; got {outside.flat[0]:g} keV (is the unit right?)"
        )
    read = _henke if table == "henke" else _chantler
    # One energy at a time: one library interpolates over a window that depends on the
    # whole array it is given, so that the same energy would have several values.
    pairs = np.array([read(coating, grams, float(e)) for e in kev.flat]).reshape(-1, 2)
    return pairs[:, 0].reshape(kev.shape), pairs[:, 1].reshape(kev.shape)


def energy_range_kev(coating: str, table: str) -> tuple[float, float]:
    """Return the lowest and highest energy for which a table has all of a coating."""
    check_table(table)
    reach = _henke_range if table == "henke" else _chantler_range
    ranges = [reach(symbol) for symbol in _elements(coating)]
    return max(low for low, _ in ranges), min(high for _, high in ranges)


def _elements(coating: str) -> list[str]:
    """Return the symbols of the elements in a formula."""
    from periodictable import formula  # noqa: PLC0415

    if isinstance(coating, str) and _PLAIN_FORMULA.match(coating):
        try:
            return sorted(atom.symbol for atom in formula(coating).atoms)
        except ValueError:
            pass
    raise SettingsError(
        f"coating must be a chemical symbol or formula, such as 'Au' or 'SiO2'; "
        f"got {coating!r}"
    )


def _henke(coating: str, grams: float, kev: float) -> tuple[float, float]:
    from periodictable import xsf  # noqa: PLC0415

    index = complex(xsf.index_of_refraction(coating, density=grams, energy=kev))
    return 1 - index.real, abs(index.imag)


def _henke_range(symbol: str) -> tuple[float, float]:
    from periodictable import elements  # noqa: PLC0415

    table = elements.symbol(symbol).xray.sftable
    if table is None:
        raise SettingsError(f"the henke table has no values for {symbol}")
    known = table[0][np.isfinite(table[1])]
    return float(known[0]), float(known[-1])


def _chantler(coating: str, grams: float, kev: float) -> tuple[float, float]:
    import xraydb  # noqa: PLC0415

    delta, beta, _ = xraydb.xray_delta_beta(coating, grams, 1000 * kev)
    return float(delta), float(beta)


def _chantler_range(symbol: str) -> tuple[float, float]:
    import xraydb  # noqa: PLC0415

    if xraydb.atomic_number(symbol) > _LAST_CHANTLER:
        raise SettingsError(f"the chantler table has no values for {symbol}")
    known = xraydb.get_xraydb().chantler_energies(symbol)
    return float(known[0]) / 1000, float(known[-1]) / 1000
