"""Area as a function of energy: the mirror's model, scaled through the measured lines.

``A(E) = M(E) · exp(p₀ + p₁ x + p₂ x² …)`` with ``x = ln(E/E₀)``: few parameters, fitted
to ``ln(A_i/M_i)`` by generalised least squares with the whole covariance of the lines
(Aitken 1935, Proc. R. Soc. Edinburgh 55, 42), which holds what all lines have in common.
Logarithms, because the covariance is relative: fits of the values themselves are drawn
low by a common scale error (Peelle's puzzle; D'Agostini 1994, NIM A 346, 306).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from beamreduce.effective_area.causes import Causes, causes_of_terms
from beamreduce.effective_area.terms import KINDS, Term
from beamreduce.errors import AreaError
from beamreduce.record import Uncertain

MARGIN_KEV = 0.1  # beyond the measured lines that a curve is said to hold
_MOST_PARAMETERS = 3
_ENOUGH = 0.05  # probability of chi-square above which no further parameter is taken
_UNLIKELY = 0.01  # below it the curve does not describe the lines
_FLOOR = 1e-7  # relative, so that lines known exactly do not make the fit singular


@dataclass(frozen=True, kw_only=True)
class AreaLine:
    """One measured area.

    Parameters
    ----------
    id
        Name of the measurement.
    energy_kev
        Of the line.
    area_cm2
        For a star.
    terms
        Terms of its uncertainty.
    """

    id: str
    energy_kev: float
    area_cm2: float
    terms: tuple[Term, ...]


@dataclass(frozen=True, kw_only=True)
class OtherModel:
    """Areas by a model with something else in it.

    Parameters
    ----------
    name, kind
        What is different; ``systematic`` for a declared uncertainty, ``model`` for
        another model.
    share
        Of the change that is one standard uncertainty: 1, or for the other of two
        models 1/2, half their distance.
    at_lines_cm2, on_grid_cm2
        Areas at the lines, and at the energies of the curve.
    """

    name: str
    kind: str
    share: float
    at_lines_cm2: np.ndarray
    on_grid_cm2: np.ndarray


@dataclass(frozen=True, kw_only=True)
class ScaleFit:
    """The smooth factor between measured areas and the model.

    Parameters
    ----------
    parameters, covariance
        ``p_k`` and their covariance, shapes (parameters,) and (parameters, parameters).
    pivot_kev
        ``E₀``.
    chi_square, degrees_of_freedom
        Of the lines about the curve.
    ratio, fitted
        Measured over model, and the factor, at each line.
    residual
        Measured over curve less one, at each line.
    relative
        Relative standard uncertainty of each line.
    """

    parameters: np.ndarray
    covariance: np.ndarray
    pivot_kev: float
    chi_square: float
    degrees_of_freedom: int
    ratio: np.ndarray
    fitted: np.ndarray
    residual: np.ndarray
    relative: np.ndarray

    @property
    def probability(self) -> float | None:
        """Chance of a larger chi-square; None without degrees of freedom."""
        if not self.degrees_of_freedom:
            return None
        return float(chi2.sf(self.chi_square, self.degrees_of_freedom))

    @property
    def accepted(self) -> bool:
        """False when the lines scatter more about the curve than they may."""
        return self.probability is None or self.probability > _UNLIKELY


@dataclass(frozen=True, kw_only=True)
class AreaCurve:
    """Effective area with everything that is not known of it.

    Parameters
    ----------
    energy_kev
        Rising, shape (energies,).
    area_cm2
        At each energy.
    causes
        Relative changes of the curve.
    lowest_kev, highest_kev
        Where it holds: the measured lines and a tenth of a keV beyond.
    lines
        What it was fitted to.
    model_cm2
        The model before the factor.
    fit
        The factor.
    notes
        What a reader has to know.
    """

    energy_kev: np.ndarray
    area_cm2: np.ndarray
    causes: Causes
    lowest_kev: float
    highest_kev: float
    lines: tuple[AreaLine, ...]
    model_cm2: np.ndarray
    fit: ScaleFit
    notes: tuple[str, ...]

    def uncertainty_cm2(self, kind: str | None = None) -> np.ndarray:
        """Standard uncertainty at each energy, of one kind or of all."""
        return self.area_cm2 * self.causes.relative(kind)

    def at(self, place: int) -> Uncertain:
        """Return the area at one energy of the grid."""
        value = float(self.area_cm2[place])
        sizes = {kind: float(self.uncertainty_cm2(kind)[place]) for kind in KINDS}
        return Uncertain(value=value, **sizes)

    def beyond(self) -> np.ndarray:
        """True at energies where the curve is not supported by a measured line."""
        low, high = self.lowest_kev - 1e-9, self.highest_kev + 1e-9
        return (self.energy_kev < low) | (self.energy_kev > high)


def area_curve(
    lines: Sequence[AreaLine],
    *,
    energy_kev: np.ndarray,
    model_at_lines_cm2: np.ndarray,
    model_cm2: np.ndarray,
    others: Sequence[OtherModel] = (),
) -> AreaCurve:
    """Scale a model through measured lines.

    Parameters
    ----------
    lines
        Measured areas, in any order; several may have one energy.
    energy_kev
        Where the curve is wanted.
    model_at_lines_cm2, model_cm2
        The model's areas.
    others
        The same by other models, each scaled through the lines in the same way.

    Raises
    ------
    AreaError
        When there is no line, or the model has no area at one.
    """
    if not lines:
        raise AreaError("no line has an area: without one there is no curve of areas")
    dark = [one.id for one, m in zip(lines, model_at_lines_cm2, strict=True) if not m > 0]
    if dark or min(one.area_cm2 for one in lines) <= 0:
        raise AreaError(
            f"areas of lines and of the model must be above zero; got none at "
            f"{', '.join(dark) or min(lines, key=lambda one: one.area_cm2).id}"
        )
    causes = causes_of_terms([(one.id, one.terms) for one in lines])
    energy = np.array([one.energy_kev for one in lines])
    measured = np.log([one.area_cm2 for one in lines])
    weights = causes.covariance() + _FLOOR**2 * np.eye(len(lines))
    pivot = float(np.exp(np.log(np.unique(energy)).mean()))
    shape = np.log(energy / pivot), np.log(energy_kev / pivot)
    count = _parameters_needed(shape[0], measured - np.log(model_at_lines_cm2), weights)
    solve = _solver(shape[0], weights, count)
    on_grid = np.vander(shape[1], count, increasing=True)

    def scaled(at_lines: np.ndarray, grid: np.ndarray) -> np.ndarray:
        return np.log(grid) + on_grid @ (solve @ (measured - np.log(at_lines)))

    curve = scaled(model_at_lines_cm2, model_cm2)
    total = causes.mapped(on_grid @ solve)
    for other in others:
        change = scaled(other.at_lines_cm2, other.on_grid_cm2) - curve
        key = (other.kind, other.name)
        total = total.plus(Causes(changes={key: other.share * change}, size=change.size))
    log_ratio = measured - np.log(model_at_lines_cm2)
    form, notes = _form(shape, (log_ratio, weights), count)
    if form is not None:
        key = ("model", "form of the factor between lines")
        total = total.plus(Causes(changes={key: form}, size=form.size))
    parameters = solve @ log_ratio
    fitted = np.vander(shape[0], count, increasing=True) @ parameters
    left = log_ratio - fitted
    fit = ScaleFit(
        parameters=parameters,
        covariance=solve @ weights @ solve.T,
        pivot_kev=pivot,
        chi_square=float(left @ np.linalg.solve(weights, left)),
        degrees_of_freedom=len(lines) - count,
        ratio=np.exp(log_ratio),
        fitted=np.exp(fitted),
        residual=np.expm1(left),
        relative=np.sqrt(np.diag(weights)),
    )
    if not fit.accepted:
        notes += (
            f"the lines scatter about the curve more than their uncertainties allow: "
            f"chi-square {fit.chi_square:.1f} for {fit.degrees_of_freedom} degrees of "
            f"freedom",
        )
    return AreaCurve(
        energy_kev=energy_kev,
        area_cm2=np.exp(curve),
        causes=total,
        lowest_kev=float(energy.min()) - MARGIN_KEV,
        highest_kev=float(energy.max()) + MARGIN_KEV,
        lines=tuple(lines),
        model_cm2=model_cm2,
        fit=fit,
        notes=notes,
    )


def _solver(shape: np.ndarray, weights: np.ndarray, count: int) -> np.ndarray:
    """Return what takes log ratios to parameters: (BᵀC⁻¹B)⁻¹ BᵀC⁻¹."""
    basis = np.vander(shape, count, increasing=True)
    weighted = np.linalg.solve(weights, basis).T
    return np.linalg.solve(weighted @ basis, weighted)


def _parameters_needed(
    shape: np.ndarray, log_ratio: np.ndarray, weights: np.ndarray
) -> int:
    """Return the fewest parameters that describe the lines; one energy always is left."""
    most = min(_MOST_PARAMETERS, max(np.unique(shape).size - 1, 1))
    for count in range(1, most):
        solve = _solver(shape, weights, count)
        left = log_ratio - np.vander(shape, count, increasing=True) @ (solve @ log_ratio)
        chi_square = float(left @ np.linalg.solve(weights, left))
        if chi2.sf(chi_square, log_ratio.size - count) > _ENOUGH:
            return count
    return most


def _form(
    shape: tuple[np.ndarray, np.ndarray],
    data: tuple[np.ndarray, np.ndarray],
    count: int,
) -> tuple[np.ndarray | None, tuple[str, ...]]:
    """What one more parameter would change: what the choice of a form leaves open."""
    if np.unique(shape[0]).size <= count:
        return None, (
            "all lines have one energy: between energies the curve is what the model says, "
            "and nothing measured tells how far that is right",
        )
    log_ratio, weights = data
    values = []
    for some in (count, count + 1):
        solve = _solver(shape[0], weights, some)
        values.append(np.vander(shape[1], some, increasing=True) @ (solve @ log_ratio))
    return values[1] - values[0], ()


def lines_by_id(
    measurements: Sequence[Mapping[str, object]], key: str = "effective_area_infinity_cm2"
) -> dict[str, AreaLine]:
    """Return the areas that results.json holds under a key, by measurement; no nulls.

    Terms that it does not tell apart are taken as: counting, of one line alone; declared
    settings and models, common to all lines.
    """
    found = {}
    for one in measurements:
        if one.get(key) is None:
            continue
        area = Uncertain.from_json(one[key])  # type: ignore[arg-type]
        record = one.get("area_at_infinity") or {}
        stored = record.get("terms", {}).get(key) if isinstance(record, Mapping) else None
        terms = tuple(Term.from_json(t) for t in stored or ())
        found[str(one["id"])] = AreaLine(
            id=str(one["id"]),
            energy_kev=float(one["energy_keV"]),  # type: ignore[arg-type]
            area_cm2=area.value,
            terms=terms or _plain_terms(area),
        )
    return found


def _plain_terms(area: Uncertain) -> tuple[Term, ...]:
    return tuple(
        Term(
            name=kind,
            kind=kind,
            relative=getattr(area, kind) / area.value,
            shared="" if kind == "statistical" else f"all lines, {kind}",
        )
        for kind in KINDS
        if getattr(area, kind)
    )
