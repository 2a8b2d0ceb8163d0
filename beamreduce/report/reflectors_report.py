"""The page of a run over reflectors: grades, yields, spectra, the plan."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from astropy.table import Table

from beamreduce.report.page import Section, picture, render_page
from beamreduce.report.plain_section import grid, plain_section

_GRADES = ("flight", "reserve", "reject", "not graded")
_CAPTIONS = {
    "map_example": "Heights of the map in the middle by Sq, shape taken out.",
    "spectra": "Spectra along the light of all maps at the most usual magnification: "
    "light is scattered to angles in proportion to the spatial frequency.",
    "yield_stage": "Yield of flight grade by stage.",
    "yield_batch": "By batch, in the order they were made; of more than thirty the lowest.",
    "yield_mandrel": "By mandrel; of more than thirty the lowest. Mandrels of nestings "
    "with stricter limits have lower yields.",
    "yield_coating_run": "By coating run, in the order they were made.",
    "control_primary": "Sq of primaries, batch by batch.",
    "control_secondary": "Sq of secondaries, batch by batch.",
    "filling_plan": "Every slot by what fills it.",
}


@dataclass(frozen=True)
class _Run:
    folder: Path
    results: Mapping[str, object]

    def table(self, name: str) -> Table:
        return Table.read(self.folder / f"{name}.ecsv", format="ascii.ecsv")

    def figures(self, *names: str) -> list[dict[str, object]]:
        found = []
        for name in names:
            image = picture(self.folder / name, _CAPTIONS[name])
            if image is not None:
                found.append({"image": image, "caption": _CAPTIONS[name], "data": ""})
        return found


def reflectors_report(folder: Path) -> str:
    """Return the page of a results folder of ``reflectors``.

    Parameters
    ----------
    folder
        Holds ``reflectors.json``, the tables, and the figures that are shown; those that
        are not there are left out.
    """
    results = json.loads((folder / "reflectors.json").read_text(encoding="utf-8"))
    run = _Run(folder, results)
    sections = [
        _summary(run),
        _process(run),
        _surfaces(run),
        _plan(run),
        _orders(run),
        _not_flight(run),
    ]
    if (folder / "flat_blanks.ecsv").is_file():
        sections.append(_blanks(run))
    if (folder / "bar_tolerances.ecsv").is_file():
        sections.append(_bars(run))
    name = str(results["name"]) or folder.name
    return render_page("Reflectors", name, sections, version=str(results["version"]))


def _plain(table: Table, names: Sequence[str]) -> list[list[object]]:
    """Return rows of a table as plain values, None where masked."""
    columns = []
    for name in names:
        values = table[name].tolist()
        columns.append(values)
    return [list(row) for row in zip(*columns, strict=True)]


def _summary(run: _Run) -> Section:
    results = run.results
    plan = results["plan"]
    grades = results["grades"]
    looks = []
    low = [y for y in results["yields"] if y["stands_out"] == "low"]
    if low:
        names = ", ".join(f"{y['kind'].replace('_', ' ')} {y['name']}" for y in low)
        looks.append(f"the yield stands out as low for {names}")
    for chart in results["control"]:
        if chart["signals"]:
            names = ", ".join(s["batch"] for s in chart["signals"])
            looks.append(f"{chart['quantity']} is out of control in batches {names}")
    if plan["slots"] > plan["filled"]:
        looks.append(f"{plan['slots'] - plan['filled']} slots stay empty, see the plan")
    if results["disagreeing"]:
        looks.append(
            "maps of one reflector disagree: " + ", ".join(results["disagreeing"][:20])
        )
    if results["unusable_maps"]:
        looks.append(
            "maps that give no numbers: " + ", ".join(list(results["unusable_maps"])[:20])
        )
    looks += [str(note) for note in results["notes"]]
    fines = [] if looks else ["Nothing stands out."]
    rows = [[stage, *(counts[g] for g in _GRADES)] for stage, counts in grades.items()]
    text = (
        f"{results['reflectors']} reflectors, {results['maps']} maps. "
        f"{plan['filled']} of {plan['slots']} slots are filled, {plan['reserves']} of them "
        f"by reserves; {plan['spares']} reflectors are spare."
    )
    table = grid("reflectors by grade", ["stage", *_GRADES], rows)
    return plain_section(
        "summary", "Summary", texts=[text], looks=looks, fines=fines, tables=[table]
    )


def _process(run: _Run) -> Section:
    rows = [
        [f"{y['kind'].replace('_', ' ')} {y['name']}", y["good"], y["formed"], y["share"],
         f"{y['low']:.3f} to {y['high']:.3f}", y["probability"], y["stands_out"],
         y["Sq_limit"]]
        for y in run.results["yields"]
        if y["stands_out"] or y["kind"] == "stage"
    ]  # fmt: skip
    head = [
        "group",
        "flight",
        "graded",
        "yield",
        "interval",
        "by chance",
        "stands out",
        "Sq limit (nm)",
    ]
    return plain_section(
        "process",
        "Forming and coating",
        texts=[
            "Yield is the share of flight grade among all that were graded. A group stands "
            "out when chance alone would set it apart from all others as much in less than "
            "one run in twenty, all groups of its kind looked at together. Nine of ten "
            "reflectors made so stay below the Sq limit, with 95 % confidence (tolerance "
            "limit, ln Sq taken as normal)."
        ],
        tables=[grid("stages, and groups that stand out", head, rows, "yields.ecsv")],
        figures=run.figures(
            "control_primary", "control_secondary", "yield_stage", "yield_coating_run",
            "yield_mandrel", "yield_batch",
        ),
    )  # fmt: skip


def _surfaces(run: _Run) -> Section:
    return plain_section(
        "surfaces",
        "Surfaces",
        texts=[
            "Sa, Sq and Sz of every reflector are in reflectors.ecsv. They count the waves "
            "that a map can show, from two points to its size, without its shape."
        ],
        figures=run.figures("map_example", "spectra"),
    )


def _plan(run: _Run) -> Section:
    results = run.results
    plan = run.table("filling_plan")
    names = ("quadrant", "stage", "nesting", "reflector", "grade", "loss")
    rows = _plain(plan, names)
    empty = [row[:3] for row in rows if not row[3]]
    reserves = [row for row in rows if row[4] == "reserve"]
    forecast = [
        [f["quadrant"], f["energy_kev"], f["filled_share"], f["area_factor"],
         f["core_hpd_arcsec"], f["hpd_arcsec"]]
        for f in results["forecast"]
    ]  # fmt: skip
    tables = []
    if forecast:
        head = ["quadrant", "energy (keV)", "filled share of area", "kept by roughness",
                "HPD without scatter (arcsec)", "HPD (arcsec)"]  # fmt: skip
        tables.append(grid("forecast", head, forecast, "reflectors.json"))
    if empty:
        tables.append(grid("slots that stay empty", names[:3], empty, "filling_plan.ecsv"))
    if reserves:
        tables.append(
            grid("slots filled by reserves", names, reserves, "filling_plan.ecsv")
        )
    words = {
        "area": "the area that roughness scatters away",
        "hpd": "what scatter adds to the half-power diameter",
        "roughness": "Sq",
    }
    return plain_section(
        "plan",
        "Filling plan",
        texts=[
            f"Most slots are filled, then fewest reserves used, then "
            f"{words[results['plan']['minimised']]} is made least. The whole plan is in "
            f"filling_plan.ecsv, what is left in spares.ecsv. The forecast counts the "
            f"light of pairs whose primary and secondary are both there."
        ],
        tables=tables,
        figures=run.figures("filling_plan"),
        with_caution=True,
    )


def _orders(run: _Run) -> Section:
    names = ("stage", "nesting", "needed", "empty", "yield", "to_form", "probability",
             "even_bet")  # fmt: skip
    orders = [[row.get(name) for name in names] for row in run.results["to_form"]]
    known = [row[5] for row in orders if row[5] is not None]
    text = (
        f"{sum(known)} reflectors of {len(orders)} kinds. Needed are slots that are empty "
        f"or hold a reserve; so many formed give enough flight grade with the probability "
        f"shown. The yield is that of the stage, and how well it is known is counted."
        if orders
        else "Nothing needs to be formed: every slot holds a reflector of flight grade, or "
        "no yield is known."
    )
    head = [name.replace("_", " ") for name in names]
    tables = [grid("to form next", head, orders, "to_form.ecsv")] if orders else []
    return plain_section("orders", "What to form next", texts=[text], tables=tables)


def _not_flight(run: _Run) -> Section:
    table = run.table("reflectors")
    names = ("reflector", "stage", "nesting", "mandrel", "batch", "Sq", "Sq_uncertainty",
             "grade", "margin", "reason")  # fmt: skip
    rows = [row for row in _plain(table, names) if row[7] in ("reject", "not graded")]
    rows.sort(key=lambda row: (row[8] is None, row[8] or 0.0, row[0]))
    text = (
        "Rejects first, the worst at the top; every reflector with its reason is in "
        "reflectors.ecsv."
        if rows
        else "No reflector is rejected."
    )
    head = [
        {"Sq": "Sq (nm)", "Sq_uncertainty": "uncertainty (nm)"}.get(name, name)
        for name in names
    ]
    tables = [grid("rejects", head, rows, "reflectors.ecsv")] if rows else []
    return plain_section("rejects", "Rejects", texts=[text], tables=tables)


def _blanks(run: _Run) -> Section:
    table = run.table("flat_blanks")
    names = ("nesting", "stage", "inner_radius", "outer_radius", "angle", "width", "height",
             "rows", "pitch")  # fmt: skip
    rows = _plain(table, names)
    ends = rows[:2] + rows[-2:] if len(rows) > 4 else rows
    units = {"inner_radius": " (mm)", "outer_radius": " (mm)", "angle": " (deg)",
             "width": " (mm)", "height": " (mm)", "pitch": " (mm)"}  # fmt: skip
    head = [name.replace("_", " ") + units.get(name, "") for name in names]
    return plain_section(
        "blanks",
        "Flat blanks",
        texts=[
            "Exact developed cones of the reflecting surfaces, the first and the last "
            "nesting here, all in flat_blanks.ecsv. Allowances for edges, trimming and "
            "foil thickness are not in them."
        ],
        tables=[grid("flat blanks", head, ends, "flat_blanks.ecsv")],
    )


def _bars(run: _Run) -> Section:
    table = run.table("bar_tolerances")
    names = ("nesting", "end", "shift", "hpd", "shift_by_lean")
    rows = _plain(table, names)
    ends = rows[:4] + rows[-4:] if len(rows) > 8 else rows
    head = ["nesting", "end of reflector", "shift (arcsec/µm)", "HPD (arcsec/µm)",
            "shift by lean (arcsec/arcmin)"]  # fmt: skip
    tables = [grid("what a bar error does", head, ends, "bar_tolerances.ecsv")]
    texts = [
        "How far the image of a bar's azimuth moves outwards for a groove that is 1 µm too "
        "far out, the half-power diameter that independent errors of 1 µm rms of all bars "
        "make of a point, and the shift for a bar that leans by 1 arcmin; the first and "
        "the last nesting here, all in bar_tolerances.ecsv. Front and rear off alike "
        "hardly matter: it is their difference that turns the surface."
    ]
    budget = run.results["bar_budget"]
    if budget is not None:
        lean = budget["lean_arcmin"]
        texts.append(
            f"A half-power diameter of {budget['hpd_target_arcsec']:.4g} arcsec leaves "
            f"room for {budget['radial_um']:.3g} µm rms at every groove, where it is "
            f"{budget['hpd_without_bar_errors_arcsec']:.4g} arcsec without bar errors"
            + ("." if lean is None else f", or for {lean:.3g} arcmin rms of lean alone.")
        )
    return plain_section("bars", "Alignment bars", texts=texts, tables=tables)
