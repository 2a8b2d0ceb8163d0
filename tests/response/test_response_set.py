"""A whole set of files: what is in them, that they repeat, and what is refused."""

import json
from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import QTable
from click.testing import CliRunner

from beamreduce.cli import main
from beamreduce.errors import (
    AreaError,
    GeometryError,
    OutputError,
    ResultsError,
    SettingsError,
)
from beamreduce.reduction.responses_run import ResponseOptions, write_responses
from beamreduce.response.conformance import check_response_file
from tests.response.made_areas import (
    DETECTOR,
    LINES,
    line,
    model_area,
    settings,
    small_mirror,
    usual_measurements,
    write_areas,
)
from tests.response.test_line_spectra import TRUTH, write_spectra


def arf(made, name="total"):
    with fits.open(made.folder / f"{name}.arf") as hdus:
        return {c: np.array(hdus["SPECRESP"].data[c], float) for c in
                hdus["SPECRESP"].columns.names}  # fmt: skip


def test_the_files_are_there(response_set):
    assert {
        "total.arf", "inside_223.2arcsec.arf", "Q1.arf", "off_axis_3arcmin_0deg.arf",
        "lines.rmf", "effective_area.fits", "vignetting.fits", "encircled_energy.fits",
        "image_shape.fits",
    } == set(response_set.files)  # fmt: skip
    others = {"responses.json", "settings.toml", "provenance.json", "run_log.json",
              "area_curve.png", "redistribution.svg", "area_lines.ecsv"}  # fmt: skip
    assert others <= {p.name for p in response_set.folder.iterdir()}


def test_every_file_conforms_and_the_checker_can_say_no(response_set, tmp_path):
    for name in response_set.files:
        assert check_response_file(response_set.folder / name) == ()
    broken = tmp_path / "broken.arf"
    with fits.open(response_set.folder / "total.arf") as hdus:
        hdus["SPECRESP"].header["HDUCLAS1"] = "OTHER"
        hdus["SPECRESP"].data["SPECRESP"][3] = -1
        hdus["SPECRESP"].data["ENERG_HI"][5] += 1
        hdus["SPECRESP"].columns["SPECRESP"].unit = "m**2"
        hdus.writeto(broken)
    said = "\n".join(str(p) for p in check_response_file(broken))
    for word in ("HDUCLAS1", "unit 'm**2'"):
        assert word in said
    with fits.open(response_set.folder / "lines.rmf") as hdus:
        hdus["MATRIX"].data["LOSS"][4] = 0.3
        hdus.writeto(tmp_path / "broken.rmf", checksum=True)
    (problem,) = check_response_file(tmp_path / "broken.rmf")
    assert "row 5: found a sum of 1.3" in str(problem)
    damaged = bytearray((response_set.folder / "total.arf").read_bytes())
    damaged[40_000] ^= 1
    (tmp_path / "damaged.arf").write_bytes(damaged)
    assert any("checksum" in str(p).lower() for p in
               check_response_file(tmp_path / "damaged.arf"))  # fmt: skip


def test_grid_and_area_are_as_said(response_set):
    table = arf(response_set)
    assert table["ENERG_LO"][0] == pytest.approx(1.387, abs=1e-6)
    assert table["ENERG_HI"][-1] == pytest.approx(8.148, abs=1e-6)
    np.testing.assert_allclose(np.diff(table["ENERG_LO"])[:-1], 0.01, atol=1e-6)
    middle = (table["ENERG_LO"] + table["ENERG_HI"]) / 2
    for energy in LINES.values():
        near = np.interp(energy, middle, table["SPECRESP"])
        assert near == pytest.approx(0.97 * model_area(energy), rel=2e-3)


def test_parts_go_through_what_was_measured_there(response_set):
    for name, options in (
        ("Q1", {"between": (0.0, np.pi / 2)}),
        ("off_axis_3arcmin_0deg", {"off_axis": 3 / 60 * np.pi / 180}),
    ):
        table = arf(response_set, name)
        middle = (table["ENERG_LO"] + table["ENERG_HI"]) / 2
        if "off_axis" in options:
            import astropy.units as u  # noqa: PLC0415

            options = {"off_axis": 3 * u.arcmin}
        near = np.interp(LINES["Ti"], middle, table["SPECRESP"])
        assert near == pytest.approx(0.97 * model_area(LINES["Ti"], **options), rel=2e-3)


def test_inside_is_the_whole_times_the_encircled_share(response_set):
    whole, inside = arf(response_set), arf(response_set, "inside_223.2arcsec")
    np.testing.assert_allclose(inside["SPECRESP"], 0.97 * whole["SPECRESP"], rtol=1e-6)


def test_covariance_rows_add_up_to_the_error_columns(response_set):
    with fits.open(response_set.folder / "total.arf") as hdus:
        area, rows = hdus["SPECRESP"].data, hdus["AREACOV"].data
        square = {k: np.zeros(len(area)) for k in ("statistical", "systematic", "model")}
        for row in rows:
            square[row["KIND"].strip()] += np.square(row["CHANGE"], dtype=float)
        for kind, column in (("statistical", "STAT_ERR"), ("systematic", "SYS_ERR"),
                             ("model", "MODL_ERR")):  # fmt: skip
            np.testing.assert_allclose(area[column], np.sqrt(square[kind]), rtol=1e-5)
        # The table of constants rules beside the M5 edge of gold, not far from it.
        energy = (area["ENERG_LO"] + area["ENERG_HI"]) / 2
        relative = area["MODL_ERR"] / area["SPECRESP"]
        edge = relative[np.abs(energy - 2.22) < 0.05].max()
        assert edge > 10 * relative[np.argmin(np.abs(energy - 6.0))]


def test_signed_off_numbers_name_their_certificates(response_set):
    with fits.open(response_set.folder / "total.arf") as hdus:
        rows = {r["ITEM"].strip(): r for r in hdus["SIGNOFF"].data}
    assert rows["pixel size"]["CERTIFICATE"].strip() == "PX-17"
    assert rows["pixel size"]["UNCERT"].strip() == "0.01 um"
    assert rows["source distance"]["CERTIFICATE"].strip() == "not given"


def test_images_and_encircled_energy(response_set):
    with fits.open(response_set.folder / "encircled_energy.fits") as hdus:
        reef = hdus["REEF"].data["REEF"]
        np.testing.assert_allclose(reef[:, -1], 1, rtol=1e-6)
        assert (np.diff(reef, axis=1) >= 0).all()
    with fits.open(response_set.folder / "image_shape.fits") as hdus:
        rows = hdus["RPSF"].data
        rings = np.pi * (rows["RAD_HI"] ** 2.0 - rows["RAD_LO"] ** 2.0)
        np.testing.assert_allclose((rows["RPSF"] * rings).sum(axis=1), 1, rtol=1e-5)
        images = [h for h in hdus if h.name == "PSF"]
        assert len(images) == 3
        assert images[0].data.sum() == pytest.approx(1)
        assert images[0].header["CRPIX1"] == 16


def test_the_record_says_what_it_came_from(response_set):
    stored = json.loads((response_set.folder / "responses.json").read_text())
    assert stored["factor"]["parameters"] == pytest.approx([np.log(0.97)], abs=1e-4)
    assert [one["id"] for one in stored["lines"]] == ["Al", "Ti", "Cu"]
    assert len(stored["factor"]["covariance"]) == 1
    record = json.loads((response_set.folder / "provenance.json").read_text())
    assert "br:results/results.json" in record["entity"]
    table = QTable.read(response_set.folder / "area_total.ecsv")
    assert not table["extrapolated"].any()


def test_the_same_input_gives_the_same_bytes(response_set, area_results, tmp_path):
    # Figures repeat byte for byte by tests of their own; drawing takes most of the time.
    again = write_responses(
        area_results, tmp_path / "again", options=ResponseOptions(figures=False)
    )
    for path in response_set.folder.iterdir():
        if (
            path.suffix in (".arf", ".rmf", ".fits", ".ecsv")
            and "line_pro" not in path.name
        ):
            assert (again.folder / path.name).read_bytes() == path.read_bytes(), path.name


def test_update_leaves_the_same_and_moves_another(area_results, tmp_path):
    place, quick = tmp_path / "set", ResponseOptions(figures=False)
    write_responses(area_results, place, options=quick)
    with pytest.raises(OutputError, match=r"found earlier results.*--update"):
        write_responses(area_results, place, options=quick)
    same = ResponseOptions(figures=False, update=True)
    assert write_responses(area_results, place, options=same).before is None
    (tmp_path / "grid.toml").write_text(
        'format = "beamreduce-grid/1"\n[energy]\nstep = "50 eV"\n'
    )
    other = ResponseOptions(figures=False, update=True, grid=tmp_path / "grid.toml")
    moved = write_responses(area_results, place, options=other).before
    assert moved is not None
    assert moved.name == "set.before-1"


def test_null_areas_never_enter(tmp_path):
    ones = [*usual_measurements(), line("dark", 6.404, None)]
    made = write_responses(write_areas(tmp_path / "r", ones), tmp_path / "o",
                           options=ResponseOptions(figures=False))  # fmt: skip
    stored = json.loads((made.folder / "responses.json").read_text())
    assert "dark" not in [one["id"] for one in stored["lines"]]


def test_no_area_at_all_is_one_error_and_leaves_nothing(tmp_path):
    results = write_areas(
        tmp_path / "r", [line("Ti", 4.511, None), line("Al", 1.487, None)]
    )
    with pytest.raises(AreaError, match=r"null at all 2 of them; expected at least one"):
        write_responses(results, tmp_path / "out")
    assert [p.name for p in tmp_path.iterdir()] == ["r"]


def run_with(area_results, tmp_path, text):
    if "[energy]" not in text:
        text = '[energy]\nstep = "50 eV"\n' + text
    grid = tmp_path / "grid.toml"
    grid.write_text('format = "beamreduce-grid/1"\n' + text)
    options = ResponseOptions(grid=grid, figures=False)
    return write_responses(area_results, tmp_path / "out", options=options)


@pytest.mark.parametrize(
    ("text", "error", "said"),
    [
        ('[energy]\nedges = ["2 keV", "3 keV", "2.5 keV"]', SettingsError,
         "edges must rise"),
        ('[energy]\nlowest = "1 keV"', SettingsError, "set extrapolate = true"),
        ('[energy]\nlowest = "5 keV"\nhighest = "3 keV"', SettingsError, "swapped"),
        ('[energy]\nhighest = "99 keV"\nextrapolate = true', SettingsError,
         "energy must be between"),
        ('[energy]\nlowest = "2 m"', SettingsError, "energy.lowest"),
        ('[energy]\nspacing = "odd"', SettingsError, "energy.spacing"),
        ('[off_axis]\nangles = ["45 arcmin"]', GeometryError, "largest grazing angle"),
        ('[inside]\nradii = ["1 deg"]', SettingsError, "at most the reference radius"),
        ("[redistribution]\nescape_fraction = 1.2", SettingsError, "escape_fraction"),
        ("[redistribution]\nescape_fraction = 0.7\nshelf_fraction = 0.6", SettingsError,
         "together below 1"),
        ('[redistribution]\nspectra = "none.ecsv"', SettingsError, "no such file"),
        ('[redistribution]\nhighest_channel = "3 keV"', SettingsError, "hold only"),
        ('[redistribution]\nline_width = [["2 keV", "90 eV"], ["5 keV", "120 eV"]]',
         SettingsError, "line_width must reach every energy"),
        ("[colour]\nx = 1", SettingsError, "unknown key"),
        ('[names]\ntelescope = "Größe"', SettingsError, "plain ASCII"),
    ],
)  # fmt: skip
def test_bad_grids_are_one_clear_error(area_results, tmp_path, text, error, said):
    with pytest.raises(error, match=said):
        run_with(area_results, tmp_path, text)
    assert {p.name for p in tmp_path.iterdir()} == {"grid.toml"}


def test_grids_of_other_kinds(area_results, tmp_path):
    text = """[energy]
spacing = "log"
bins = 50
refine_edges = true
[off_axis]
angles = ["1 arcmin", "2 arcmin"]
azimuths = ["0 deg", "90 deg"]
[inside]
radii = ["20 arcsec", "1 arcmin"]
[redistribution]
escape_fraction = 0.01
shelf_fraction = 0.02
[surface]
density = ["17 g/cm3", "19.5 g/cm3"]
roughness = ["0 nm", "2 nm"]
"""
    made = run_with(area_results, tmp_path, text)
    widths = np.diff(arf(made)["ENERG_LO"])
    assert widths.min() == pytest.approx(0.001, rel=0.1)
    assert sum(n.startswith("off_axis") for n in made.files) == 4
    assert sum(n.startswith("inside") for n in made.files) == 2
    notes = made.content.notes
    assert any("no area was measured at 1 arcmin" in note for note in notes)
    with fits.open(made.folder / "vignetting.fits") as hdus:
        grid = hdus["VIGNET"].data["VIGNET"][0]
        assert grid.shape == (2, 3, made.content.grid.bins)
        assert (np.diff(grid, axis=1) < 0).all()
    stored = json.loads((made.folder / "responses.json").read_text())
    assert not stored["surface"]["roughness"]["determined"]


def test_extrapolation_is_said_in_every_file(area_results, tmp_path):
    text = '[energy]\nlowest = "1 keV"\nstep = "50 eV"\nextrapolate = true'
    made = run_with(area_results, tmp_path, text)
    for name in made.files:
        with fits.open(made.folder / name) as hdus:
            assert "EXTRAPOLATED" in str(hdus[1].header["HISTORY"])
    assert any("extrapolated" in note for note in made.content.notes)


def test_a_nest_that_the_settings_lack_is_refused(tmp_path):
    (tmp_path / "campaign").mkdir()
    (tmp_path / "campaign" / "nestings.ecsv").write_text("# there\n")
    stored = settings() | {"campaign_folder": "../campaign"}
    results = write_areas(tmp_path / "r", [line("Ti", 4.511, 30.0)], stored_settings=stored)
    with pytest.raises(ResultsError, match="found no nestings, though the campaign has"):
        write_responses(results, tmp_path / "out")


def test_a_stored_nest_is_used(tmp_path):
    from beamreduce.response.results_input import (  # noqa: PLC0415
        results_input,
        stored_nest,
    )

    nest = small_mirror().prescription
    stored = settings() | {"nestings": stored_nest(nest)}
    given = results_input(tmp_path, "made", [], stored)
    assert given.mirror.prescription == nest


def test_the_output_may_not_lie_in_the_results(area_results):
    with pytest.raises(OutputError, match="results are never changed"):
        write_responses(area_results, area_results / "inside")


def test_command_line(area_results, tmp_path):
    arguments = ["responses", str(area_results), "-o", str(tmp_path / "out")]
    run = CliRunner().invoke(main, arguments)
    assert run.exit_code == 0
    assert "total.arf" in run.output
    again = CliRunner().invoke(main, arguments)
    assert again.exit_code == 1
    assert again.output.startswith("error: ")
    (tmp_path / "bad.toml").write_text("nothing = ")
    bad = [*arguments, "--grid", str(tmp_path / "bad.toml")]
    assert "found no TOML" in CliRunner().invoke(main, bad).output


def test_measured_lines_ride_along_with_what_is_not_known_of_them(area_results, tmp_path):
    spectra = tmp_path / "lines.ecsv"
    write_spectra(spectra, photons=3000)
    grid = tmp_path / "grid.toml"
    grid.write_text(
        'format = "beamreduce-grid/1"\n[redistribution]\nspectra = "lines.ecsv"\n'
    )
    options = ResponseOptions(grid=grid, figures=False)
    done = write_responses(area_results, tmp_path / "out", options=options)
    stored = json.loads((done.folder / "responses.json").read_text())["redistribution"]
    table = fits.getdata(done.folder / "lines.rmf", "LINES")
    assert len(table) == len(stored["lines"]) == len(TRUTH)
    for row, one, (energy, truth) in zip(
        table, stored["lines"], TRUTH.items(), strict=True
    ):
        width = one["full_width_eV"]
        # A standard deviation from N photons is known to 1/√(2N), more with a shelf.
        part = width["uncertainty"] / width["value"]
        assert part == pytest.approx(1 / np.sqrt(2 * one["counts"]), rel=0.2)
        wanted = 2354.82 * truth[0]
        assert abs(width["value"] - wanted) < 4 * width["uncertainty"]
        assert (row["ENERGY"], row["FWHM"]) == (energy, width["value"])
        assert row["FWHM_ERR"] == width["uncertainty"]
        assert one["accepted"]
    assert "measured lines of the detector" in (done.folder / "report.html").read_text()
    assert not done.content.matrix.fitted[0].uncertainties[1]  # below the silicon edge


def test_a_spectrum_of_another_shape_is_said(area_results, tmp_path):
    path = write_spectra(tmp_path / "lines.ecsv", photons=50_000)
    table = QTable.read(path, format="ascii.ecsv")
    second = np.abs(table["e_min"].to_value("keV") - 4.0) < 0.05
    table["counts"] = np.asarray(table["counts"]) + np.where(second, 400, 0)
    table.write(path, format="ascii.ecsv", overwrite=True)
    grid = tmp_path / "grid.toml"
    grid.write_text(
        'format = "beamreduce-grid/1"\n[redistribution]\nspectra = "lines.ecsv"\n'
    )
    options = ResponseOptions(grid=grid, figures=False)
    done = write_responses(area_results, tmp_path / "out", options=options)
    assert any("is not a core with escape line" in note for note in done.content.notes)
    assert "NO" in (done.folder / "report.html").read_text()


def test_the_matrix_is_of_the_detector_that_saw_the_lines(tmp_path):
    other = DETECTOR | {"name": "far", "read_noise": "60.0 electron"}
    stored = settings()
    stored["detectors"] = {"detector": DETECTOR, "far": other}
    ones = [replace(one, detector="far") for one in usual_measurements()]
    ones[-1] = replace(ones[-1], detector="")  # off the axis, by the other one
    folder = write_areas(tmp_path / "results", ones, stored_settings=stored)
    done = write_responses(folder, tmp_path / "out", options=ResponseOptions(figures=False))
    assert done.content.detector == "far"
    assert any("of far: [redistribution] detector chooses" in n for n in done.content.notes)
    grid = tmp_path / "grid.toml"
    for name in ("detector", "none"):
        grid.write_text(
            f'format = "beamreduce-grid/1"\n[redistribution]\ndetector = "{name}"\n'
        )
        options = ResponseOptions(grid=grid, figures=False)
        if name == "none":
            with pytest.raises(SettingsError, match="expected one of detector, far"):
                write_responses(folder, tmp_path / name, options=options)
            continue
        near = write_responses(folder, tmp_path / name, options=options)
    # 2.355 √(F w E + (read noise · w)²): noise of 6 and of 60 electrons, 3.65 eV each.
    for made, noise in ((done, 60), (near, 6)):
        shape = made.content.matrix
        peak = shape.matrix[shape.grid.bins // 2]
        middle = shape.channel_edges_kev[:-1] + np.diff(shape.channel_edges_kev) / 2
        mean = np.average(middle, weights=peak)
        spread = 1e3 * np.sqrt(np.average((middle - mean) ** 2, weights=peak))
        wanted = np.sqrt(0.115 * 3.65 * 1e3 * mean + (noise * 3.65) ** 2)
        # Channels and bins of 10 eV add (10² + 10²)/12 to the variance.
        assert spread == pytest.approx(np.hypot(wanted, 10 / np.sqrt(6)), rel=1e-3)
