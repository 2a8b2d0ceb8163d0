"""How far bars may be out before the image is too large."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import PchipInterpolator

from beamreduce.infinity.configuration import Resolution
from beamreduce.mirror import Prescription
from beamreduce.quadrants.coincident import QuadrantLight, quarters_of

# Slope errors that bars would add, over those that the reflectors have already.
_TRIED = (0.0, 0.3, 0.6, 1.0, 1.5, 2.2)
_FINE = 2001


@dataclass(frozen=True, kw_only=True)
class BarBudget:
    """Half-power diameter of the whole mirror against errors of its bars.

    Parameters
    ----------
    error_mm
        Standard deviation of the radial error of every bar end, each by itself.
    hpd_rad
        HPD at best focus with such errors on top of the slope errors that were found.
    target_rad
        HPD to be kept; None where none was asked for.
    """

    error_mm: np.ndarray
    hpd_rad: np.ndarray
    target_rad: float | None

    @property
    def allowed_mm(self) -> float | None:
        """Largest error that keeps the target.

        None where no target was asked for, it is missed without any error, or it is kept
        by all errors that were tried.
        """
        if self.target_rad is None or not (
            self.hpd_rad[0] <= self.target_rad < self.hpd_rad[-1]
        ):
            return None
        fine = np.linspace(0.0, self.error_mm[-1], _FINE)
        hpd = PchipInterpolator(self.error_mm, self.hpd_rad)(fine)
        return float(fine[np.flatnonzero(hpd <= self.target_rad)[-1]])

    @property
    def sentence(self) -> str:
        """The budget in words; empty without a target."""
        if self.target_rad is None:
            return ""
        arcsec = math.degrees(self.target_rad) * 3600
        if self.hpd_rad[0] > self.target_rad:
            return (
                f"an HPD of {arcsec:.4g} arcsec is missed without any error of bars: the "
                f"reflectors alone give {math.degrees(self.hpd_rad[0]) * 3600:.4g} arcsec"
            )
        if self.allowed_mm is None:
            return (
                f"an HPD of {arcsec:.4g} arcsec is kept by all errors that were tried, up "
                f"to {self.error_mm[-1] * 1000:.3g} µm"
            )
        return (
            f"an HPD of {arcsec:.4g} arcsec is kept while the radial errors of bar ends, "
            f"each by itself, have a standard deviation below "
            f"{self.allowed_mm * 1000:.3g} µm"
        )


def bar_budget(
    quadrants: Mapping[str, QuadrantLight],
    planes_mm: Sequence[float],
    resolution: Resolution,
    view: tuple[float, float, float | None],
) -> BarBudget:
    """Add errors of bars to the slope errors that were found, in the mirror model.

    Ends that are out independently by σ turn a reflector of length ℓ by √2 σ/ℓ in its
    plane of reflection: a slope error, which adds to the others in quadrature. Between
    bars a reflector is out by less, so this is what the image would be at the bars.

    Parameters
    ----------
    quadrants
        Their light.
    planes_mm
        About the best focus, rising.
    resolution
        How finely errors are told apart.
    view
        Side of a pixel (mm), reference radius as an angle, HPD to be kept (rad) or None.
    """
    pixel_mm, reference_rad, target_rad = view
    own = np.mean([_slope_rad(one) for one in quadrants.values()])
    length_mm = _length_mm(next(iter(quadrants.values())).optics.prescription)
    added = own * np.array(_TRIED)
    sizes = []
    for slope in added.tolist():
        broadened = {
            name: replace(one, ladder=_with_slope(one, slope))
            for name, one in quadrants.items()
        }
        quarters = quarters_of(broadened, planes_mm, resolution, (pixel_mm, reference_rad))
        sizes.append(quarters.whole({}).best[1])
    return BarBudget(
        error_mm=added * length_mm / math.sqrt(2),
        hpd_rad=np.array(sizes),
        target_rad=target_rad,
    )


def _with_slope(one: QuadrantLight, slope_rad: float) -> object:
    steps = tuple(float(np.hypot(step, slope_rad)) for step in one.ladder.steps_rad)
    return replace(one.ladder, steps_rad=steps)


def _slope_rad(one: QuadrantLight) -> float:
    """Root mean square slope error of one reflection in a mixture."""
    squares = np.array([(p * p + s * s) / 2 for p, s in one.ladder.pairs])
    return math.sqrt(float(one.weights @ squares) / float(one.weights.sum()))


def _length_mm(prescription: Prescription) -> float:
    lengths = [(n.primary_length_mm, n.secondary_length_mm) for n in prescription.nestings]
    return float(np.min(lengths))
