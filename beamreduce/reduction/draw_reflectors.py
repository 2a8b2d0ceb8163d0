"""The figures of a run over reflectors."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from beamreduce.figures import (
    chosen_yields,
    draw_and_save,
    draw_control_chart,
    draw_filling_plan,
    draw_height_map,
    draw_spectra,
    draw_yields,
    yields_height_cm,
)
from beamreduce.reduction.reflectors_results import ReflectorRun
from beamreduce.reflectors import mean_spectra, open_map, remove_shape

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MAP_FIGURE = "map_example"
SPECTRA_FIGURE = "spectra"
PLAN_FIGURE = "filling_plan"


def draw_reflectors(run: ReflectorRun, tell: Callable[[str, int, int], None]) -> list[str]:
    """Write every figure there is something for, as PNG and SVG; returns their names."""
    folder = run.output.partial
    work: dict[str, tuple[float, Callable[[Axes], object]]] = {}
    example = _example(run)
    if example is not None:
        title, heights = example
        work[MAP_FIGURE] = (14.0, lambda ax: draw_height_map(ax, heights, title=title))
    spectra = mean_spectra(run.folder.reflectors, run.maps)
    if spectra:
        work[SPECTRA_FIGURE] = (11.5, lambda ax: draw_spectra(ax, spectra))
    confidence = run.folder.setup.plan.confidence
    stages = [y for y in run.yields if y.kind == "stage"]
    overall = sum(y.good for y in stages) / max(1, sum(y.formed for y in stages))
    for kind in sorted({y.kind for y in run.yields}):
        groups = chosen_yields(run.yields, kind)
        work[f"yield_{kind}"] = (
            yields_height_cm(len(groups)),
            lambda ax, groups=groups: draw_yields(
                ax, groups, overall=overall, confidence=confidence
            ),
        )
    for chart in run.charts:
        stage = chart.quantity.split()[-1]
        work[f"control_{stage}"] = (
            12.0,
            lambda ax, chart=chart: draw_control_chart(ax, chart),
        )
    if run.plan.plan.filled:
        work[PLAN_FIGURE] = (9.5, lambda ax: draw_filling_plan(ax, run.plan.plan))
    for done, (name, (height_cm, draw)) in enumerate(work.items(), start=1):
        _save(folder / name, height_cm, draw)
        tell("figures", done, len(work))
    return list(work)


def _save(path: Path, height_cm: float, draw: "Callable[[Axes], object]") -> None:
    draw_and_save(
        path,
        lambda figure: draw(figure.subplots()),
        height_cm=height_cm,
        width_cm=14.0,
    )


def _example(run: ReflectorRun) -> tuple[str, object] | None:
    """Return the residual of the map in the middle by Sq: what a usual one looks like."""
    usable = [
        (run.maps[row.map].values["Sq"].value, row.map, row)
        for reflector in run.folder.reflectors
        for row in reflector.maps
        if run.maps[row.map].usable
    ]
    if not usable:
        return None
    sq, name, row = sorted(usable, key=lambda entry: entry[:2])[len(usable) // 2]
    treatment = run.folder.setup.treatment
    residual = remove_shape(
        open_map(row), shape=treatment.shape, outlier_limit=treatment.outlier_limit
    )
    return f"map {name}, the middle one by Sq: {sq:.3g} nm", residual.map
