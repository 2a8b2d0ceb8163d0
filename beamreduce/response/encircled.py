"""Encircled energy for a star by line, as the results folder holds it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from beamreduce.errors import ResultsError, SettingsError

_INFINITY = "effective_area_infinity_cm2"
_WITHIN = "effective_area_within_reference_infinity_cm2"


@dataclass(frozen=True, kw_only=True)
class EncircledLine:
    """One curve of encircled energy for a star.

    ``radius_arcsec``, ``share`` and ``uncertainty`` have shape (radii,); the share is 1 at
    ``reference_arcsec``. ``within`` is the area inside the reference radius over the
    whole.
    """

    id: str
    energy_kev: float
    radius_arcsec: np.ndarray
    share: np.ndarray
    uncertainty: np.ndarray
    reference_arcsec: float
    within: float


@dataclass(frozen=True, kw_only=True)
class Encircled:
    """Curves on the axis, one an energy, rising in energy."""

    lines: tuple[EncircledLine, ...]

    @property
    def energy_kev(self) -> np.ndarray:
        """Energies of the lines."""
        return np.array([one.energy_kev for one in self.lines])

    @property
    def reference_arcsec(self) -> float:
        """Smallest reference radius: to it all curves are known."""
        return min(one.reference_arcsec for one in self.lines)

    def share_inside(self, radius_arcsec: float) -> tuple[np.ndarray, np.ndarray]:
        """Return the share of the whole area inside a radius at each line, and its error.

        Raises
        ------
        SettingsError
            When the radius is not within the measured curves.
        """
        if not 0 < radius_arcsec <= self.reference_arcsec * (1 + 1e-9):
            raise SettingsError(
                f"radii must be above zero and at most the reference radius, "
                f"{self.reference_arcsec:.4g} arcsec; got {radius_arcsec:g} arcsec (give "
                f"[inside] radii within it, or reduce with a larger reference_radius)"
            )
        shares, errors = [], []
        for one in self.lines:
            # Straight lines in radius squared, as the curves themselves are made.
            square = np.concatenate([[0.0], one.radius_arcsec**2])
            share = np.concatenate([[0.0], one.share])
            sigma = np.concatenate([[0.0], one.uncertainty])
            at = min(radius_arcsec, one.reference_arcsec) ** 2
            shares.append(one.within * np.interp(at, square, share))
            errors.append(one.within * np.interp(at, square, sigma))
        return np.array(shares), np.array(errors)


def read_encircled(
    folder: Path, measurements: Sequence[Mapping[str, object]]
) -> Encircled | None:
    """Read the curves of measurements with an area; one an energy, the most photons.

    Returns None when there is none.

    Raises
    ------
    ResultsError
        When a table cannot be read.
    """
    best: dict[float, Mapping[str, object]] = {}
    for one in measurements:
        usable = one.get(_INFINITY) is not None and one.get(_WITHIN) is not None
        if not usable or not (folder / f"eef_{one['id']}.ecsv").is_file():
            continue
        energy = float(one["energy_keV"])  # type: ignore[arg-type]
        if energy not in best or _photons(one) > _photons(best[energy]):
            best[energy] = one
    lines = [_read_one(folder, best[energy]) for energy in sorted(best)]
    kept = tuple(line for line in lines if line is not None)
    return Encircled(lines=kept) if kept else None


def _photons(one: Mapping[str, object]) -> float:
    net = one.get("net_photons")
    return float(net["value"]) if isinstance(net, Mapping) else 0.0


def _read_one(folder: Path, one: Mapping[str, object]) -> EncircledLine | None:
    from astropy.table import QTable  # noqa: PLC0415 - slow import

    path = folder / f"eef_{one['id']}.ecsv"
    try:
        table = QTable.read(path, format="ascii.ecsv")
        radius = np.asarray(table["radius_angle"].to_value("arcsec"), dtype=float)
        columns = [table["eef_infinity"], table["eef_infinity_uncertainty"]]
    except Exception as error:  # the reader has no one class for what is wrong
        raise ResultsError(
            f"{path}: found a table that cannot be read ({error}); expected the curve that "
            f"reduce wrote; make the results anew with beamreduce reduce"
        ) from None
    share, sigma = (np.ma.filled(np.ma.asarray(c, dtype=float), np.nan) for c in columns)
    good = np.isfinite(share) & np.isfinite(sigma)
    if good.sum() < 2:
        return None
    whole, within = one[_INFINITY], one[_WITHIN]
    return EncircledLine(
        id=str(one["id"]),
        energy_kev=float(one["energy_keV"]),  # type: ignore[arg-type]
        radius_arcsec=radius[good],
        share=share[good],
        uncertainty=sigma[good],
        reference_arcsec=float(one["reference_radius_arcsec"]),  # type: ignore[arg-type]
        within=within["value"] / whole["value"],  # type: ignore[index]
    )
