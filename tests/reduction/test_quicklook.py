import math
import shutil
import subprocess
import sys

import numpy as np
import pytest
from astropy.io import fits

from beamreduce.errors import CampaignError, MeasurementError
from beamreduce.reduction.quicklook import quick_look
from tests.folders import (
    CENTER,
    GAIN,
    PAIR_EV,
    PHOTONS_PER_FRAME,
    SETUP,
    SHAPE,
    changed,
    default_rows,
    row,
    write_campaign,
    write_rows,
)
from tests.reduction.runs import command, setup_with, snapshot
from tests.reduction.test_methods import COUNTING, HPD_MM, SIGMA_MM, W90_MM

ADU = 4511 / PAIR_EV / GAIN  # a photon


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    rows = changed(default_rows(), "ti-1", monitor_counts=10_000.0)
    rows = changed(rows, "ti-2", monitor_counts=10_100.0)
    return write_campaign(tmp_path_factory.mktemp("q") / "c", setup=setup_with(), rows=rows)


def frame(folder, name):
    return fits.getdata(folder / f"frames/{name}.fits").astype(float)


def test_the_numbers_are_those_of_the_frame(folder):
    """Against pixel sums by hand: beam less the mean of both beam-off frames."""
    look = quick_look(folder, "ti-1")
    off = (frame(folder, "off-1") + frame(folder, "off-2")) / 2
    net = (frame(folder, "ti-1") - off) / ADU
    center = look.numbers.located.center
    y, x = np.indices(SHAPE)
    inside = np.hypot(x - center.x, y - center.y) <= look.numbers.net.radius_mm[-1] / 0.02
    photons, sigma = look.numbers.net_photons
    # A border of 195 pixels, half of each in doubt, holds 0.02 photons a pixel.
    assert photons == pytest.approx(net[inside].sum(), abs=8)
    assert sigma == pytest.approx(math.sqrt(PHOTONS_PER_FRAME), rel=0.05)
    assert look.numbers.seconds == 10
    for found, truth in ((look.numbers.hpd_mm, HPD_MM), (look.numbers.w90_mm, W90_MM)):
        assert abs(found[0] - truth) < 4 * found[1]
    assert look.numbers.hpd_mm[1] == pytest.approx(
        0.7213 * HPD_MM / math.sqrt(PHOTONS_PER_FRAME), rel=0.1
    )
    assert math.hypot(center.x - CENTER[0], center.y - CENTER[1]) < 0.4


def test_the_rate_is_for_each_monitor_count(folder):
    look = quick_look(folder, "ti-2")
    photons, sigma = look.numbers.net_photons
    ratio, spread = look.photons_per_monitor_count
    assert ratio == pytest.approx(photons / 10_100)
    assert spread == pytest.approx(ratio * math.hypot(sigma / photons, 1 / 10_100**0.5))


def test_background_and_dead_time_of_the_monitor_are_taken_off(folder, tmp_path):
    own = write_campaign(
        tmp_path / "c",
        setup=setup_with(),
        rows=changed(
            default_rows(),
            "ti-2",
            monitor_counts=9_000.0,
            monitor_dead_time_fraction=0.1,
            monitor_background=2_000.0,
        ),
    )
    look = quick_look(own)
    photons, sigma = look.numbers.net_photons
    ratio, spread = look.photons_per_monitor_count
    assert ratio == pytest.approx(photons / 8_000)  # 9000/0.9 - 2000
    monitor = math.sqrt(9_000) / 0.9 / 8_000
    assert spread == pytest.approx(ratio * math.hypot(sigma / photons, monitor))


def test_the_change_is_against_the_last_of_the_same_setting(folder):
    now, before = quick_look(folder, "ti-2"), quick_look(folder, "ti-1")
    assert before.change is None
    assert now.change.earlier == "ti-1"
    (new, s_new), (old, s_old) = now.numbers.hpd_mm, before.numbers.hpd_mm
    assert now.change.hpd_sigma == pytest.approx((new - old) / math.hypot(s_new, s_old))
    (new, s_new), (old, s_old) = (
        now.photons_per_monitor_count,
        before.photons_per_monitor_count,
    )
    assert now.change.rate_sigma == pytest.approx((new - old) / math.hypot(s_new, s_old))


def test_the_peak_is_that_of_the_gaussian(folder):
    """4000/2πσ² photons a pixel; the brightest box of 3 x 3 is high by chance."""
    look = quick_look(folder, "ti-1")
    truth = PHOTONS_PER_FRAME / (2 * np.pi * (SIGMA_MM / 0.02) ** 2)
    assert look.peak.photons_per_frame == pytest.approx(truth, rel=0.15)
    brightest = look.peak.photons_per_frame + 4 * math.sqrt(look.peak.photons_per_frame)
    # Pedestal of 500 adu, dark current of 5 adu.
    assert look.peak.of_saturation == pytest.approx(
        (505 + ADU * brightest) / 60000, rel=1e-3
    )


def test_the_newest_exposure_is_looked_at(folder, tmp_path):
    assert quick_look(folder).exposure.exposure == "ti-2"
    own = shutil.copytree(folder, tmp_path / "c")
    write_rows(own, default_rows()[::-1])
    assert quick_look(own).exposure.exposure == "ti-1"


def test_an_aperture_not_written_is_the_full_one(folder, tmp_path):
    own = shutil.copytree(folder, tmp_path / "c")
    first, second, *others = default_rows()
    del first["group"], second["group"], second["aperture"]
    write_rows(own, [{**first, "aperture": "full"}, second, *others])
    assert quick_look(own, "ti-2").change.earlier == "ti-1"
    write_rows(own, [{**first, "aperture": "Q1"}, second, *others])
    assert quick_look(own, "ti-2").change is None


def test_the_text_has_every_line(folder):
    done = command("quicklook", folder, "ti-2")
    assert (done.exit_code, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    heads = ["exposure", "HPD", "W90", "reference", "center", "net photons", "monitor",
             "peak", "change", "GO ON"]  # fmt: skip
    assert len(lines) == len(heads)
    assert all(line.startswith(head) for line, head in zip(lines, heads, strict=True))
    assert "net photons a monitor count" in lines[6]
    assert command("quicklook", folder, "ti-2", "--quiet").stdout.splitlines() == lines[-1:]


def test_nothing_is_written(folder):
    before = snapshot(folder.parent)
    command("quicklook", folder)
    assert snapshot(folder.parent) == before


def test_go_on(folder):
    assert quick_look(folder).verdict.startswith("GO ON: HPD to 1.1%")


def verdict(tmp_path, *, base=SETUP, rows=None, edit=lambda folder: None):
    folder = write_campaign(tmp_path / "c", setup=setup_with(base=base), rows=rows)
    edit(folder)
    return quick_look(folder).verdict


def test_stop_at_a_saturated_core(tmp_path):
    found = verdict(tmp_path, base=SETUP.replace("60000", "20000"))
    assert found.startswith("STOP: ")
    assert "inside the half-power circle" in found
    done = command("quicklook", tmp_path / "c")
    assert done.exit_code == 0
    assert [line.split()[0] for line in done.stdout.splitlines()] == [
        "exposure", "peak", "change", "STOP:",
    ]  # fmt: skip


def test_stop_near_saturation(tmp_path):
    """No pixel reaches 42 000 adu here, but the next frame's brightest may."""
    base = SETUP.replace("60000", "42000")
    found = verdict(tmp_path, base=base)
    assert found.startswith("STOP: the brightest pixel is at 9")
    assert "of saturation; shorten the exposure to 0.8" in found


def count(folder):
    """Turn charge into numbers of photons."""
    for path in folder.glob("frames/*.fits"):
        photons = np.rint((fits.getdata(path) - 505.0) / ADU).clip(0)
        fits.writeto(path, photons.astype(np.int16), overwrite=True)


def without_darks(rows):
    return [cells for cells in rows if cells["kind"] not in ("bias", "dark")]


def test_stop_when_photons_pile_up(tmp_path):
    rows = without_darks(default_rows())
    found = verdict(tmp_path, base=COUNTING, rows=rows, edit=count)
    assert found.startswith("STOP: ")
    assert "photons a pixel a readout at the peak; above 0.01 photons pile up" in found
    assert "column readouts says how many" in found


@pytest.mark.parametrize(("readouts", "word"), [(3000.0, "STOP"), (5000.0, "GO ON")])
def test_pile_up_is_that_of_one_readout(tmp_path, readouts, word):
    """4000/2πσ² = 40 photons a pixel and file: 0.0133 a readout of 3000, 0.008 of 5000.

    The brightest box is some 5 % high by chance, and never by the quarter to 0.01.
    """
    rows = changed(without_darks(default_rows()), "ti-2", readouts=readouts)
    assert verdict(tmp_path, base=COUNTING, rows=rows, edit=count).startswith(word)
    peak = quick_look(tmp_path / "c", "ti-2").peak
    truth = PHOTONS_PER_FRAME / (2 * np.pi * (SIGMA_MM / 0.02) ** 2) / readouts
    assert peak.photons_per_frame == pytest.approx(truth, rel=0.15)
    assert "photons a pixel a readout" in peak.as_text()
    # The other file says nothing of readouts and counts as one.
    assert quick_look(tmp_path / "c", "ti-1").verdict.startswith("STOP")


def test_repeat_with_few_photons(tmp_path):
    rows = [cells for cells in default_rows() if cells["kind"] != "beam"]
    found = verdict(tmp_path, rows=[row("short", "beam", 0.15), *rows])
    assert found.startswith("REPEAT: only ")
    assert "check source and shutter" in found


def test_repeat_when_the_image_has_changed(tmp_path):
    """Half of it 5 pixels to one side, half to the other: the stage moved."""

    def drift(folder):
        path = folder / "frames/ti-2.fits"
        data = fits.getdata(path).astype(float)
        data = (np.roll(data, 5, axis=1) + np.roll(data, -5, axis=1)) / 2
        fits.writeto(path, data.astype(np.float32), overwrite=True)

    found = verdict(tmp_path, edit=drift)
    assert found.startswith("REPEAT: the HPD differs by +")
    assert "from ti-1 of the same setting" in found


def test_repeat_when_the_rate_has_changed(tmp_path):
    rows = changed(default_rows(), "ti-1", monitor_counts=10_000.0)
    rows = changed(rows, "ti-2", monitor_counts=20_000.0)
    found = verdict(tmp_path, rows=rows)
    assert found.startswith("REPEAT: net photons a monitor count differ by -")


def test_an_earlier_frame_without_data_does_not_matter(tmp_path):
    def spoil(folder):
        fits.writeto(folder / "frames/ti-1.fits", np.full(SHAPE, np.nan), overwrite=True)

    assert verdict(tmp_path, edit=spoil).startswith("GO ON")


def test_without_photons_the_exposure_is_named(tmp_path):
    rows = [*default_rows(), row("shut", "beam")]
    folder = write_campaign(tmp_path / "c", setup=setup_with(), rows=rows)
    fits.writeto(folder / "frames/shut.fits", np.full(SHAPE, 490), overwrite=True)
    with pytest.raises(MeasurementError, match=r"shut \(frames/shut.fits\).*beam was on"):
        quick_look(folder)


@pytest.mark.parametrize("name", ["nothing", "off-1"])
def test_an_exposure_that_is_no_beam_is_named(folder, name):
    with pytest.raises(CampaignError, match=f"named '{name}'; expected one of ti-1, ti-2"):
        quick_look(folder, name)


def test_a_quick_look_loads_nothing_that_it_does_not_use(folder):
    """Each of these takes some tenth of a second, of the two that a quick look may take."""
    heavy = ["scipy.special", "scipy.ndimage", "scipy.optimize", "astropy.table",
             "astropy.modeling", "matplotlib", "photutils", "tqdm"]  # fmt: skip
    code = (
        f"import sys; from pathlib import Path; "
        f"from beamreduce.reduction.quicklook import quick_look; "
        f"look = quick_look(Path({str(folder)!r})); "
        f"print([m for m in {heavy} if m in sys.modules], look.exposure.exposure)"
    )
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert run.stdout.strip() == "[] ti-2"


def test_an_image_cut_by_the_edge_is_to_be_repeated(tmp_path):
    """Half of a round image beyond the last row: the numbers alone look fine."""
    folder = write_campaign(tmp_path / "c", setup=setup_with())
    path = folder / "frames/ti-2.fits"
    with fits.open(path, mode="update") as hdus:
        hdus[0].data = np.roll(hdus[0].data, SHAPE[0] - 1 - round(CENTER[1]), axis=0)
        hdus[0].data[: SHAPE[0] // 2] = fits.getdata(folder / "frames/off-1.fits")[
            : SHAPE[0] // 2
        ]
    verdict = quick_look(folder, "ti-2").verdict
    assert verdict.startswith(
        "REPEAT: the image reaches the edge of the detector at y = 63"
    )
    assert "move the detector" in verdict
    assert quick_look(folder, "ti-1").verdict.startswith("GO ON")
