"""Difference of two encircled-energy curves at all radii, with a band for all at once."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from beamreduce.before_after.conventions import (
    center_reason,
    plane_reason,
    star_plane_reason,
)
from beamreduce.before_after.difference import Difference
from beamreduce.before_after.equivalence import (
    Assurance,
    chance_at_margin,
    normal_quantile,
)
from beamreduce.before_after.finding import Finding
from beamreduce.before_after.numbers import (
    Found,
    Left,
    Runs,
    photons_of,
    star_pairs,
)
from beamreduce.before_after.pair import Pair, Record
from beamreduce.encircled_energy import (
    CurveTerm,
    UncertainCurve,
    read_curves,
)
from beamreduce.errors import ResultsError
from beamreduce.record import ResultsFolder, Uncertain, curve_file, random_stream
from beamreduce.statistics import correlated_normals

MEASURED, INFINITY = "eef_measured", "eef_infinity"
DRAWS = 20_000
_CORE_POINTS, _WING_POINTS = 60, 40
# Below so many photons inside a radius, or beyond it, counts do not follow a normal law.
_LEAST_PHOTONS = 25.0
_INNERMOST = 0.1  # of the half-power radius


@dataclass(frozen=True, kw_only=True)
class CurveDifference:
    """After less before, radius by radius.

    Parameters
    ----------
    id, key
        Measurement and curve: ``eef_measured`` or ``eef_infinity``.
    radius_arcsec, before, after, difference, uncertainty
        Shape (radii,); combined standard uncertainty of the difference.
    band
        Half-width of the band that holds the true difference at *all* radii together with
        the wanted confidence, shape (radii,).
    margin
        Largest change that does not matter.
    reference_arcsec
        Where both curves are 1.
    """

    id: str
    key: str
    radius_arcsec: np.ndarray
    before: np.ndarray
    after: np.ndarray
    difference: np.ndarray
    uncertainty: np.ndarray
    band: np.ndarray
    margin: float
    reference_arcsec: float


@dataclass(frozen=True, kw_only=True)
class CurvesFound:
    """Findings on curves, with the curves that they are about."""

    found: Found
    curves: tuple[CurveDifference, ...]


@dataclass(frozen=True, kw_only=True)
class BothCurves:
    """Two curves at the same radii, and what makes their difference unsure."""

    before: UncertainCurve
    after: UncertainCurve
    terms: tuple[CurveTerm, ...]
    common: tuple[str, ...]

    @property
    def difference(self) -> UncertainCurve:
        """After less before."""
        return UncertainCurve(
            radius_arcsec=self.before.radius_arcsec,
            fraction=self.after.fraction - self.before.fraction,
            covariance=self.after.covariance + self.before.covariance,
            terms=self.terms,
        )


def compare_curves(runs: Runs, pairs: Sequence[Pair]) -> CurvesFound:
    """Compare the curves of every pair, as measured and as of a star."""
    stars = {id(pair) for pair in star_pairs(pairs)}
    found, curves = Found(), []
    for pair in pairs:
        stored = [
            _curves(run, m)
            for run, m in ((runs.before, pair.before), (runs.after, pair.after))
        ]
        for number, key in enumerate((MEASURED, INFINITY)):
            if key == INFINITY and id(pair) not in stars:
                continue
            reason = _reason(pair, key, stored)
            if reason:
                left = Left(id=pair.id, key=key, reason=reason)
                found += Found(left_out=(left,))
                continue
            sides = [entry[number] for entry in stored]  # type: ignore[index]
            finding, curve = _compare(runs, pair, key, sides)
            found += Found(findings=(finding,))
            curves.append(curve)
    return CurvesFound(found=found, curves=tuple(curves))


def _curves(
    run: ResultsFolder, m: Record
) -> tuple[UncertainCurve, UncertainCurve | None] | None:
    """Both curves of a measurement; None where there is no file of them."""
    path = curve_file(run.folder, str(m["id"]))
    if not path.exists():
        return None
    try:
        return read_curves(path)
    except (OSError, KeyError, ValueError, TypeError, AttributeError) as error:
        raise ResultsError(
            f"{path}: found no sound curves in it ({error}); expected what beamreduce "
            f"reduce wrote; make the results anew"
        ) from None


def _reason(pair: Pair, key: str, stored: Sequence[object]) -> str:
    """Say why curves cannot be compared; empty when they can."""
    sides = zip(("before", "after"), (pair.before, pair.after), stored, strict=True)
    for run, m, curves in sides:
        if curves is None and m.get("hpd_measured_mm") is None:
            return f"no curve {run}: {m['notes'].get('hpd_measured_mm', 'not known why')}"
        if curves is None:
            return (
                f"the results {run} are of a version that keeps no covariance of curves; "
                f"reduce again"
            )
        if key == INFINITY and curves[1] is None:  # type: ignore[index]
            why = m["notes"].get("hpd_infinity_arcsec", "not known why")
            return f"no curve of a star {run}: {why}"
    where = star_plane_reason(pair) if key == INFINITY else plane_reason(pair)
    return "; ".join(reason for reason in (where, center_reason(pair)) if reason)


def _compare(
    runs: Runs, pair: Pair, key: str, sides: Sequence[UncertainCurve]
) -> tuple[Finding, CurveDifference]:
    reference = min(side.radius_arcsec[-1] for side in sides)
    sides = [_cut(side, reference) for side in sides]
    photons = [
        photons_of(run, m, folded=key == INFINITY)
        for run, m in ((runs.before, pair.before), (runs.after, pair.after))
    ]
    radii = common_radii(sides, min(photons))
    before, after = (side.at(radii) for side in sides)
    both = join_terms(before, after, runs.is_common)
    difference, margin = both.difference, runs.settings.margins.eef.size
    rng = random_stream(0, pair.id, key)
    largest = largest_deviations(difference.whole_covariance, rng)
    sigma = difference.uncertainty
    seen = np.max(np.abs(difference.fraction) / sigma)
    chance = (1 + np.sum(largest >= seen)) / (1 + largest.size)
    at_margin = chance_at_margin(difference.fraction, sigma, margin)
    curve = CurveDifference(
        id=pair.id,
        key=key,
        radius_arcsec=radii,
        before=before.fraction,
        after=after.fraction,
        difference=difference.fraction,
        uncertainty=sigma,
        band=np.quantile(largest, runs.settings.assurance.confidence) * sigma,
        margin=margin,
        reference_arcsec=float(reference),
    )
    risk = runs.settings.assurance.risk
    if chance <= risk < at_margin.max():
        at = int(np.argmax(np.abs(difference.fraction) / sigma))  # where it is surest
    else:
        at = telling_radius(curve, runs.settings.assurance)
    return _finding(both, pair, (curve, at, photons[1]), (chance, at_margin.max())), curve


def _cut(curve: UncertainCurve, reference: float) -> UncertainCurve:
    """Give the curve another reference radius where it is not the same already."""
    same = curve.radius_arcsec[-1] <= reference * (1 + 1e-9)
    return curve if same else curve.within(reference)


def common_radii(sides: Sequence[UncertainCurve], photons: float) -> np.ndarray:
    """Return radii (arcsec) at which two curves are compared, the reference left out.

    Close together in the core, wider in the wings; from a tenth of the half-power radius
    on, since what is further in is less than pixels and models resolve; where at least 25
    photons are inside, and as many beyond, so that counts follow a normal law.
    """
    reference = sides[0].radius_arcsec[-1]
    half = max(np.interp(0.5, side.fraction, side.radius_arcsec) for side in sides)
    core = min(3 * half, 0.6 * reference)
    radii = np.concatenate(
        [
            np.linspace(_INNERMOST * half, core, _CORE_POINTS),
            np.linspace(core, reference, _WING_POINTS + 1)[1:-1],
        ]
    )
    least = _LEAST_PHOTONS / max(photons, 2 * _LEAST_PHOTONS)
    inside = np.array(
        [np.interp(radii, side.radius_arcsec, side.fraction) for side in sides]
    )
    kept = np.all((inside > least) & (inside < 1 - least), axis=0)
    return radii[kept] if kept.any() else np.array([half])


def join_terms(
    before: UncertainCurve, after: UncertainCurve, is_common: Callable[[str], bool]
) -> BothCurves:
    """Set both curves side by side; of a common cause only what it leaves counts."""
    first, second = (dict(_numbered(side.terms)) for side in (before, after))
    terms, common = [], []
    for name in dict.fromkeys((*first, *second)):
        pair = [side.get(name) for side in (first, second)]
        term, kind, _ = name
        if is_common(term):
            common.append(term)
            changes = [0.0 if one is None else one.change for one in pair]
            moved = [changes[1] - changes[0]]
        else:
            moved = [one.change for one in pair if one is not None]
        terms += [CurveTerm(term=term, kind=kind, change=np.array(m)) for m in moved]
    return BothCurves(
        before=before,
        after=after,
        terms=tuple(terms),
        common=tuple(dict.fromkeys(common)),
    )


def _numbered(
    terms: Sequence[CurveTerm],
) -> Iterator[tuple[tuple[str, str, int], CurveTerm]]:
    """Yield terms with their name, kind, and the how-manieth of that name each is."""
    seen: dict[tuple[str, str], int] = {}
    for term in terms:
        number = seen.get((term.term, term.kind), 0)
        seen[term.term, term.kind] = number + 1
        yield (term.term, term.kind, number), term


def largest_deviations(covariance: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Draw the largest deviation over all points, in standard deviations of each.

    Parameters
    ----------
    covariance
        Of the points, shape (n, n).
    rng
        Random generator.

    Returns
    -------
    numpy.ndarray
        Shape (draws,). A quantile of it times the standard deviations is the half-width
        of a simultaneous band, and its tail the chance of a largest deviation when nothing
        changed (Ruppert, Wand & Carroll 2003, Semiparametric Regression, section 6.5).
    """
    sigma = np.sqrt(covariance.diagonal())
    correlation = covariance / np.outer(sigma, sigma)
    draws = correlated_normals(correlation, DRAWS, rng)
    return np.abs(draws).max(axis=1)


def telling_radius(curve: CurveDifference, assurance: Assurance) -> int:
    """Return where the curve may be nearest to the margin, or furthest beyond it."""
    half = normal_quantile(assurance.confidence) * curve.uncertainty
    return int(np.argmax(np.abs(curve.difference) + half))


def _finding(
    both: BothCurves,
    pair: Pair,
    where: tuple[CurveDifference, int, float],
    chances: tuple[float, float],
) -> Finding:
    curve, at, photons = where
    sides = (both.before, both.after, both.difference)
    before, after, difference = (_uncertain(side, at) for side in sides)
    return Finding(
        id=pair.id,
        key=curve.key,
        unit="",
        before=before,
        after=after,
        difference=Difference(
            quantity=difference,
            counting_before=before.statistical,
            counting_after=after.statistical,
            common=both.common,
        ),
        margin=curve.margin,
        photons_after=photons,
        at_arcsec=float(curve.radius_arcsec[at]),
        chances=(float(chances[0]), float(chances[1])),
    )


def _uncertain(curve: UncertainCurve, at: int) -> Uncertain:
    kinds = ("statistical", "systematic", "model")
    parts = {kind: float(curve.part(kind)[at]) for kind in kinds}
    return Uncertain(value=float(curve.fraction[at]), **parts)
