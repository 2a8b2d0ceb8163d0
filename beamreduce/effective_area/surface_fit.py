"""Coating density and roughness from the areas of lines, within bounds, and what they tell.

Three numbers are fitted to ``ln(A_i)``: one common factor, density and roughness. A number
is *determined* when the data narrow it to well below what the bounds alone say.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np
from astropy.units import Quantity
from scipy.optimize import least_squares

from beamreduce.effective_area.area_curve import AreaLine
from beamreduce.effective_area.causes import causes_of_terms
from beamreduce.effective_area.model_area import BeamPaths, Refraction
from beamreduce.errors import AreaError
from beamreduce.mirror import HC_KEV_NM, Coating, fresnel, specular_share
from beamreduce.units import value_in

# A number known only to be within bounds of width w has a standard deviation of w/√12
# (JCGM 100:2008, 4.3.7); half of that is taken as something learned.
_LEARNED = 0.5
_FLOOR = 1e-7
_STEP = 1e-4


@dataclass(frozen=True, kw_only=True)
class SurfaceBounds:
    """Within which a coating is looked for.

    Parameters
    ----------
    density, roughness
        Lowest and highest.
    scattered_counts
        True for whole areas, which hold scattered light: of these the roughness takes
        nothing away. False for areas of mirrored light alone.
    """

    density: tuple[Quantity, Quantity]
    roughness: tuple[Quantity, Quantity]
    scattered_counts: bool = True


@dataclass(frozen=True, kw_only=True)
class FittedNumber:
    """One fitted number.

    Parameters
    ----------
    name, unit
        What it is, and its unit.
    value, uncertainty
        Best value and standard uncertainty; the latter never above that of the bounds.
    bounds
        It was looked for between these.
    determined
        False when the bounds say as much as the data.
    at_bound
        True when the best value is at one of them.
    """

    name: str
    unit: str
    value: float
    uncertainty: float
    bounds: tuple[float, float]
    determined: bool
    at_bound: bool


@dataclass(frozen=True, kw_only=True)
class SurfaceFit:
    """What areas tell of a coating.

    Parameters
    ----------
    density, roughness
        The two numbers (g/cm³, nm).
    correlation
        Between them.
    scale
        Common factor.
    chi_square, degrees_of_freedom
        Of the lines.
    sentences
        What the data can and cannot tell.
    """

    density: FittedNumber
    roughness: FittedNumber
    correlation: float
    scale: float
    chi_square: float
    degrees_of_freedom: int
    sentences: tuple[str, ...]

    def to_json(self) -> dict[str, object]:
        """Return the form that responses.json holds."""
        numbers = {}
        for one in (self.density, self.roughness):
            numbers[one.name] = {
                "value": one.value,
                "uncertainty": one.uncertainty,
                "unit": one.unit,
                "bounds": list(one.bounds),
                "determined": one.determined,
                "at_bound": one.at_bound,
            }
        return {
            **numbers,
            "correlation": self.correlation,
            "scale": self.scale,
            "chi_square": self.chi_square,
            "degrees_of_freedom": self.degrees_of_freedom,
            "sentences": list(self.sentences),
        }


def fit_surface(
    lines: Sequence[AreaLine],
    paths: BeamPaths,
    light: Refraction,
    coating: Coating,
    bounds: SurfaceBounds,
) -> SurfaceFit:
    """Fit density and roughness of a coating to areas at several energies.

    Parameters
    ----------
    lines
        Measured areas.
    paths
        Ways of light of the nest, for a star on the axis.
    light
        Optical constants at the lines' energies, in their order, with the density that
        ``coating`` has.
    coating
        Table, density and form of roughness.
    bounds
        Where to look.

    Raises
    ------
    AreaError
        When there is no line.
    """
    if not lines:
        raise AreaError("no line has an area: without one no coating can be fitted")
    unit = u.g / u.cm**3
    low, high = (
        np.array(
            [
                value_in(bounds.density[end], unit, name="density"),
                value_in(bounds.roughness[end], u.nm, name="roughness"),
            ]
        )
        for end in (0, 1)
    )
    predict = area_predictor(paths, light, coating, bounds.scattered_counts)
    causes = causes_of_terms([(one.id, one.terms) for one in lines])
    weights = causes.covariance() + _FLOOR**2 * np.eye(len(lines))
    whiten = np.linalg.inv(np.linalg.cholesky(weights))
    measured = np.log([one.area_cm2 for one in lines])
    width = high - low

    def residual(p: np.ndarray) -> np.ndarray:
        return whiten @ (measured - p[2] - np.log(predict(*(low + width * p[:2]))))

    # The common factor is not free where all lines have one energy: nothing else is then.
    start = np.array([0.5, 0.5, 0.0])
    found = least_squares(
        residual, start, bounds=([0, 0, -2], [1, 1, 2]), diff_step=_STEP, xtol=1e-12
    )
    curvature = found.jac.T @ found.jac
    # The bounds themselves, as prior: an even law of width 1 has a variance of 1/12.
    covariance = np.linalg.inv(curvature + np.diag([12.0, 12.0, 1e-12]))
    sigma = np.sqrt(np.diag(covariance))[:2]
    names = ("density", "g/cm3"), ("roughness", "nm")
    numbers = [
        FittedNumber(
            name=name,
            unit=unit_name,
            value=float(low[k] + width[k] * found.x[k]),
            uncertainty=float(width[k] * sigma[k]),
            bounds=(float(low[k]), float(high[k])),
            determined=bool(sigma[k] < _LEARNED / np.sqrt(12)),
            at_bound=bool(min(found.x[k], 1 - found.x[k]) < 1e-3),
        )
        for k, (name, unit_name) in enumerate(names)
    ]
    if not numbers[1].determined:
        numbers[1] = replace(numbers[1], at_bound=False)
    correlation = float(covariance[0, 1] / np.prod(sigma))
    return SurfaceFit(
        density=numbers[0],
        roughness=numbers[1],
        correlation=correlation,
        scale=float(np.exp(found.x[2])),
        chi_square=float(2 * found.cost),
        degrees_of_freedom=len(lines) - 3,
        sentences=_sentences(numbers, correlation, len(lines), bounds.scattered_counts),
    )


def area_predictor(
    paths: BeamPaths, light: Refraction, coating: Coating, scattered_counts: bool
) -> Callable[[float, float], np.ndarray]:
    """Return what takes density (g/cm³) and roughness (nm) to areas at the lines, cm²."""
    mine = paths.coating == coating.formula
    angles, area = paths.grazing_rad[:, mine], paths.area_mm2[mine]
    declared = float(coating.density.to_value(u.g / u.cm**3))
    waves = light.energy_kev[:, None] / HC_KEV_NM

    def predict(grams: float, rough_nm: float) -> np.ndarray:
        constants = tuple(
            (value * grams / declared)[:, None]
            for value in light.constants[coating.formula]
        )
        both = np.ones((light.energy_kev.size, area.size))
        for grazing in angles:
            s, p = fresnel(constants, grazing)
            both *= (s + p) / 2
            if not scattered_counts:
                both *= specular_share(
                    constants,
                    grazing,
                    roughness_in_wavelengths=waves * rough_nm,
                    roughness_model=coating.roughness_model,
                )
        return both @ area / 100

    return predict


def _sentences(
    numbers: Sequence[FittedNumber], correlation: float, lines: int, scattered: bool
) -> tuple[str, ...]:
    said = []
    for one in numbers:
        ends = f"{one.bounds[0]:g} to {one.bounds[1]:g} {one.unit}"
        if one.determined:
            said.append(
                f"{one.name}: {one.value:.4g} ± {one.uncertainty:.2g} {one.unit}"
                + (f", at the end of its bounds {ends}" if one.at_bound else "")
            )
        else:
            said.append(
                f"the areas do not tell the {one.name} within {ends}: they leave "
                f"± {one.uncertainty:.2g} {one.unit}, and the bounds alone say "
                f"± {(one.bounds[1] - one.bounds[0]) / np.sqrt(12):.2g}"
            )
    if scattered:
        said.append(
            "whole areas hold scattered light, from which roughness takes nothing away: it "
            "has to come from image or height maps"
        )
    if all(one.determined for one in numbers) and abs(correlation) > 0.9:
        said.append(
            f"density and roughness can hardly be told apart: correlation {correlation:.2f}"
        )
    if lines < 4:
        said.append(f"{lines} lines for three numbers: nothing checks the fit")
    return tuple(said)
