"""Two results folders, compared: every quantity with its difference and verdict."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

from beamreduce.before_after.conventions import other_ways
from beamreduce.before_after.curves import CurveDifference, compare_curves
from beamreduce.before_after.equivalence import Verdict
from beamreduce.before_after.finding import Judged, judge, needs_text, overall
from beamreduce.before_after.margins import CompareSettings
from beamreduce.before_after.numbers import Found, Left, Runs, compare_numbers
from beamreduce.before_after.pair import Pair, pair_up, refuse_other_mirror
from beamreduce.before_after.positions import compare_positions
from beamreduce.errors import ResultsError
from beamreduce.record import ResultsFolder, plain_json, read_results, software_versions

FORMAT = "beamreduce-comparison/1"


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """What changed between two runs.

    Parameters
    ----------
    before, after
        The runs.
    settings
        Margins, and how sure verdicts have to be.
    judged
        Every quantity that could be compared.
    curves
        Differences of encircled energy at all radii.
    left_out
        What could not be compared, with the reason.
    notes
        What is true of the comparison as a whole, in sentences.
    """

    before: ResultsFolder
    after: ResultsFolder
    settings: CompareSettings
    judged: tuple[Judged, ...]
    curves: tuple[CurveDifference, ...]
    left_out: tuple[Left, ...]
    notes: tuple[str, ...]

    @property
    def verdict(self) -> Verdict:
        """One word for all."""
        return overall(self.judged)

    def to_json(self) -> dict[str, object]:
        """Return the form that comparison.json holds."""
        stored = {
            "format": FORMAT,
            "version": software_versions()["beamreduce"],
            "before": _run(self.before),
            "after": _run(self.after),
            "verdict": self.verdict,
            "settings": self.settings.as_plain(),
            "quantities": [_entry(one) for one in self.judged],
            "not_compared": [asdict(one) for one in self.left_out],
            "notes": list(self.notes),
        }
        return plain_json(stored)  # type: ignore[return-value]


def compare_results(
    before: Path | str, after: Path | str, settings: CompareSettings | None = None
) -> Comparison:
    """Compare two results folders of one mirror.

    Parameters
    ----------
    before, after
        Results folders of ``reduce``.
    settings
        Margins and levels; by default those of :class:`CompareSettings`.

    Raises
    ------
    ResultsError
        When a folder cannot be used, the mirrors are not the same, or the runs have no
        setting in common.
    """
    settings = settings or CompareSettings()
    runs = Runs(before=read_results(before), after=read_results(after), settings=settings)
    refuse_other_mirror(runs.before, runs.after)
    paired = pair_up(runs.before, runs.after, settings)
    if not paired.pairs:
        raise ResultsError(
            f"{after}: found no measurement at a setting of {before}; expected at least "
            f"one of the same aperture, energy and off-axis angle; check which folders "
            f"belong together"
        )
    lonely = [Left(id=name, key="", reason=why) for name, why in paired.left_out]
    curves = compare_curves(runs, paired.pairs)
    found = Found(left_out=tuple(lonely)) + compare_numbers(runs, paired.pairs)
    found = found + curves.found + compare_positions(runs, paired.pairs)
    order = [pair.id for pair in paired.pairs]
    findings = sorted(found.findings, key=lambda finding: order.index(finding.id))
    return Comparison(
        before=runs.before,
        after=runs.after,
        settings=settings,
        judged=judge(findings, settings.assurance),
        curves=curves.curves,
        left_out=found.left_out,
        notes=tuple(_notes(runs, paired.pairs)),
    )


def _notes(runs: Runs, pairs: tuple[Pair, ...]) -> list[str]:
    notes = list(other_ways(runs.before, runs.after, pairs))
    shared = [pair.id for pair in pairs if _shared_frames(pair)]
    if shared:
        notes.append(
            f"Both runs use some of the same frames ({', '.join(shared)}). Counting is "
            f"taken as each run's own, so uncertainties are too large there, not too small."
        )
    versions = [run.settings.get("version") for run in (runs.before, runs.after)]
    if versions[0] != versions[1]:
        notes.append(
            f"The runs are of different versions of beamreduce ({versions[0]}, "
            f"{versions[1]}): a change of method would show as a change of the mirror; "
            f"reduce both again."
        )
    return notes


def _shared_frames(pair: Pair) -> bool:
    return bool(set(pair.before["inputs"].values()) & set(pair.after["inputs"].values()))


def _run(run: ResultsFolder) -> dict[str, object]:
    return {"campaign": run.campaign, "checksums": dict(run.checksums)}


def _entry(one: Judged) -> Mapping[str, object]:
    finding, needs = one.finding, one.needs
    entry = {
        "id": finding.id,
        "key": finding.key,
        "unit": finding.unit,
        "before": finding.before,
        "after": finding.after,
        "difference": finding.difference.quantity,
        "margin": finding.margin,
        "verdict": one.verdict,
        "sentence": one.sentence,
        "chance_without_change": one.without_change,
        "chance_at_margin": one.at_margin,
        "interval": list(one.interval),
        "common": list(finding.difference.common),
        "needs": None if needs is None else {**asdict(needs), "text": needs_text(needs)},
    }
    if finding.at_arcsec is not None:
        entry["at_arcsec"] = finding.at_arcsec
    return entry
