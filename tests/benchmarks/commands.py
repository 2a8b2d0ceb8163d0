"""Whole commands: start-up, a quick look at a 2048² frame, one measurement, its memory."""

import json
import subprocess
import sys
import tempfile
import time
import tracemalloc
from dataclasses import replace
from pathlib import Path

import astropy.units as u
import numpy as np

from beamreduce.campaign import read_campaign
from beamreduce.frame import read_frame
from beamreduce.panel import open_measurement, read_about
from beamreduce.reduction import MeasureRequest, measure, reduce_campaign
from beamreduce.simulate import compare_with_truth, simulate_campaign
from tests.benchmarks.timing import Result, medians
from tests.folders import default_rows, row, write_campaign

SIDE = 2048
SIGMA_PX = 4.0


def _large_campaign(folder, rows=None):
    """The tests' small campaign with 2048² frames about the same image."""
    return write_campaign(folder, rows=rows, shape=(SIDE, SIDE))


def start_up():
    """``--help`` against Python and click alone, each in its own process."""

    def run(*command):
        return lambda: subprocess.run(command, check=True, capture_output=True)

    bare, ours = medians(
        (
            run(sys.executable, "-c", "import click"),
            run(sys.executable, "-m", "beamreduce.cli", "--help"),
        ),
        repeats=9,
    )
    return [
        Result(
            work="`beamreduce --help`",
            aim="≤ 2 × python + click (0.1 s)",
            measured=f"{ours / bare:.1f} × ({ours:.2f} s)",
            met=ours <= 2 * bare,
            accuracy="lists every command (tests/test_cli.py)",
        )
    ]


def quick_look():
    """The command on a 2048² frame, kernels compiled before."""
    with tempfile.TemporaryDirectory() as place:
        folder = _large_campaign(Path(place) / "c")
        command = (sys.executable, "-m", "beamreduce.cli", "quicklook", str(folder), "ti-1")

        def run():
            return subprocess.run(command, check=True, capture_output=True, text=True)

        said = run().stdout
        hpd = float(said.split("HPD")[1].split("=")[1].split("±")[0])
        # σ² + 1/6 for the pixel (gathered in it, and taken as even within it);
        # 4 000 photons give 0.72/√4000 = 1.1 %.
        truth = 2.354820 * np.hypot(SIGMA_PX, 6**-0.5) * 0.02
        assert abs(hpd / truth - 1) < 4 * 0.0114, said
        frame = folder / "frames/ti-1.fits"
        seconds, reading = medians((run, lambda: read_frame(frame).pixels.sum()), 5)
    return [
        Result(
            work="`quicklook` of a 2048² frame",
            aim="≤ 2 s",
            measured=f"{seconds:.2f} s = {seconds / reading:.0f} × reading the frame",
            met=seconds <= 2.0,
            accuracy="HPD within 4 σ of the Gaussian put in",
        )
    ]


def measurement():
    """From frames on disk to HPD with bootstrap, against reading the same frames."""
    with tempfile.TemporaryDirectory() as place:
        folder = _large_campaign(Path(place) / "c")
        campaign = read_campaign(folder)
        request = MeasureRequest(
            folder=folder,
            setup=campaign.setup,
            inputs=campaign.measurements[0],
            reference_radius=6 * u.mm,
        )
        frames = [e.file for e in campaign.exposures if e.kind != "direct"]

        def read():
            for file in frames:
                read_frame(Path(file), root=folder).pixels.sum()

        done = measure(request)
        hpd = done.measurement.hpd_measured_mm
        truth = 2.354820 * np.hypot(SIGMA_PX, 6**-0.5) * 0.02
        assert abs(hpd.value - truth) < 4 * hpd.uncertainty
        seconds, reading = medians((lambda: measure(request), read), 3)
    return [
        Result(
            work=f"one measurement ({len(frames)} frames of 2048², masters included)",
            aim="a stated multiple of reading its frames",
            measured=f"{seconds / reading:.1f} × ({seconds:.2f} s)",
            met=True,
            accuracy="HPD within 4 σ of the Gaussian put in",
        )
    ]


def whole_reduction():
    """All of ``reduce`` on the demo campaign, figures too, against reading its frames."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "campaign"
        simulate_campaign("demo", folder)
        frames = [e.file for e in read_campaign(folder).exposures if e.file]

        def read():
            for file in frames:
                read_frame(Path(file), root=folder).pixels.sum()

        (reading,) = medians((read,), 3)
        started = time.perf_counter()
        done = reduce_campaign(folder, Path(place) / "results")
        seconds = time.perf_counter() - started
        truth = json.loads((Path(place) / "campaign.truth.json").read_text())
        pulls = [
            r.pull for r in compare_with_truth(done.measurements, truth["measurements"])
        ]
        assert max(map(abs, pulls)) < 3, pulls
    return [
        Result(
            work=f"all of `reduce` on the demo ({len(frames)} frames, 15 measurements)",
            aim="a stated multiple of reading its frames",
            measured=f"{seconds / reading:.0f} × ({seconds:.0f} s, one process)",
            met=True,
            accuracy=f"{len(pulls)} values within 3 σ of the truth, the largest "
            f"{max(map(abs, pulls)):.2f}",
        )
    ]


def panel_move():
    """The inspection panel's number after a move of the center, before it is drawn."""
    with tempfile.TemporaryDirectory() as place:
        campaign = read_campaign(_large_campaign(Path(place) / "c"))
        opened = open_measurement(campaign, "ti")
        center = opened.located.center.xy
        radius = 0.9 * opened.largest_radius
        request = replace(opened.request, reference_radius=radius)
        usual = measure(request).measurement.hpd_measured_mm.value
        shown = read_about(opened, center, radius).diameters.of(0.5).value
        assert abs(shown / usual - 1) < 1e-4, (shown, usual)
        away = (center[0] + 3.3, center[1] - 1.2)
        image = opened.located.image.photons
        seconds, yardstick = medians(
            (lambda: read_about(opened, away, radius), lambda: np.sum(image)), 7
        )
    return [
        Result(
            work="panel: HPD and ± about a moved center, 2048², circle 0.9 of the frame",
            aim="≤ 0.1 s",
            measured=f"{seconds:.3f} s = {seconds / yardstick:.0f} × np.sum",
            met=seconds <= 0.1,
            accuracy="HPD within 1e-4 of that of a whole measurement",
        )
    ]


def memory():
    """Peak above the import baseline in float64 frames, and its growth with frames."""
    frame_bytes = SIDE * SIDE * 8
    peaks = {}
    with tempfile.TemporaryDirectory() as place:
        for count in (2, 8):
            rows = [r for r in default_rows() if r["kind"] != "beam"]
            rows += [row(f"ti-{k}", "beam", group="ti") for k in range(count)]
            folder = _large_campaign(Path(place) / f"c{count}", rows)
            campaign = read_campaign(folder)
            request = MeasureRequest(
                folder=folder,
                setup=campaign.setup,
                inputs=campaign.measurements[0],
                reference_radius=6 * u.mm,
            )
            measure(request)
            tracemalloc.start()
            measure(request)
            peaks[count] = tracemalloc.get_traced_memory()[1] / frame_bytes
            tracemalloc.stop()
    growth = peaks[8] - peaks[2]
    return [
        Result(
            work="peak memory of one measurement of 2 and 8 frames",
            aim="≤ 12 float64 frames, flat in the number of frames",
            measured=f"{peaks[2]:.1f} and {peaks[8]:.1f} frames",
            met=peaks[8] <= 12 and growth < 0.2,
            accuracy="allocations counted, not timed",
        )
    ]
