"""The page "from your own frames in twenty minutes", followed to the letter.

The frames are nobody's simulator's: photons of a stated law, put into pixels by NumPy.
"""

import json
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

PAGE = (Path(__file__).parents[2] / "docs" / "twenty_minutes.md").read_text("utf-8")
SEED = 20261130
SIDE, PIXEL_MM, CENTER = 480, 0.02, (243.3, 236.8)
PHOTON_ADU = 4511 / 3.65 / 2.0
SIGMA_MM, PHOTONS, FRAMES = 0.5, 5_000, 6


def block(name):
    """Text of the block that is to be saved under a name."""
    (text,) = re.findall(rf"<!-- file: {name} -->\n```\w+\n(.*?)```", PAGE, re.DOTALL)
    return text


def commands():
    """The commands that the page asks to run, as lists of words."""
    found = re.findall(r"<!-- run -->\n```sh\n(.*?)```", PAGE, re.DOTALL)
    return [line.split() for text in found for line in text.splitlines()]


def write(path, data, kind, seconds):
    header = fits.Header({"IMGTYPE": kind, "EXPTIME": seconds})
    fits.PrimaryHDU(np.round(data).astype(np.uint16), header).writeto(path)


def make_frames(folder):
    """Bias, dark, beam-off and light frames of a round image in the plane of reflection."""
    rng = np.random.default_rng(SEED)
    folder.mkdir()
    shape = (SIDE, SIDE)
    pedestal = 500 + 5 * rng.random(shape)

    def readout(photons, seconds):
        electrons = rng.poisson(0.002 * seconds, shape) + rng.normal(0, 6, shape)
        return pedestal + PHOTON_ADU * photons + electrons / 2

    for k in range(8):
        write(folder / f"bias_{k}.fits", readout(0, 0), "BIAS", 0.0)
    for k in range(4):
        write(folder / f"dark_{k}.fits", readout(0, 300), "DARK", 300.0)
    for k in range(FRAMES):
        stray = rng.poisson(2e-4, shape)
        write(folder / f"off_{k}.fits", readout(stray, 100), "BEAMOFF", 100.0)
        radius = np.abs(rng.normal(0, SIGMA_MM, PHOTONS)) / PIXEL_MM
        angle = rng.uniform(0, 2 * np.pi, PHOTONS)
        edges = np.arange(SIDE + 1) - 0.5
        x, y = CENTER[0] + radius * np.cos(angle), CENTER[1] + radius * np.sin(angle)
        light = np.histogram2d(y, x, [edges, edges])[0] + rng.poisson(2e-4, shape)
        write(folder / f"light_{k}.fits", readout(light, 100), "LIGHT", 100.0)


@pytest.fixture(scope="module")
def followed(tmp_path_factory):
    """What the page leaves behind, and what the commands said."""
    folder = tmp_path_factory.mktemp("twenty minutes") / "my_test"
    folder.mkdir()
    make_frames(folder / "frames")
    for name in ("campaign.toml", "make_table.py"):
        (folder / name).write_text(block(name), "utf-8")
    said = []
    program = [sys.executable, "-m", "beamreduce.cli"]
    for words in (["python", "make_table.py"], *commands()):
        call = [sys.executable, *words[1:]] if words[0] == "python" else program + words[1:]
        done = subprocess.run(call, cwd=folder, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        said.append(done.stdout)
    return folder.parent / "my_results", said


def test_the_page_has_all_its_steps():
    assert [words[1] for words in commands()] == ["inspect", "reduce"]


def test_the_diameter_of_a_stated_law_comes_back(followed):
    """|N(0, σ)| has half of its light within 0.6745 σ, 90 % within 1.6449 σ.

    Abramowitz & Stegun 1972, table 26.5. A pixel adds p²/6 to σ² of an axis (exact sums),
    1e-4 of the diameter here.
    """
    results = json.loads((followed[0] / "results.json").read_text("utf-8"))
    (m,) = results["measurements"]
    assert m["id"] == "focus"
    for key, share in (("hpd_measured_mm", 0.67449), ("w90_measured_mm", 1.64485)):
        found, truth = m[key], 2 * share * SIGMA_MM
        assert abs(found["value"] - truth) < 3 * found["uncertainty"]
        assert found["uncertainty"] < 0.02 * truth
    photons = m["net_photons"]
    assert abs(photons["value"] - FRAMES * PHOTONS) < 3 * np.hypot(
        photons["uncertainty"], np.sqrt(FRAMES * PHOTONS)
    )
    for found, truth in zip(m["center_pixel"], CENTER, strict=True):
        assert abs(found - truth) < 4 * max(m["center_uncertainty_pixel"])


def test_the_report_says_what_the_page_promises(followed):
    text = (followed[0] / "report.html").read_text("utf-8")
    assert "my beam test" in text
    assert "cone-angle error points in or out is not seen" in text
    assert "without a direct beam no area" in text
    assert text.count("<img") >= 5
    assert "focus" in followed[1][1]  # inspect shows the measurement
