"""Every method in a whole run on an image whose size is known: a Gaussian.

Photons are put into pixels, which adds 1/12 pixel² to the variance in each direction (to
second order in pixel over σ; the next term is of relative size (1/16)²/100 and does not
matter). All tolerances are four of the combined uncertainties that the run itself quotes;
the seeds of frames and bootstrap were fixed beforehand.
"""

import numpy as np
import pytest
from astropy.io import fits
from scipy.optimize import brentq

from tests.folders import (
    BACKGROUND_PER_PIXEL,
    CENTER,
    IMAGE_DISTANCE,
    PHOTONS_PER_FRAME,
    SETUP,
    SHAPE,
    SIGMA_PIXELS,
    UNITS,
    changed,
    default_rows,
    row,
    write_campaign,
    write_rows,
)
from tests.reduction.runs import reduced, setup_with
from tests.reduction.schema import check_results

SIGMA_MM = 0.02 * np.sqrt(SIGMA_PIXELS**2 + 1 / 12)
HPD_MM = SIGMA_MM * 2 * np.sqrt(2 * np.log(2))  # 2.3548 σ
W90_MM = SIGMA_MM * 2 * np.sqrt(2 * np.log(10))
COUNTING = SETUP[: SETUP.index("mode =")] + 'mode = "counting"\n'


def measured(tmp_path, *lines, base=SETUP, rows=None):
    folder = write_campaign(tmp_path / "c", setup=setup_with(*lines, base=base), rows=rows)
    return run(folder)


def run(folder):
    return check_results(reduced(folder, folder.parent / "out").folder)


def assert_near(quantity, truth):
    assert quantity["uncertainty"] > 0
    pull = (quantity["value"] - truth) / quantity["uncertainty"]
    assert abs(pull) < 4, f"{quantity} is {pull:.1f} σ from {truth}"


def assert_gaussian(m, *, photons, hpd_mm=HPD_MM, w90_mm=W90_MM):
    """HPD, W90, photons and center of the image that every campaign here shows."""
    assert_near(m["hpd_measured_mm"], hpd_mm)
    assert_near(m["w90_measured_mm"], w90_mm)
    assert_near(m["net_photons"], photons)
    # One per cent of 8000 photons: an uncertainty that is far too large tests nothing.
    assert m["hpd_measured_mm"]["uncertainty"] < 0.02 * hpd_mm
    for axis in (0, 1):
        offset = m["center_pixel"][axis] - CENTER[axis]
        sigma = m["center_uncertainty_pixel"][axis]
        if m["conventions"]["center"] == "given":
            assert (offset, sigma) == (0, 0)
        else:
            assert abs(offset) < 4 * sigma < 1


TWO_FRAMES = 2 * PHOTONS_PER_FRAME


@pytest.mark.parametrize(
    "lines",
    [
        ('background = "exposure"',),
        ('background = "annulus"', 'annulus_inner = "0.4 mm"'),
        ('background = "annulus"',),
        ('background = "surface"', 'annulus_inner = "0.4 mm"'),
        ('background = "surface"',),
        ('background = "wings"',),
    ],
    ids=" ".join,
)
def test_background_methods(tmp_path, lines):
    m = measured(tmp_path, *lines)["ti"]
    assert f'background = "{m["conventions"]["background"]}"' == lines[0]
    assert_gaussian(m, photons=TWO_FRAMES)
    assert_near(m["background_per_pixel"], 2 * BACKGROUND_PER_PIXEL)


def test_no_background_leaves_it_in(tmp_path):
    """The flat level then counts as image: half of N(1 − e^(−r²/2σ²)) + b π r²."""
    m = measured(tmp_path, 'background = "none"')["ti"]
    level = 2 * BACKGROUND_PER_PIXEL * np.pi / 0.02**2

    def growth(radius):
        gaussian = 1 - np.exp(-(radius**2) / (2 * SIGMA_MM**2))
        return TWO_FRAMES * gaussian + level * radius**2

    total = growth(m["reference_radius_mm"])
    hpd, w90 = (
        2 * brentq(lambda r, share=share: growth(r) - share * total, 0.01, 0.6)
        for share in (0.5, 0.9)
    )
    assert w90 - W90_MM > 3 * m["w90_measured_mm"]["uncertainty"]  # it does matter
    assert_gaussian(m, photons=total, hpd_mm=hpd, w90_mm=w90)
    assert m["background_per_pixel"]["value"] == 0


@pytest.mark.parametrize(
    "rule", ['"centroid"', '"gaussian"', '"least_hpd"', "[31.3, 30.6]"]
)
def test_centers(tmp_path, rule):
    m = measured(tmp_path, f"center = {rule}")["ti"]
    assert m["conventions"]["center"] == ("given" if "[" in rule else rule.strip('"'))
    assert_gaussian(m, photons=TWO_FRAMES)


def test_without_bias_darks_of_the_same_time_are_taken_off_whole(tmp_path):
    rows = [cells for cells in default_rows() if cells["kind"] != "bias"]
    rows = changed(rows, "dark-1", exposure_time=10.05)
    rows = changed(rows, "dark-2", exposure_time=10.0)
    m = measured(tmp_path, rows=rows)["ti"]
    assert m["matched"]["dark"] == ["dark-1", "dark-2"]
    assert m["matched"]["bias"] == []
    assert_gaussian(m, photons=TWO_FRAMES)


def test_without_darks_the_pedestal_cancels_with_the_background(tmp_path):
    """The beam-off frames hold the same pedestal and dark current."""
    rows = [cells for cells in default_rows() if cells["kind"] not in ("bias", "dark")]
    m = measured(tmp_path, 'dark = "none"', rows=rows)["ti"]
    assert "no darks are used" in m["notes"]["dark"]
    assert_gaussian(m, photons=TWO_FRAMES)


def test_a_flat_is_divided_out(tmp_path):
    """Response from 0.8 to 1.2 across the image; the flat knows it."""
    rows = [*default_rows(), row("flat-1", "flat", 1.0), row("flat-2", "flat", 1.0)]
    folder = write_campaign(tmp_path / "c", setup=setup_with(), rows=rows)
    response = np.linspace(0.8, 1.2, SHAPE[1])
    response /= response.mean()
    for cells in rows:
        if cells["kind"] in ("beam", "flat", "background", "direct"):
            path = folder / cells["file"]
            data = 500 + (fits.getdata(path) - 500.0) * response
            fits.writeto(path, data.astype(np.float32), overwrite=True)
    m = run(folder)["ti"]
    assert m["matched"]["flat"] == ["flat-1", "flat-2"]
    assert_gaussian(m, photons=TWO_FRAMES)


def test_a_group_is_the_sum_of_its_frames(tmp_path):
    """Four frames of different lengths, against one of them alone."""
    rows = [row(f"g{k}", "beam", 5.0 * k, group="all") for k in (1, 2, 3, 4)]
    rows += [row("single", "beam", 10.0), *default_rows()[2:]]
    found = measured(tmp_path, rows=rows)
    assert found["all"]["exposures"] == ["g1", "g2", "g3", "g4"]
    assert_gaussian(found["all"], photons=5 * PHOTONS_PER_FRAME)
    assert_gaussian(found["single"], photons=PHOTONS_PER_FRAME)
    ratio = [found[name]["hpd_measured_mm"]["statistical"] for name in ("single", "all")]
    # √5 from counting; the background, common to both, and 60 replicates each (9 %).
    assert ratio[0] / ratio[1] == pytest.approx(np.sqrt(5), rel=0.4)


def test_quadrants_are_measurements_of_their_own(tmp_path):
    names = ("Q1", "Q2", "Q3", "Q4")
    rows = [row(f"frame-{name}", "beam", group=name, aperture=name) for name in names]
    base = SETUP + '[quadrants]\nupper = ["10 deg", "80 deg"]\n'
    found = measured(tmp_path, base=base, rows=[*rows, *default_rows()[2:]])
    assert {m["id"]: m["aperture"] for m in found.values()} == {n: n for n in names}
    centers = {tuple(m["center_pixel"]) for m in found.values()}
    assert len(centers) == 4  # each about its own
    for m in found.values():
        assert_gaussian(m, photons=PHOTONS_PER_FRAME)


def test_a_counting_detector_gives_photons(tmp_path):
    rows = [cells for cells in default_rows() if cells["kind"] not in ("bias", "dark")]
    folder = write_campaign(
        tmp_path / "c", setup=setup_with(base=COUNTING), rows=rows, frames=False
    )
    rng = np.random.default_rng(31)
    for cells in rows:
        photons = rng.poisson(BACKGROUND_PER_PIXEL, SHAPE)
        if cells["kind"] == "beam":
            x, y = rng.normal(np.array(CENTER)[:, None], SIGMA_PIXELS, (2, 4000))
            edges = [np.arange(count + 1) - 0.5 for count in SHAPE]
            photons += np.histogram2d(y, x, bins=edges)[0].astype(int)
        path = folder / cells["file"]
        path.parent.mkdir(exist_ok=True)
        fits.writeto(path, photons.astype(np.int16))
    m = run(folder)["ti"]
    assert "counts photons" in m["notes"]["calibration"]
    assert m["net_photons"]["systematic"] == 0
    assert_gaussian(m, photons=TWO_FRAMES)


def test_dead_time_lengthens_nothing_but_scales_the_background(tmp_path):
    """Half the live time in the beam rows: half the beam-off counts belong to them."""
    rows = changed(default_rows(), "ti-1", dead_time_fraction=0.5)
    rows = changed(rows, "ti-2", dead_time_fraction=0.5)
    m = measured(tmp_path, rows=rows)["ti"]
    assert_near(m["background_per_pixel"], BACKGROUND_PER_PIXEL)


@pytest.mark.parametrize("by", ["time", "monitor"])
def test_what_is_declared_of_the_background_scale_is_systematic(tmp_path, by):
    """2 % of the scale is 2 % of the background taken off, and changes no other kind."""
    rows = default_rows()
    for cells in rows:
        if cells["kind"] in ("beam", "background"):
            cells["monitor_counts"] = 1e4
    folder = write_campaign(
        tmp_path / "c", setup=setup_with(f'background_scale = "{by}"'), rows=rows
    )
    before = run(folder)["ti"]
    column = "exposure_time" if by == "time" else "monitor_background"
    size = 0.2 if by == "time" else 200.0
    for cells in rows:
        if cells["kind"] == "background":
            cells[f"{column}_uncertainty"] = size
            cells["monitor_background"] = 0.0
    write_rows(folder, rows, UNITS | {"exposure_time_uncertainty": "s"})
    after = check_results(reduced(folder, tmp_path / "declared").folder)["ti"]
    level = before["background_per_pixel"]["value"]
    assert after["background_per_pixel"]["systematic"] == pytest.approx(0.02 * level)
    # Even light: what is taken off is the level times the area of the circle.
    area = np.pi * (before["reference_radius_mm"] / 0.02) ** 2
    assert after["net_photons"]["systematic"] == pytest.approx(0.02 * level * area)
    for key in ("net_photons", "background_per_pixel", "hpd_measured_mm"):
        for kind in ("value", "statistical", "model"):
            assert after[key][kind] == pytest.approx(before[key][kind], rel=1e-9), key
    budget = {t["term"]: t for t in after["uncertainty_budget"]}
    term = budget["background scale"]
    assert term["kind"] == "systematic"
    assert term["hpd_measured_arcsec"] == pytest.approx(
        after["hpd_measured_arcsec"]["systematic"]
    )
    # Of a Gaussian on 2 % more or less of a flat level (derived, first order): the half
    # power radius moves by what it takes to gather half the change beyond it.
    half = HPD_MM / 2
    photons = after["net_photons"]["value"]
    change = 0.02 * level / 0.02**2 * np.pi
    slope = photons * half / SIGMA_MM**2 * np.exp(-(half**2) / (2 * SIGMA_MM**2))
    radius = before["reference_radius_mm"]
    wanted = 2 * change * abs(half**2 - radius**2 / 2) / slope
    # The slope is that of one ring, a fiftieth of the half-power radius wide: 8000 · ln 2
    # · 0.02 = 111 photons, known to 10 %; three times that.
    assert after["hpd_measured_mm"]["systematic"] == pytest.approx(wanted, rel=0.3)


def test_the_distance_makes_the_angle(tmp_path):
    """A row's own distance is used; the image on the detector is the same."""
    folder = write_campaign(tmp_path / "c", setup=setup_with())
    before = run(folder)["ti"]
    near = 0.96 * IMAGE_DISTANCE
    rows = changed(default_rows(), "ti-1", detector_distance=near)
    write_rows(folder, changed(rows, "ti-2", detector_distance=near))
    after = check_results(reduced(folder, tmp_path / "near").folder)["ti"]
    assert after["hpd_measured_mm"] == before["hpd_measured_mm"]
    assert after["hpd_measured_arcsec"]["value"] == pytest.approx(
        before["hpd_measured_arcsec"]["value"] / 0.96, rel=1e-12
    )


def stored_as(data, form):
    """The same pixels in another kind of file."""
    if form == "gzip":  # by the name that it is written under
        return fits.HDUList([fits.PrimaryHDU(data)])
    if form == "float":
        return fits.HDUList([fits.PrimaryHDU(data.astype(np.float32))])
    image = fits.CompImageHDU(data) if form == "tiles" else fits.ImageHDU(data)
    return fits.HDUList([fits.PrimaryHDU(), image])


@pytest.mark.parametrize("form", ["gzip", "tiles", "extension", "float"])
def test_how_frames_are_stored_does_not_change_a_number(tmp_path, form):
    folder = write_campaign(tmp_path / "c", setup=setup_with())
    before = run(folder)["ti"]
    rows = default_rows()
    for cells in rows:
        path = folder / cells["file"]
        data = fits.getdata(path)
        path.unlink()
        cells["file"] += ".gz" if form == "gzip" else ""
        stored_as(data, form).writeto(folder / cells["file"])
    write_rows(folder, rows)
    after = check_results(reduced(folder, tmp_path / "again").folder)["ti"]
    if form == "float":
        # Whole numbers scatter by their rounding at least, which moves the clipping of
        # masters a little; the bootstrap then draws other photons.
        for key in ("hpd_measured_mm", "w90_measured_mm", "net_photons"):
            assert after[key]["value"] == pytest.approx(before[key]["value"], rel=1e-6)
    else:
        differs = {key for key in before if before[key] != after[key]}
        assert differs == {"inputs", "measured_key", "key"}


def test_a_counter_may_stand_for_the_direct_frames(tmp_path):
    """Rows without a file have no checksum, but they are matched and kept."""
    rows = [cells for cells in default_rows() if cells["kind"] != "direct"]
    counter = {"file": "", "counts": 5000.0, "live_time": 10.0}
    rows.append(
        row("hole", "direct", collecting_area=3.0, distance_from_source=86.0, **counter)
    )
    rows.append(row("hole-off", "background", **counter | {"counts": 12.0}))
    m = measured(tmp_path, rows=rows)["ti"]
    assert m["matched"]["direct"] == ["hole"]
    assert m["matched"]["direct_background"] == ["hole-off"]
    assert m["matched"]["background"] == ["off-1", "off-2"]
    assert "" not in m["inputs"]
    assert_gaussian(m, photons=TWO_FRAMES)


def test_the_seed_moves_the_bootstrap_and_nothing_else(tmp_path):
    folder = write_campaign(tmp_path / "c", setup=setup_with())
    before = run(folder)["ti"]
    (folder / "campaign.toml").write_text(setup_with("random_seed = 2"))
    after = check_results(reduced(folder, tmp_path / "again").folder)["ti"]
    for size in ("hpd_measured_mm", "w90_measured_mm"):
        assert after[size]["value"] == before[size]["value"]
        assert after[size]["statistical"] != before[size]["statistical"]
        # 60 replicates give a scatter to 1/sqrt(2·59) = 9 %, here twice and four sigma.
        ratio = after[size]["statistical"] / before[size]["statistical"]
        assert ratio == pytest.approx(1, abs=4 * np.sqrt(2) * 0.092)
    assert after["net_photons"] == before["net_photons"]
