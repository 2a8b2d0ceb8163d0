"""The command ``responses``: a results folder in, a set of response files out."""

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from beamreduce.record import ResultsFolder, read_results, sha256_of_file
from beamreduce.reduction.output_folder import (
    discard_partial,
    open_output,
    place_text,
    put_in_place,
    refuse_inside_results,
    same_results,
)
from beamreduce.reduction.responses_content import ResponseSet, make_responses
from beamreduce.reduction.responses_files import ResponseRun, write_response_run
from beamreduce.response.request_file import ResponseRequest, read_request
from beamreduce.response.results_input import results_input

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, kw_only=True)
class ResponseOptions:
    """How to make response files.

    Parameters
    ----------
    grid
        A grid file; None for the defaults.
    update
        Replace an earlier set, which is moved aside.
    figures
        Draw figures.
    """

    grid: Path | None = None
    update: bool = False
    figures: bool = True


@dataclass(frozen=True, kw_only=True)
class ResponsesMade:
    """What a run left behind.

    Parameters
    ----------
    folder
        Where the files are.
    content
        What they hold.
    files
        Names of the response files.
    before
        Where an earlier set was moved to.
    """

    folder: Path
    content: ResponseSet
    files: tuple[str, ...]
    before: Path | None


def write_responses(
    results_folder: Path | str,
    output_folder: Path | str,
    *,
    options: ResponseOptions | None = None,
    progress: Progress | None = None,
) -> ResponsesMade:
    """Write response files from the areas of a results folder.

    Parameters
    ----------
    results_folder
        Made by ``reduce``; never written.
    output_folder
        Made whole or not at all.
    options
        How.
    progress
        Called with (what, done, of how many).

    Raises
    ------
    AreaError
        When no line has an area.
    SettingsError, GeometryError
        When the grid file asks for what cannot be had.
    ResultsError
        When the results folder cannot be used.
    OutputError
        When the files cannot be written there.
    """
    options = options or ResponseOptions()
    started = time.time()
    tell = progress or (lambda what, done, total: None)
    place = Path(output_folder)
    refuse_inside_results(Path(results_folder), place)
    request = ResponseRequest() if options.grid is None else read_request(options.grid)
    results = read_results(results_folder)
    given = results_input(
        results.folder,
        results.campaign,
        tuple(results.measurements.values()),
        results.settings,
    )
    grid_folder = Path() if options.grid is None else options.grid.parent
    with open_output(place, update=options.update) as output:
        content = make_responses(given, request, grid_folder, tell)
        run = ResponseRun(
            content=content,
            given=given,
            request=request,
            inputs=_inputs(results, request, options.grid, grid_folder),
            folder=output.partial,
            results_place=place_text(results.folder.resolve(), output.final),
            started=started,
        )
        files = write_response_run(run, tell, figures=options.figures)
        if options.update and same_results(output):
            discard_partial(output)
            before = None
        else:
            before = put_in_place(output)
    return ResponsesMade(folder=output.final, content=content, files=files, before=before)


def responses_table(done: ResponsesMade) -> str:
    """Return one line a curve for the terminal, and what has to be known."""
    rows = []
    names = max(len(one.name) for one in done.content.curves) + len(".arf")
    words = max(len(one.words) for one in done.content.curves)
    for one in done.content.curves:
        middle = one.curve.energy_kev.size // 2
        area = one.curve.at(middle)
        rows.append(
            f"{one.name + '.arf':<{names}}  {one.words:<{words}}  {area.value:9.2f} ± "
            f"{area.uncertainty:.2f} cm² at {one.curve.energy_kev[middle]:.3f} keV"
        )
    fit = done.content.curves[0].curve.fit
    rows.append(
        f"{len(fit.ratio)} lines, {fit.parameters.size} parameter(s), chi-square "
        f"{fit.chi_square:.1f} for {fit.degrees_of_freedom} degrees of freedom"
    )
    if done.content.surface is not None:
        rows += [f"coating: {said}" for said in done.content.surface.sentences]
    rows += [f"note: {note}" for note in done.content.notes]
    return "\n".join(rows)


def _inputs(
    results: ResultsFolder, request: ResponseRequest, grid: Path | None, folder: Path
) -> dict[str, str]:
    """Checksums of everything that was read, by name."""
    inputs = {f"results/{name}": digest for name, digest in results.checksums.items()}
    for name in results.measurements:
        for kind in ("eef", "net"):
            ending = "ecsv" if kind == "eef" else "fits"
            path = results.folder / f"{kind}_{name}.{ending}"
            if path.is_file():
                inputs[f"results/{path.name}"] = sha256_of_file(path)
    if grid is not None:
        inputs[f"grid/{grid.name}"] = sha256_of_file(grid)
    if request.line.spectra is not None:
        path = folder / request.line.spectra
        inputs[f"grid/{request.line.spectra}"] = sha256_of_file(path)
    return inputs
