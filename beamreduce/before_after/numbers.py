"""Differences of the single numbers of a measurement: diameters and areas."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from beamreduce.before_after.conventions import (
    center_reason,
    plane_reason,
    reference_reason,
    star_plane_reason,
)
from beamreduce.before_after.difference import Quoted, Term, difference_of
from beamreduce.before_after.finding import Finding
from beamreduce.before_after.margins import CompareSettings, Margin
from beamreduce.before_after.pair import Pair, Record, same_declared
from beamreduce.record import ResultsFolder, Uncertain


@dataclass(frozen=True, kw_only=True)
class Runs:
    """Both runs and how to compare them."""

    before: ResultsFolder
    after: ResultsFolder
    settings: CompareSettings

    def is_common(self, term: str) -> bool:
        """Return True when a term of a budget is one and the same error in both runs."""
        listed = term in self.settings.common
        return listed and same_declared(self.before, self.after, term)


@dataclass(frozen=True, kw_only=True)
class Left:
    """Something that was not compared, and why."""

    id: str
    key: str
    reason: str


@dataclass(frozen=True, kw_only=True)
class Found:
    """Findings, and what could not be compared."""

    findings: tuple[Finding, ...] = ()
    left_out: tuple[Left, ...] = ()

    def __add__(self, other: "Found") -> "Found":
        return Found(
            findings=self.findings + other.findings,
            left_out=self.left_out + other.left_out,
        )


@dataclass(frozen=True, kw_only=True)
class _Key:
    """A key of results.json that is compared."""

    name: str
    margin: str
    unit: str
    at_infinity: bool
    of_reference: bool  # depends on the reference radius, and on the center

    @property
    def of_star_plane(self) -> bool:
        """True when it depends on the plane that a star is looked at in."""
        best = "best_focus" in self.name
        return self.at_infinity and self.of_reference and not best


_KEYS = (
    _Key(
        name="hpd_measured_arcsec", margin="hpd", unit="arcsec",
        at_infinity=False, of_reference=True,
    ),
    _Key(
        name="w90_measured_arcsec", margin="w90", unit="arcsec",
        at_infinity=False, of_reference=True,
    ),
    _Key(
        name="effective_area_measured_cm2", margin="area", unit="cm²",
        at_infinity=False, of_reference=False,
    ),
    _Key(
        name="effective_area_within_reference_measured_cm2", margin="area", unit="cm²",
        at_infinity=False, of_reference=True,
    ),
    _Key(
        name="hpd_infinity_arcsec", margin="hpd", unit="arcsec",
        at_infinity=True, of_reference=True,
    ),
    _Key(
        name="w90_infinity_arcsec", margin="w90", unit="arcsec",
        at_infinity=True, of_reference=True,
    ),
    _Key(
        name="hpd_infinity_best_focus_arcsec", margin="hpd", unit="arcsec",
        at_infinity=True, of_reference=True,
    ),
    _Key(
        name="effective_area_infinity_cm2", margin="area", unit="cm²",
        at_infinity=True, of_reference=False,
    ),
)  # fmt: skip


def compare_numbers(runs: Runs, pairs: Sequence[Pair]) -> Found:
    """Compare every diameter and area that both runs have.

    What is at infinity is one number a configuration and energy, whatever the detector
    distance: it is taken from the pair with the smallest image before.
    """
    stars = {id(pair) for pair in star_pairs(pairs)}
    findings, left_out = [], []
    for pair in pairs:
        for key in _KEYS:
            if key.at_infinity and id(pair) not in stars:
                continue
            reason = _not_comparable(pair, key)
            if reason:
                left_out.append(Left(id=pair.id, key=key.name, reason=reason))
            else:
                findings.append(_finding(runs, pair, key))
    return Found(findings=tuple(findings), left_out=tuple(left_out))


def star_pairs(pairs: Sequence[Pair]) -> Iterator[Pair]:
    """Yield one pair for each star's image: the best focused of those with one fold."""
    best: dict[tuple[object, ...], Pair] = {}
    for pair in pairs:
        m = pair.before
        name = (m["aperture"], m["energy_keV"], m["off_axis_arcmin"], m.get("azimuth_deg"))
        if name not in best or _size(pair) < _size(best[name]):
            best[name] = pair
    yield from best.values()


def _size(pair: Pair) -> float:
    hpd = pair.before.get("hpd_measured_arcsec")
    return float("inf") if hpd is None else hpd["value"]


def _not_comparable(pair: Pair, key: _Key) -> str:
    """Say why a number of a pair cannot be compared; empty when it can."""
    for run, m in (("before", pair.before), ("after", pair.after)):
        if m.get(key.name) is None:
            why = m["notes"].get(key.name, "no reason is given")
            return f"null {run}: {why}"
    reasons = []
    if not key.at_infinity:
        reasons.append(plane_reason(pair))
    if key.of_reference:
        reasons += [reference_reason(pair), center_reason(pair)]
    if key.of_star_plane:
        reasons.append(star_plane_reason(pair))
    return "; ".join(reason for reason in reasons if reason)


def _finding(runs: Runs, pair: Pair, key: _Key) -> Finding:
    before, after = (_quoted(m, key.name) for m in (pair.before, pair.after))
    margin: Margin = getattr(runs.settings.margins, key.margin)
    return Finding(
        id=pair.id,
        key=key.name,
        unit=key.unit,
        before=before.quantity,
        after=after.quantity,
        difference=difference_of(before, after, runs.is_common),
        margin=margin.of(before.quantity.value),
        photons_after=photons_of(runs.after, pair.after, folded=key.at_infinity),
    )


def _quoted(m: Record, key: str) -> Quoted:
    """Return a quantity with its budget; areas have one of their own where folded."""
    quantity = Uncertain.from_json(m[key])
    area = m.get("area_at_infinity") or {}
    rows = area.get("terms", {}).get(key)  # type: ignore[attr-defined]
    if rows is not None:
        sizes = [(row, abs(row["relative"] * quantity.value)) for row in rows]
    else:
        rows = [row for row in m["uncertainty_budget"] if row.get(key) is not None]
        sizes = [(row, abs(row[key])) for row in rows]
    return Quoted.of(
        quantity,
        [Term(name=row["term"], kind=row["kind"], size=size) for row, size in sizes],
    )


def photons_of(run: ResultsFolder, m: Record, *, folded: bool) -> float:
    """Return the net photons a number rests on; of a fold, those of all it folded."""
    names = [m["id"]]
    if folded and isinstance(m.get("fit"), dict):
        names = m["fit"].get("folded", names)
    counted = [run.measurements.get(name, {}).get("net_photons") for name in names]
    return float(sum(c["value"] for c in counted if c is not None))
