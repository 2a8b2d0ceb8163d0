"""Area as a function of energy: the mirror's model, scaled through the measured lines.

``A(E) = M(E) · exp(p₀ + p₁ x + p₂ x² … + Σ t_k ln(M_k(E)/M(E)))`` with ``x = ln(E/E₀)``:
few parameters ``p``, fitted to ``ln(A_i/M_i)`` by generalised least squares with the whole
covariance of the lines (Aitken 1935, Proc. R. Soc. Edinburgh 55, 42), which holds what all
lines have in common. Other models ``M_k`` (table of optical constants, density) are as
likely as their uncertainty says; how far they are mixed in, the lines tell.
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
        Of the change that is one standard uncertainty: 1, or for the other of two equals
        1/√2.
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
    other_models
        By how many standard uncertainties the lines draw the curve towards each other
        model.
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
    other_models: Mapping[str, float]

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
    own = causes.covariance() + _FLOOR**2 * np.eye(len(lines))
    changes = [_changes(one, model_at_lines_cm2, model_cm2) for one in others]
    energy = np.array([one.energy_kev for one in lines])
    pivot = float(np.exp(np.log(np.unique(energy)).mean()))
    problem = _Problem(
        log_ratio=np.log([one.area_cm2 for one in lines]) - np.log(model_at_lines_cm2),
        own=own,
        at_lines=np.array([at for at, _ in changes]).reshape(-1, len(lines)),
        on_grid=np.array([on for _, on in changes]).reshape(-1, energy_kev.size),
        shape=(np.log(energy / pivot), np.log(energy_kev / pivot)),
    )
    solved = _fewest_parameters(problem)
    curve = solved.to_grid @ problem.log_ratio
    total = causes.mapped(solved.to_grid)
    for other, at, on in zip(others, problem.at_lines, problem.on_grid, strict=True):
        key = (other.kind, other.name)
        left = on - solved.to_grid @ at  # what the lines do not tell of it
        total = total.plus(Causes(changes={key: left}, size=left.size))
    form, notes = _form(problem, solved)
    if form is not None:
        key = ("model", "form of the factor between lines")
        total = total.plus(Causes(changes={key: form}, size=form.size))
    fitted = solved.to_lines @ problem.log_ratio
    left = problem.log_ratio - fitted
    fit = ScaleFit(
        parameters=solved.to_parameters @ problem.log_ratio,
        covariance=solved.to_parameters @ problem.weights @ solved.to_parameters.T,
        pivot_kev=pivot,
        chi_square=solved.chi_square,
        degrees_of_freedom=len(lines) - solved.count,
        ratio=np.exp(problem.log_ratio),
        fitted=np.exp(fitted),
        residual=np.expm1(left),
        relative=np.sqrt(np.diag(own)),
        other_models={
            other.name: float(amplitude)
            for other, amplitude in zip(
                others, solved.to_others @ problem.log_ratio, strict=True
            )
        },
    )
    if not fit.accepted:
        notes += (
            f"the lines scatter about the curve more than their uncertainties allow: "
            f"chi-square {fit.chi_square:.1f} for {fit.degrees_of_freedom} degrees of "
            f"freedom",
        )
    return AreaCurve(
        energy_kev=energy_kev,
        area_cm2=model_cm2 * np.exp(curve),
        causes=total,
        lowest_kev=float(energy.min()) - MARGIN_KEV,
        highest_kev=float(energy.max()) + MARGIN_KEV,
        lines=tuple(lines),
        model_cm2=model_cm2,
        fit=fit,
        notes=notes,
    )


@dataclass(frozen=True, kw_only=True)
class _Problem:
    """Lines over the model, and what other models change at lines and on the grid.

    ``log_ratio`` has shape (lines,), ``own`` (lines, lines) is its covariance by the lines
    themselves, ``at_lines`` and ``on_grid`` are changes by one standard uncertainty, a row
    an other model; ``shape`` is ``ln(E/E₀)`` at lines and on the grid.
    """

    log_ratio: np.ndarray
    own: np.ndarray
    at_lines: np.ndarray
    on_grid: np.ndarray
    shape: tuple[np.ndarray, np.ndarray]

    @property
    def weights(self) -> np.ndarray:
        """Covariance of log ratios, what is not known of the model included."""
        return self.own + self.at_lines.T @ self.at_lines


@dataclass(frozen=True, kw_only=True)
class _Solved:
    """What takes log ratios of lines to parameters, other models, factor there and on grid.

    Shapes (parameters, lines), (others, lines), (lines, lines), (energies, lines);
    ``chi_square`` is of the lines about the smooth factor.
    """

    to_parameters: np.ndarray
    to_others: np.ndarray
    to_lines: np.ndarray
    to_grid: np.ndarray
    chi_square: float

    @property
    def count(self) -> int:
        """Number of parameters."""
        return self.to_parameters.shape[0]


def _changes(
    other: OtherModel, at_lines: np.ndarray, on_grid: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    return (
        other.share * np.log(other.at_lines_cm2 / at_lines),
        other.share * np.log(other.on_grid_cm2 / on_grid),
    )


def _solve(problem: _Problem, count: int) -> _Solved:
    """Return the best linear unbiased estimate of parameters and of other models' parts.

    Parameters by ``(BᵀV⁻¹B)⁻¹BᵀV⁻¹`` with the covariance ``V`` of lines and models; the
    part of each other model, whose size is one standard uncertainty beforehand, by
    ``DᵀV⁻¹`` of what parameters leave (Goldberger 1962, J. Am. Stat. Assoc. 57, 369).
    """
    lines, grid = (np.vander(x, count, increasing=True) for x in problem.shape)
    weights = problem.weights
    weighted = np.linalg.solve(weights, lines).T
    parameters = np.linalg.solve(weighted @ lines, weighted)
    left = np.eye(lines.shape[0]) - lines @ parameters
    others = problem.at_lines @ np.linalg.solve(weights, left)
    residual = left @ problem.log_ratio
    return _Solved(
        to_parameters=parameters,
        to_others=others,
        to_lines=lines @ parameters + problem.at_lines.T @ others,
        to_grid=grid @ parameters + problem.on_grid.T @ others,
        chi_square=float(residual @ np.linalg.solve(weights, residual)),
    )


def _fewest_parameters(problem: _Problem) -> _Solved:
    """Solve with the fewest parameters that describe the lines; one energy is left over."""
    most = min(_MOST_PARAMETERS, max(np.unique(problem.shape[0]).size - 1, 1))
    for count in range(1, most):
        solved = _solve(problem, count)
        if chi2.sf(solved.chi_square, problem.log_ratio.size - count) > _ENOUGH:
            return solved
    return _solve(problem, most)


def _form(problem: _Problem, solved: _Solved) -> tuple[np.ndarray | None, tuple[str, ...]]:
    """What one more parameter would change: what the choice of a form leaves open."""
    if np.unique(problem.shape[0]).size <= solved.count:
        return None, (
            "all lines have one energy: between energies the curve is what the model says, "
            "and nothing measured tells how far that is right",
        )
    more = _solve(problem, solved.count + 1)
    return (more.to_grid - solved.to_grid) @ problem.log_ratio, ()


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
