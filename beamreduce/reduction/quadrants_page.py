"""``report.html`` of quadrants: one page that opens without a network."""

import math
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from beamreduce.mirror.bar_errors import BAR_ENDS
from beamreduce.record import Uncertain, rounded, software_versions
from beamreduce.reduction.quadrants_bars import hpd_for_1um, radial_mm
from beamreduce.reduction.quadrants_content import CAUTION
from beamreduce.reduction.quadrants_rounds import moves_seen
from beamreduce.reduction.quadrants_step import QuadrantsFound
from beamreduce.report import Section, picture, render, render_page

_ARCSEC = math.degrees(1) * 3600
_BAR_ROWS = 12
_STATES = (
    ("as they are", "now"),
    ("after the moves planned here", "after_move"),
    ("every one on its target", "coincident"),
)
_KEYS = ("hpd_{}_arcsec", "best_focus_{}_mm", "area_{}_cm2", "hpd_{}_at_detector_arcsec")
# Name of a figure: where it stands, caption, data behind it.
FIGURES = {
    "images": ("moves", "Cores of the images of the present round (roots of photons). "
               "Plus: center; circle: half of the photons; cross: where the center should "
               "be.", "images.fits"),
    "displacements": ("moves", "Off target by round (the numbers), with standard "
                      "uncertainties; arrows: what the next moves should do.",
                      "quadrants.ecsv"),
    "rounds": ("rounds", "Off target, and HPD of the whole mirror at best focus by the "
               "mirror model, round by round.", "convergence.ecsv"),
    "focus": ("rounds", "HPD of the whole mirror against the detector's distance.",
              "focus.ecsv"),
    "bar_errors": ("bars", "Move of each nesting's light for an error of one bar end.",
                   "bar_errors.ecsv"),
    "bar_budget": ("bars", "HPD of the whole mirror, quadrants on their targets, with "
                   "errors of bars on top of the slope errors found.", "bar_budget.ecsv"),
}  # fmt: skip


def quadrants_html(
    folder: Path, content: Mapping[str, object], found: QuadrantsFound
) -> str:
    """Return the whole page; figures are read from the folder, where they are drawn."""
    sections = [
        _section("summary", "What moving the quadrants is worth", _summary(content)),
        _section("moves", "Places and next moves",
                 _moves(content) | {"figures": _pictures(folder, "moves")}),
        _section("rounds", "Rounds",
                 _rounds(content, found) | {"figures": _pictures(folder, "rounds")}),
    ]  # fmt: skip
    if found.effects:
        body = _adjusters(found, content["notes"])
        sections.append(_section("adjusters", "What each adjuster does", body))
    body = _bars(found) | {"figures": _pictures(folder, "bars")}
    sections.append(_section("bars", "Alignment bars", body))
    notes = sorted(content["notes"].items())  # type: ignore[attr-defined]
    pairs = [(key.replace("_", " "), text) for key, text in notes]
    sections.append(_section("notes", "Notes", {"notes": pairs}))
    return render_page(
        "Quadrants",
        str(content["campaign"]),
        sections,
        version=software_versions()["beamreduce"],
    )


def _section(name: str, title: str, content: Mapping[str, object]) -> Section:
    body = render(f"quadrants_{name}.html", content)
    return Section(anchor=name, title=title, body=body)


def _pictures(folder: Path, where: str) -> list[dict[str, object]]:
    found = []
    for name, (place, caption, data) in FIGURES.items():
        image = picture(folder / name, caption) if place == where else None
        if image is not None:
            found.append({"image": image, "caption": caption, "data": data})
    return found


def _summary(content: Mapping[str, object]) -> dict[str, object]:
    states = [
        {"state": words, "cells": [_text(content[key.format(name)]) for key in _KEYS]}
        for words, name in _STATES
        if content[_KEYS[0].format(name)] is not None
    ]
    notes: Mapping[str, str] = content["notes"]  # type: ignore[assignment]
    look = [
        text
        for key, text in notes.items()
        if key in ("move", "hpd_coincident_arcsec", "missing", "short_of_target", "stop")
        or key.startswith(("diffraction", "fit", "target"))
    ]
    return {
        "round": content["round"],
        "detector": f"{content['detector_distance_mm']:g}",
        "energy": f"{content['energy_keV']:g}",
        "states": states,
        "look": look,
        "caution": CAUTION,
    }


def _moves(content: Mapping[str, object]) -> dict[str, object]:
    return {
        "rows": [_row(one) for one in content["quadrants"]],  # type: ignore[attr-defined]
        "moves": _move_rows(content["quadrants"]),
        "left_alone": content["left_alone"],
    }


def _row(one: Mapping[str, object]) -> dict[str, str]:
    if one["center_pixel"] is None:
        return {
            "aperture": str(one["aperture"]),
            "measurement": "no image",
        } | dict.fromkeys(("center", "apart", "hpd", "shape", "move", "left"), "")
    shape = one["shape"]
    moves = one["move"]
    steps = [f"{m['adjuster']} {m['steps']:+d}" for m in moves or () if m["steps"]]
    return {
        "aperture": str(one["aperture"]),
        "measurement": str(one["measurement"]),
        "center": _pair(one["center_pixel"], one["center_uncertainty_pixel"], "{:.2f}"),
        "apart": _pair(one["displacement_mm"], one["displacement_uncertainty_mm"]),
        "hpd": _text(one["hpd_measured_arcsec"]),
        "shape": (
            ""
            if shape is None
            else f"{shape['longest_mm']['value']:.3f} × "
            f"{shape['shortest_mm']['value']:.3f} at {shape['longest_azimuth_deg']:.0f}°"
        ),
        "move": "null" if moves is None else ", ".join(steps) or "none",
        "left": _pair(one["residual_pixel"], None, "{:+.2f}"),
    }


def _move_rows(quadrants: object) -> list[dict[str, str]]:
    return [
        {
            "quadrant": str(one["aperture"]),
            "adjuster": m["adjuster"],
            "steps": f"{m['steps']:+d}",
            "amount": f"{m['value']:+.4g} ± {m['uncertainty']:.1g} {m['unit']}",
            "note": m["note"] or "",
        }
        for one in quadrants  # type: ignore[attr-defined]
        for m in one["move"] or ()
        if m["steps"] or m["note"]
    ]


def _rounds(content: Mapping[str, object], found: QuadrantsFound) -> dict[str, object]:
    rows = []
    for one in content["rounds"]:  # type: ignore[attr-defined]
        done = [
            f"{quadrant} {name} {steps:+d}"
            for quadrant, moves in one["done_steps"].items()
            for name, steps in moves.items()
        ]
        apart, hpd = one["rms_displacement_mm"], one["hpd_best_focus_arcsec"]
        rows.append(
            {
                "round": one["round"],
                "done": ", ".join(done) or "nothing",
                "apart": "" if apart is None else f"{apart:.3f}",
                "hpd": "" if hpd is None else f"{hpd:.2f}",
            }
        )
    moved = [
        {
            "round": one["round"],
            "quadrant": one["aperture"],
            "expected": _pair(one["expected_mm"], None),
            "seen": _pair(one["seen_mm"], one["seen_uncertainty_mm"]),
            "difference": _pair(np.subtract(one["seen_mm"], one["expected_mm"]), None),
        }
        for one in moves_seen(found)
    ]
    return {"rows": rows, "moved": moved}


def _adjusters(found: QuadrantsFound, notes: object) -> dict[str, object]:
    rows = []
    for effect in found.effects:
        adjuster = effect.adjuster
        travel = adjuster.travel_max - adjuster.travel_min
        x, y = effect.per_step_mm * 1000
        rows.append(
            {
                "quadrant": adjuster.quadrant,
                "adjuster": adjuster.name + (" (locked)" if adjuster.locked else ""),
                "motion": adjuster.motion,
                "stage": adjuster.stage,
                "step": f"{adjuster.amount(1):.4g}",
                "per_step": f"{x:+.3g}, {y:+.3g}",
                "over": f"{float(np.hypot(*effect.per_unit_mm)) * travel:.3g}",
                "hpd": f"{effect.hpd_change_rad * _ARCSEC:+.2f}",
                "flux": f"{effect.flux_per_unit * travel / 2:+.1%}",
            }
        )
    return {"rows": rows, "lens_rule": _sentence(notes["lens_rule"]),  # type: ignore[index]
            "flux": _sentence(notes["flux"])}  # type: ignore[index] # fmt: skip


def _bars(found: QuadrantsFound) -> dict[str, object]:
    every = max(math.ceil(len(found.bars) / _BAR_ROWS), 1)
    rows = [
        [
            str(one.nesting),
            f"{one.radius_mm:.2f}",
            *(f"{move / 1000:+.4f}" for move in radial),
            f"{radial.sum():.3f}",
            f"{hpd_for_1um(one):.2f}",
        ]
        for one in found.bars[::every]
        for radial in [radial_mm(one, found.detector_mm)]
    ]
    budget = "" if found.budget is None else _sentence(found.budget.sentence)
    names = [bar.replace("_", " ") for bar in BAR_ENDS]
    return {"budget": budget, "every": every, "names": names, "rows": rows}


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _text(quantity: object) -> str:
    if quantity is None:
        return "null"
    return rounded(Uncertain.from_json(quantity))  # type: ignore[arg-type]


def _pair(
    values: Sequence[float] | np.ndarray | None,
    errors: Sequence[float] | None,
    form: str = "{:+.3f}",
) -> str:
    if values is None:
        return "null"
    texts = [form.format(value) for value in values]
    if errors is not None:
        digits = form.replace("+", "")
        texts = [f"{t} ± {digits.format(e)}" for t, e in zip(texts, errors, strict=True)]
    return ", ".join(texts)
