"""Line shapes from measured spectra of single lines."""

from pathlib import Path

import numpy as np
from scipy.optimize import minimize

from beamreduce.errors import Problem, SettingsError
from beamreduce.response.line_shape import SILICON_K_EDGE_KEV, FittedLine, LineShape

COLUMNS = ("line_energy", "e_min", "e_max", "counts")
_FEWEST = 100


def shape_of_spectra(path: Path) -> LineShape:
    """Return a line shape from a table of measured line spectra.

    Parameters
    ----------
    path
        ECSV with the columns ``line_energy``, ``e_min``, ``e_max`` (energies) and
        ``counts`` (background taken off or negligible), one row a channel of a line.

    Raises
    ------
    SettingsError
        When the table cannot be read, or a line has too few counts.
    """
    fits = fit_spectra(path)
    energy = np.array([one.energy_kev for one in fits])
    sigma, escape, shelf = np.array([one.values for one in fits]).T

    def width(wanted: np.ndarray) -> np.ndarray:
        # Variance is linear in energy (noise, and Fano's share of E); held beyond the ends.
        return np.sqrt(np.interp(wanted, energy, sigma**2))

    def escaped(wanted: np.ndarray) -> np.ndarray:
        share = np.interp(wanted, energy, escape)
        return np.where(np.asarray(wanted) > SILICON_K_EDGE_KEV, share, 0.0)

    names = ", ".join(f"{one:g}" for one in energy)
    return LineShape(
        sigma_kev=width,
        escape_fraction=escaped,
        shelf_fraction=lambda wanted: np.interp(wanted, energy, shelf),
        source=f"fitted to measured spectra of lines at {names} keV, between them by "
        f"straight lines, beyond them as at the nearest",
        fitted=fits,
    )


def fit_spectra(path: Path) -> tuple[FittedLine, ...]:
    """Fit every line of a table, rising in energy."""
    lines, low, high, counts = _read(path)
    fits = []
    for energy in np.unique(lines):
        mine = lines == energy
        order = np.argsort(low[mine])
        edges = low[mine][order], high[mine][order]
        fits.append(_fit(float(energy), edges, counts[mine][order], path))
    return tuple(fits)


def _read(path: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    from astropy.table import QTable  # noqa: PLC0415 - slow import

    def wrong(found: str) -> SettingsError:
        expected = f"an ECSV table with the columns {', '.join(COLUMNS)}, energies in keV"
        return SettingsError(
            str(Problem(file=str(path), found=found, expected=expected,
                        action="correct [redistribution] spectra or the table"))
        )  # fmt: skip

    if not path.is_file():
        raise wrong("no such file")
    try:
        table = QTable.read(path, format="ascii.ecsv")
    except Exception as error:  # the reader has no one class for what is wrong
        raise wrong(f"a table that cannot be read ({error})") from None
    missing = [name for name in COLUMNS if name not in table.colnames]
    if missing:
        raise wrong(f"no column {missing[0]}")
    try:
        energies = [np.asarray(table[n].to_value("keV"), float) for n in COLUMNS[:3]]
    except Exception:  # no unit, or one that is no energy
        raise wrong("energies without a unit of energy") from None
    counts = np.asarray(table["counts"], float)
    if not np.isfinite(counts).all() or (counts < 0).any():
        raise wrong("counts that are not numbers of at least zero")
    if (energies[2] <= energies[1]).any():
        raise wrong("a channel whose e_max is not above its e_min")
    return *energies, counts


def _fit(
    energy: float,
    edges: tuple[np.ndarray, np.ndarray],
    counts: np.ndarray,
    path: Path,
) -> FittedLine:
    low, high = edges
    total = float(counts.sum())
    if total < _FEWEST or counts.size < 5:
        raise SettingsError(
            f"{path}: line at {energy:g} keV: found {total:g} counts in {counts.size} "
            f"channels; expected at least {_FEWEST} in 5; measure longer or leave it out"
        )
    middle = (low + high) / 2
    near = np.abs(middle - energy) < 0.3 * energy
    spread = np.average((middle[near] - energy) ** 2, weights=counts[near] + 1e-12) ** 0.5
    can_escape = energy > SILICON_K_EDGE_KEV

    def shares(p: np.ndarray) -> np.ndarray:
        sigma, escape, shelf = np.exp(p[0]), p[1] if can_escape else 0.0, p[2]
        shape = LineShape(
            sigma_kev=lambda e: np.full(np.shape(e), sigma),
            escape_fraction=lambda e: np.full(np.shape(e), escape),
            shelf_fraction=lambda e: np.full(np.shape(e), shelf),
        )
        at = np.array([energy])
        return (shape.below(at, high) - shape.below(at, low))[0]

    def minus_log_likelihood(p: np.ndarray) -> float:
        expected = np.maximum(shares(p), 1e-12)
        expected = expected / expected.sum()
        return -float(counts @ np.log(expected))

    start = np.array([np.log(spread), 0.01 if can_escape else 0.0, 0.01])
    bounds = [(np.log(spread / 20), np.log(spread * 5)), (0.0, 0.4), (0.0, 0.5)]
    found = minimize(minus_log_likelihood, start, bounds=bounds, method="L-BFGS-B")
    steps = np.array([1e-3, 1e-4, 1e-4])
    sizes = _uncertainties(minus_log_likelihood, found.x, steps, can_escape)
    sigma = float(np.exp(found.x[0]))
    expected = np.maximum(shares(found.x), 1e-12)
    expected *= total / expected.sum()
    lit = counts > 0
    logs = float(counts[lit] @ np.log(counts[lit] / expected[lit]))
    return FittedLine(
        energy_kev=energy,
        counts=total,
        values=(sigma, float(found.x[1]) if can_escape else 0.0, float(found.x[2])),
        uncertainties=(sigma * sizes[0], sizes[1], sizes[2]),
        deviance=2 * (logs - float((counts - expected).sum())),
        channels=counts.size,
    )


def _uncertainties(
    cost: object, best: np.ndarray, steps: np.ndarray, can_escape: bool
) -> tuple[float, float, float]:
    """Inverse of the second derivatives of minus log likelihood at the best values."""
    free = [0, 1, 2] if can_escape else [0, 2]
    at = np.maximum(best, [-np.inf, 2 * steps[1], 2 * steps[2]])  # inside the bounds
    second = np.zeros((len(free), len(free)))
    for row, i in enumerate(free):
        for column, j in enumerate(free):
            a, b = np.zeros(3), np.zeros(3)
            a[i], b[j] = steps[i], steps[j]
            corners = cost(at + a + b) - cost(at + a - b) - cost(at - a + b)
            corners += cost(at - a - b)
            second[row, column] = corners / (4 * steps[i] * steps[j])
    covariance = np.linalg.pinv(second)
    sizes = np.zeros(3)
    sizes[free] = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    return float(sizes[0]), float(sizes[1]), float(sizes[2])
