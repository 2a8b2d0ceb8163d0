"""From an area measured with a diverging beam to that for a star, by the mirror's model."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from astropy.units import Quantity

from beamreduce.effective_area.terms import Term, with_terms
from beamreduce.infinity.answer import Numbers
from beamreduce.record import Uncertain

Of = Callable[[Numbers], np.ndarray]


@dataclass(frozen=True, kw_only=True)
class ModelRatio:
    """A ratio of areas, or an area, that the model of the mirror tells.

    Parameters
    ----------
    value
        The number.
    terms
        Relative terms of its uncertainty.
    """

    value: float
    terms: tuple[Term, ...]

    @property
    def uncertain(self) -> Uncertain:
        """The number with its uncertainty."""
        return with_terms(self.value, self.terms)


def model_ratio(
    fitted: Uncertain, changes: Sequence[tuple[str, str, float]], fold: str
) -> ModelRatio:
    """Return a number of the model with its terms named.

    Parameters
    ----------
    fitted
        The number, with what photons, backgrounds and families of slope errors leave open.
    changes
        Term, kind and signed relative change with each setting or model that may be
        different.
    fold
        What was folded together: what its photons leave open is common to all of it.
    """
    value = fitted.value
    terms = [
        Term(name="slope errors: photon counting", kind="statistical",
             relative=fitted.statistical / value, shared=f"{fold}, photons"),
        Term(name="slope errors: background level", kind="systematic",
             relative=fitted.systematic / value, shared=f"{fold}, background"),
        Term(name="families of slope errors, and trace", kind="model",
             relative=fitted.model / value, shared=f"{fold}, families"),
    ]  # fmt: skip
    terms += [
        Term(name=name, kind=kind, relative=change, shared=name)
        for name, kind, change in changes
    ]
    return ModelRatio(value=value, terms=tuple(terms))


def scaled_by(
    value: float, terms: Sequence[Term], ratio: ModelRatio
) -> tuple[Uncertain, tuple[Term, ...]]:
    """Return an area times a ratio, and all its terms: of the area and of the ratio."""
    every = (*terms, *ratio.terms)
    return with_terms(value * ratio.value, every), every


def whole_beam(identity: str) -> Of:
    """Return what takes numbers to the whole area over that inside the reference radius.

    Both with the diverging beam.
    """
    return lambda n: n.star_mm2 / n.area_ratio / n.inside_mm2[identity]


def whole_star(identity: str) -> Of:
    """Return the same for a star's whole area over the beam's inside the reference."""
    return lambda n: n.star_mm2 / n.inside_mm2[identity]


def inside_star(identity: str, reference_mm: float) -> Of:
    """Return the same for a star's area inside its own reference radius."""
    return lambda n: n.curves.inside(reference_mm) / n.inside_mm2[identity]


def inside_beam(identity: str) -> Of:
    """Return the area (cm²) that the model has inside the reference radius, at the beam."""
    return lambda n: n.inside_mm2[identity] / 100


def first_order_ratio(*, focal_length: Quantity, source_distance: Quantity) -> float:
    """Return ``A_L/A_∞ = 1 − 4f/L``, a hand check.

    For cones of equal lengths before any blockage and loss of reflectivity, the same for
    every nesting: with ``α = r/4f`` and ``δ = r/L`` it is ``(α − δ)/α``. A tight nest
    loses much more.
    """
    return 1 - 4 * float((focal_length / source_distance).to_value(""))


def measured_over_predicted(measured: Uncertain, predicted: Uncertain) -> Uncertain:
    """Return the ratio of an area to what the model predicts for it, errors apart."""
    ratio = measured.value / predicted.value

    def size(kind: str) -> float:
        one, two = getattr(measured, kind), getattr(predicted, kind)
        return float(abs(ratio) * np.hypot(one / measured.value, two / predicted.value))

    return Uncertain(
        value=ratio,
        statistical=size("statistical"),
        systematic=size("systematic"),
        model=size("model"),
    )


def terms_json(terms: Mapping[str, Sequence[Term]]) -> dict[str, list[dict[str, object]]]:
    """Return terms by key as results.json holds them."""
    return {key: [term.to_json() for term in own] for key, own in terms.items()}
