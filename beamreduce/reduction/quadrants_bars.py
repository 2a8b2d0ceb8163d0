"""What errors of alignment bars do to the image of a campaign's quadrants."""

from collections.abc import Sequence
from dataclasses import dataclass

import astropy.units as u
import numpy as np

from beamreduce.mirror import Prescription
from beamreduce.mirror.bar_budget import (
    BarBudget,
    InPlaneLight,
    bar_budget,
    hpd_with_bar_errors,
    point_hpd_arcsec,
)
from beamreduce.mirror.bar_errors import BAR_ENDS, BarSensitivity
from beamreduce.quadrants import Quarters
from beamreduce.units import arcsec_per_mm

_ARCSEC = arcsec_per_mm(1.0)  # of a rad
_TRIED = np.linspace(0.0, 2.0, 11)  # errors on the curve, of those that keep the target
_TARGET_MISSED = 0.5  # HPD of bars alone, over that of the reflectors, at the last error


@dataclass(frozen=True, kw_only=True)
class BarsAllowed:
    """Half-power diameter of the whole mirror against errors of its bars.

    Parameters
    ----------
    error_um, hpd_arcsec
        Rms radial error of every bar end, each by itself, and the HPD at best focus with
        it, on top of the slope errors that were found.
    target_arcsec
        HPD to be kept.
    budget
        Errors that keep it; None where it is missed without any.
    """

    error_um: np.ndarray
    hpd_arcsec: np.ndarray
    target_arcsec: float
    budget: BarBudget | None

    @property
    def sentence(self) -> str:
        """The budget in words."""
        if self.budget is None:
            return (
                f"an HPD of {self.target_arcsec:.4g} arcsec is missed without any error of "
                f"bars: the reflectors alone give {self.hpd_arcsec[0]:.4g} arcsec"
            )
        return (
            f"an HPD of {self.target_arcsec:.4g} arcsec is kept while the radial errors of "
            f"bar ends, each by itself, have a standard deviation below "
            f"{self.budget.radial_um:.3g} µm"
        )


def bars_allowed(
    quarters: Quarters,
    prescription: Prescription,
    sensitivities: Sequence[BarSensitivity],
    target_rad: float,
) -> BarsAllowed:
    """Add errors of bars to the light of all quadrants on their targets, at best focus."""
    plane = int(quarters.whole({}).hpd_rad.argmin())
    radii, growth = quarters.growth(plane, {})
    inside = radii <= quarters.reference_rad
    core = InPlaneLight.from_curve(
        radii[inside] * u.rad, growth[inside] / growth[inside][-1]
    )
    target = target_rad * _ARCSEC
    budget = None
    if target > core.hpd_arcsec:
        budget = bar_budget(
            prescription, sensitivities, core=core, target_hpd=target * u.arcsec
        )
        largest = budget.radial_um
    else:
        steepest = max(one.radial_arcsec_per_um for one in sensitivities)
        largest = _TARGET_MISSED * core.hpd_arcsec / steepest
    errors = largest * _TRIED
    sizes = [
        hpd_with_bar_errors(
            prescription, sensitivities, core=core, radial_error=error * u.um
        ).to_value(u.arcsec)
        for error in errors
    ]
    return BarsAllowed(
        error_um=errors, hpd_arcsec=np.array(sizes), target_arcsec=target, budget=budget
    )


def radial_mm(one: BarSensitivity, detector_mm: float) -> np.ndarray:
    """Return the move of the image outwards, mm for a mm that an end is out, (4,)."""
    moves = np.array([one.shift_arcsec_per_um[end] for end in BAR_ENDS])
    return moves * 1000 / _ARCSEC * detector_mm


def tilt_mm(one: BarSensitivity, detector_mm: float) -> np.ndarray:
    """Return the same, mm a rad that a bar's outer end is turned to the detector, (4,)."""
    moves = np.array([one.shift_arcsec_per_arcmin[end] for end in BAR_ENDS])
    return -moves * 60 * detector_mm / np.deg2rad(1.0) / _ARCSEC


def hpd_for_1um(one: BarSensitivity) -> float:
    """Return the HPD (arcsec) that 1 µm rms of all bar ends alone gives a nesting."""
    return point_hpd_arcsec(one.radial_arcsec_per_um)


def bar_rows(bars: Sequence[BarSensitivity], detector_mm: float) -> list[dict[str, object]]:
    """Return what errors of alignment bars do to the light, one row a nesting."""
    rows = []
    for one in bars:
        radial, tilt = radial_mm(one, detector_mm), tilt_mm(one, detector_mm)
        row: dict[str, object] = {"nesting": one.nesting, "radius": one.radius_mm * u.mm}
        for k, bar in enumerate(BAR_ENDS):
            row[f"{bar}_radial"] = float(radial[k])
            row[f"{bar}_tilt"] = float(tilt[k]) * u.mm / u.rad
        row["all_radial"] = float(radial.sum())
        row["hpd_for_1um_rms"] = hpd_for_1um(one) * u.arcsec
        rows.append(row)
    return rows


def budget_rows(allowed: BarsAllowed) -> list[dict[str, object]]:
    """Return the HPD of the whole mirror against the error of its bars."""
    return [
        {"bar_error": float(error) * u.um, "hpd": float(hpd) * u.arcsec}
        for error, hpd in zip(allowed.error_um, allowed.hpd_arcsec, strict=True)
    ]
