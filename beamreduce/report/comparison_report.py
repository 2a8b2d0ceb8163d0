"""The page of a comparison: what changed, what did not, and what nobody can tell yet."""

from pathlib import Path

from beamreduce.before_after import Comparison, CurveDifference, Judged, needs_text
from beamreduce.record import rounded, software_versions
from beamreduce.report.page import Section, picture, render, render_page

FOREST = "margins"  # the figure of all differences, without ending
_WORDS = {
    "hpd_measured_arcsec": "HPD measured",
    "w90_measured_arcsec": "W90 measured",
    "hpd_infinity_arcsec": "HPD at infinity",
    "w90_infinity_arcsec": "W90 at infinity",
    "hpd_infinity_best_focus_arcsec": "HPD at infinity, best focus",
    "effective_area_measured_cm2": "area measured",
    "effective_area_infinity_cm2": "area at infinity",
    "effective_area_within_reference_measured_cm2": "area measured within reference",
    "eef_measured": "EEF measured",
    "eef_infinity": "EEF at infinity",
    "position_x_arcsec": "position, x",
    "position_y_arcsec": "position, y",
    "quadrant_position_x_arcsec": "place among quadrants, x",
    "quadrant_position_y_arcsec": "place among quadrants, y",
    "quadrants": "quadrants against each other",
}
_HEADLINES = {
    "unchanged": "Unchanged: every quantity that was compared is within its margin",
    "undecided": "Cannot tell yet: nothing is shown to have changed, and not everything is "
    "shown to be within its margin",
}


def words_of(key: str) -> str:
    """Return what a person calls a quantity."""
    return _WORDS.get(key, key)


def curve_name(curve: CurveDifference) -> str:
    """Return the name of a curve's files, without ending."""
    return f"difference_{curve.key}_{curve.id}"


def comparison_report(folder: Path, comparison: Comparison) -> str:
    """Return the whole page.

    Parameters
    ----------
    folder
        Where the figures are; without them the page has none.
    comparison
        What was found.
    """
    sections = [
        Section(anchor="verdict", title="Verdict", body=_verdict(folder, comparison)),
        Section(
            anchor="quantities",
            title="Every quantity",
            body=render(
                "comparison_table.html", {"rows": [_row(j) for j in comparison.judged]}
            ),
        ),
        Section(
            anchor="curves",
            title="Encircled energy at all radii",
            body=render("comparison_curves.html", {"curves": _curves(folder, comparison)}),
        ),
        Section(
            anchor="left-out",
            title="Not compared",
            body=render("comparison_left_out.html", {"rows": _left_out(comparison)}),
        ),
        Section(anchor="words", title="What the words mean", body=_meaning(comparison)),
    ]
    version = software_versions()["beamreduce"]
    subtitle = f"{comparison.before.campaign} → {comparison.after.campaign}"
    return render_page("Before and after", subtitle, sections, version=version)


def headline(comparison: Comparison) -> str:
    """Return the one sentence that the page opens with, without its full stop."""
    if not comparison.judged:
        return "Cannot tell: nothing could be compared; the reasons are below"
    changed = [one for one in comparison.judged if one.verdict == "changed"]
    if not changed:
        return _HEADLINES[comparison.verdict]
    largest = max(changed, key=_in_margins)
    return (
        f"Changed: {len(changed)} of {len(comparison.judged)} quantities; most of all, for "
        f"its margin, {words_of(largest.finding.key)} of {largest.finding.id}, "
        f"{largest.sentence}"
    )


def _in_margins(one: Judged) -> float:
    return abs(one.finding.difference.quantity.value) / one.finding.margin


def _verdict(folder: Path, comparison: Comparison) -> str:
    found = [one.verdict for one in comparison.judged]
    counts = [
        f"{found.count(word)} {words}"
        for word, words in (
            ("unchanged", "are unchanged"),
            ("changed", "changed"),
            ("undecided", "are undecided"),
        )
    ]
    content = {
        "verdict": comparison.verdict,
        "headline": headline(comparison),
        "before": comparison.before.folder.name,
        "after": comparison.after.folder.name,
        "count": len(found),
        "counts": ", ".join(counts),
        "notes": comparison.notes,
        "changed": [
            {"of": one.finding.id, **_row(one)}
            for one in comparison.judged
            if one.verdict == "changed"
        ],
        "forest": picture(folder / FOREST, "all differences against their margins"),
    }
    return render("comparison_verdict.html", content)


def _row(one: Judged) -> dict[str, str]:
    finding = one.finding
    unit = f" {finding.unit}" if finding.unit else ""
    where = "" if finding.at_arcsec is None else f" at {finding.at_arcsec:.3g} arcsec"
    sentence = one.sentence
    if one.verdict == "undecided":
        sentence = f"cannot tell: {needs_text(one.needs)}"
    return {
        "id": finding.id,
        "words": words_of(finding.key) + where,
        "before": rounded(finding.before),
        "after": rounded(finding.after),
        "difference": rounded(finding.difference.quantity) + unit,
        "margin": f"{finding.margin:.3g}{unit}",
        "verdict": one.verdict,
        "sentence": sentence,
    }


def _curves(folder: Path, comparison: Comparison) -> list[dict[str, object]]:
    return [
        {
            "picture": picture(folder / curve_name(curve), f"{curve.key} of {curve.id}"),
            "caption": f"{curve.id}: {words_of(curve.key)}, set to 1 at "
            f"{curve.reference_arcsec:.4g} arcsec.",
        }
        for curve in comparison.curves
    ]


def _left_out(comparison: Comparison) -> list[dict[str, str]]:
    """Return reasons, each once, with all that it holds for."""
    grouped: dict[str, tuple[dict[str, None], dict[str, None]]] = {}
    for left in comparison.left_out:
        keys, ids = grouped.setdefault(left.reason, ({}, {}))
        keys[words_of(left.key) if left.key else "everything"] = None
        ids[left.id] = None
    return [
        {"what": ", ".join(keys), "ids": ", ".join(i for i in ids if i), "reason": reason}
        for reason, (keys, ids) in grouped.items()
    ]


def _meaning(comparison: Comparison) -> str:
    assurance = comparison.settings.assurance
    common = {name for one in comparison.judged for name in one.finding.difference.common}
    content = {
        "confidence": f"{assurance.confidence:.0%}",
        "risk": f"{assurance.risk:.0%}",
        "power": f"{assurance.power:.0%}",
        "count": len(comparison.judged),
        "common": ", ".join(sorted(common)) or "nothing",
    }
    return render("comparison_words.html", content)
