"""What the detector could not hold: saturation, and images cut by its edge."""

import re

import numpy as np
import pytest
from astropy.io import fits

from beamreduce.reduction.quicklook import quick_look
from tests.folders import (
    GAIN,
    PAIR_EV,
    PEDESTAL,
    PHOTONS_PER_FRAME,
    SETUP,
    SHAPE,
    SIGMA_PIXELS,
    default_rows,
    row,
    write_campaign,
)
from tests.reduction.runs import command, reduced, setup_with
from tests.reduction.schema import check_results
from tests.reduction.test_methods import HPD_MM, W90_MM, assert_near

LOW = SETUP.replace("60000 adu", "20000 adu")
LOST = (
    "net_photons",
    "hpd_measured_arcsec",
    "hpd_measured_mm",
    "w90_measured_arcsec",
    "w90_measured_mm",
    "effective_area_measured_cm2",
    "effective_area_infinity_cm2",
    "effective_area_within_reference_measured_cm2",
    "effective_area_within_reference_infinity_cm2",
)


@pytest.fixture(scope="module")
def saturated(tmp_path_factory):
    """A detector that holds a third of the peak: its campaign and its results."""
    folder = write_campaign(tmp_path_factory.mktemp("s") / "c", setup=setup_with(base=LOW))
    return folder, reduced(folder, folder.parent / "out").folder


def test_a_saturated_core_has_no_diameter_and_no_area(saturated):
    m = check_results(saturated[1])["ti"]
    for key in LOST:
        assert m[key] is None, key
        assert "saturated" in m["notes"][key], key
    assert m["saturated_fraction"] > 0
    assert m["uncertainty_budget"] == []
    assert not (saturated[1] / "eef_ti.ecsv").exists()
    mask = fits.getdata(saturated[1] / "net_ti.fits", "MASK")
    raw = [fits.getdata(saturated[0] / f"frames/ti-{k}.fits") for k in (1, 2)]
    np.testing.assert_array_equal(mask == 2, np.maximum(*raw) >= 20000)


def test_the_note_names_a_safe_exposure_time(saturated):
    """By hand: the peak of the Gaussian, and the mean m with m + 4 √m = what fits in.

    The peak is found from the profile beside the hole: some 0.1 from its Poisson noise,
    and as much again because the pixels that were highest by chance are those that are
    missing.
    """
    note = check_results(saturated[1])["ti"]["notes"]["hpd_measured_arcsec"]
    seconds = float(re.search(r"exposure time of about ([\d.]+) s would", note)[1])
    peak_a_second = PHOTONS_PER_FRAME / 10 / (2 * np.pi * SIGMA_PIXELS**2)
    fits_in = (20000 - PEDESTAL) / (4511 / PAIR_EV / GAIN)
    mean = (np.sqrt(4 + fits_in) - 2) ** 2
    assert seconds == pytest.approx(mean / peak_a_second, rel=0.2)
    assert seconds < 10


def safe_seconds(folder, rows, raised):
    """Safe time by the note, all pixel values and the limit raised by so many adu."""
    base = SETUP.replace("60000 adu", f"{20000 + raised} adu")
    write_campaign(folder, setup=setup_with(base=base), rows=rows)
    for path in folder.glob("frames/*.fits"):
        fits.writeto(path, fits.getdata(path) + np.uint16(raised), overwrite=True)
    note = quick_look(folder, "ti-1").verdict
    return float(re.search(r"exposure time of about ([\d.]+) s would", note)[1])


@pytest.mark.parametrize("with_bias", [True, False])
def test_a_higher_pedestal_alone_changes_no_safe_time(tmp_path, with_bias):
    """What light may fill is the limit less the bias, or less the dark of the same time."""
    rows = default_rows()
    if not with_bias:
        rows = [c for c in rows if c["kind"] not in ("bias", "dark")]
        rows += [row("dark-1", "dark", 10.0), row("dark-2", "dark", 10.0)]
    low = safe_seconds(tmp_path / "low", rows, 0)
    assert safe_seconds(tmp_path / "high", rows, 30000) == low
    # The same number with 30 000 adu taken as room for light would be twice as long.
    assert low < 10


def test_the_command_ends_well_with_a_saturated_core(saturated, tmp_path, monkeypatch):
    monkeypatch.setattr("beamreduce.reduction.draw.draw_measurement", lambda *_: None)
    done = command("reduce", saturated[0], "-o", tmp_path / "out", "--jobs", 1)
    assert done.exit_code == 0
    assert "ti: " in done.stdout
    assert "would have been safe" in done.stdout


def test_a_saturated_core_is_drawn_and_taken_over(saturated, tmp_path):
    done = command("reduce", saturated[0], "-o", tmp_path / "out", "--jobs", 1)
    assert done.exit_code == 0
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert {"image_ti.png", "image_ti.svg", "net_ti.fits"} <= names
    assert not {name for name in names if name.startswith(("eef", "profile", "growth"))}
    again = command("reduce", saturated[0], "-o", tmp_path / "out", "--update")
    assert "1 of 1 were up to date" in again.stdout


def test_saturated_pixels_beside_the_core_are_left_out(tmp_path):
    """Four in a row at 3.5 σ and one far out: no photons there, but the area is told."""
    folder = write_campaign(tmp_path / "c", setup=setup_with())
    path = folder / "frames/ti-1.fits"
    data = fits.getdata(path)
    data[31, 45:49] = 65000
    data[10, 30] = 60000  # just at the limit
    data[11, 31] = 59999  # and just below it
    fits.writeto(path, data, overwrite=True)
    out = reduced(folder, tmp_path / "out").folder
    m = check_results(out)["ti"]
    radius = m["reference_radius_mm"] / 0.02
    assert m["saturated_fraction"] == pytest.approx(5 / (np.pi * radius**2))
    terms = {t["term"]: t for t in m["uncertainty_budget"]}
    assert terms["area without usable pixels"]["kind"] == "systematic"
    assert terms["area without usable pixels"]["w90_measured_arcsec"] > 0
    assert m["w90_measured_mm"]["systematic"] > 0
    assert_near(m["hpd_measured_mm"], HPD_MM)
    with fits.open(out / "net_ti.fits") as content:
        assert np.count_nonzero(content["MASK"].data == 2) == 5
        assert not content["NET"].data[content["MASK"].data == 2].any()


def test_dead_pixels_are_filled_and_counted(tmp_path):
    """Twenty pixels that read nothing in any frame, two of them in the core."""
    folder = write_campaign(tmp_path / "c", setup=setup_with())
    rng = np.random.default_rng(8)
    rows = np.concatenate([[30, 33], rng.integers(0, SHAPE[0], 18)])
    columns = np.concatenate([[31, 34], rng.integers(0, SHAPE[1], 18)])
    for path in (folder / "frames").iterdir():
        data = fits.getdata(path).astype(np.float32)
        data[rows, columns] = np.nan
        fits.writeto(path, data, overwrite=True)
    out = reduced(folder, tmp_path / "out").folder
    m = check_results(out)["ti"]
    assert 0.005 < m["filled_fraction"] < 0.05
    mask = fits.getdata(out / "net_ti.fits", "MASK")
    assert np.all(mask[rows, columns] == 1 + 4)
    assert_near(m["hpd_measured_mm"], HPD_MM)
    assert_near(m["w90_measured_mm"], W90_MM)


def test_too_much_filling_is_refused(tmp_path):
    folder = write_campaign(tmp_path / "c", setup=setup_with())
    for path in (folder / "frames").iterdir():
        data = fits.getdata(path).astype(np.float32)
        data[29:33, 29:33] = np.nan
        fits.writeto(path, data, overwrite=True)
    done = command("reduce", folder, "-o", tmp_path / "out", "--jobs", 1)
    assert done.exit_code == 1
    assert re.search(r"measurement ti \(frames/ti-1.fits, frames/ti-2.fits\)", done.stderr)
    assert "at most 0.05 of the photons" in done.stderr
    assert "filled_fraction_limit" in done.stderr


def test_an_image_cut_by_the_edge_says_what_may_be_missing(tmp_path):
    """The center is 5 pixels, 1.3 σ, from the side: a tenth of the light is lost."""
    folder = write_campaign(tmp_path / "c", setup=setup_with())
    for name in ("ti-1", "ti-2"):
        path = folder / f"frames/{name}.fits"
        data = np.roll(fits.getdata(path), -26, axis=1)
        data[:, -26:] = 500  # what would have come round the other side
        fits.writeto(path, data, overwrite=True)
    m = check_results(reduced(folder, tmp_path / "out").folder)["ti"]
    note = m["notes"]["detector_edge"]
    assert "x = 0 (" in note
    assert "x = 63" not in note
    assert "y = " not in note
    assert "may be missing beyond" in note
    # Pixels 0 and 1 hold what lies from 5.8 to 3.8 pixels left of the center, of what
    # lies to its right and up to there: 0.0977 by the error function.
    share = float(re.search(r"x = 0 \(([\d.]+)%\)", note)[1]) / 100
    assert share == pytest.approx(0.0977 / 0.9265, rel=0.1)


def test_a_whole_image_says_nothing_of_edges(results):
    assert all("detector_edge" not in m["notes"] for m in check_results(results).values())
