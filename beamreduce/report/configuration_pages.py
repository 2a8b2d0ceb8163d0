"""What was folded together: residuals, focus, and the part of the mirror that was lit."""

import json
from collections.abc import Sequence

from beamreduce.record import ResultsFolder
from beamreduce.report.measurement_page import configuration_of
from beamreduce.report.page import Section, picture, render
from beamreduce.report.stored_words import Stored, value_text

_FIGURES = {
    "residuals": "Rings less the fold, in standard deviations. Waves that run through "
    "several measurements, or chi-square far above the degrees of freedom, mean that the "
    "mirror errs in ways that the model does not have.",
    "focus": "HPD against detector distance: measured, the model's curve, and a star's. "
    "Points beside the curve by more than their bars say that a distance or a frame is "
    "wrong.",
    "lit": "What the diverging beam lights of every nesting; the rest was not tested.",
}
_ALTS = {
    "residuals": "Residuals of the rings of each measurement against radius, {}",
    "focus": "HPD against detector distance at the beamline and for a star, {}",
    "lit": "Map of the lit part of every nesting along the axis, {}",
}
_FOCUS = (
    ("best_focus_mm", "best focus at the beamline", "mm"),
    ("hpd_best_focus_arcsec", "HPD there", "arcsec"),
    ("cone_focal_length_mm", "focal length of the cones", "mm"),
    ("star_best_focus_mm", "best focus for a star", "mm"),
    ("cone_angle_error_arcsec", "common cone-angle error", "arcsec"),
    ("astigmatism_mm", "astigmatism", "mm"),
)


def configuration_sections(results: ResultsFolder) -> list[Section]:
    """Return a part for each set of measurements that was folded together."""
    first: dict[str, Stored] = {}
    for m in results.measurements.values():
        anchor = configuration_of(m)
        if anchor is not None:
            first.setdefault(anchor, m)
    if not first:
        return []
    sections = [
        Section(
            anchor="folds",
            title="Folded together",
            body=render("folds.html", {"count": len(first)}),
        )
    ]
    names = figure_names(results)
    sections += [_section(results, names, anchor, m) for anchor, m in first.items()]
    return sections


def _section(
    results: ResultsFolder, names: dict[frozenset[str], str], anchor: str, m: Stored
) -> Section:
    ids = m["fit"]["folded"]
    name = names.get(frozenset(ids))
    figures = []
    for kind, caption in _FIGURES.items() if name else ():
        image = picture(
            results.folder / f"{kind}_{name}", _ALTS[kind].format(", ".join(ids))
        )
        data = f"{kind}_{name}.ecsv"
        if image is not None:
            exists = (results.folder / data).is_file()
            figures.append(
                {"image": image, "caption": caption, "data": data if exists else None}
            )
    focus = next(
        (one for one in results.content.get("focus", []) if one["measurements"] == ids),
        None,
    )
    content = {
        "ids": ids,
        "figures": figures,
        "focus": [] if focus is None else _focus(focus),
        "focus_notes": [] if focus is None else sorted(focus["notes"].items()),
    }
    return Section(
        anchor=anchor,
        title=_title(m, ids),
        body=render("configuration.html", content),
        level=2,
    )


def figure_names(results: ResultsFolder) -> dict[frozenset[str], str]:
    """Return the part of figure names that a configuration has, by its measurements."""
    return {
        frozenset(json.loads(path.read_text("utf-8")).get("keys", {})): (
            path.stem.removeprefix("folded_")
        )
        for path in results.folder.glob("folded_*.json")
    }


def _title(m: Stored, ids: Sequence[str]) -> str:
    off = f", {m['off_axis_arcmin']:g} arcmin off axis" if m["off_axis_arcmin"] else ""
    if off and m["azimuth_deg"] is not None:
        off += f" at {m['azimuth_deg']:g} deg"
    some = "one measurement" if len(ids) == 1 else f"{len(ids)} measurements"
    return f"Aperture {m['aperture']}{off}: {some}"


def _focus(focus: Stored) -> list[tuple[str, str]]:
    rows = []
    for key, words, unit in _FOCUS:
        text = value_text(focus[key])
        rows.append((words, "not determined" if text is None else f"{text} {unit}"))
    depth, following = focus["depth_mm"], focus["next_detector_distance_mm"]
    if depth is not None:
        rows.append(("depth (HPD within 5 %)", f"{depth:.3g} mm"))
    if following is not None:
        rows.append(("next detector distance to measure", f"{following:.6g} mm"))
    return rows
