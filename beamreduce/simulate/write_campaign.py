"""Write a campaign with a known truth: settings, table, frames, and the truth beside it."""

import io
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Lock

import astropy.units as u
import numpy as np
from astropy.io import fits
from astropy.table import Column, Table

from beamreduce.campaign import read_setup
from beamreduce.errors import OutputError
from beamreduce.record import toml_text
from beamreduce.simulate.as_made import CampaignAsMade, build
from beamreduce.simulate.detector_frames import expose
from beamreduce.simulate.exposures_plan import (
    PlannedExposure,
    exposure_row,
    plan_exposures,
    read_monitor,
)
from beamreduce.simulate.focal_light import FocalLight, focal_light, settings_of
from beamreduce.simulate.light import arriving_photons
from beamreduce.simulate.made_rounds import write_adjusters, write_rounds
from beamreduce.simulate.scenario_file import Scenario, read_scenario
from beamreduce.simulate.true_quadrants import true_quadrants
from beamreduce.simulate.truth import true_measurements

TRUTH_FORMAT = "beamreduce-truth/1"
Progress = Callable[[str, int, int], None]

_THREADS = min(os.cpu_count() or 1, 4)
_TILE_ROWS = 64  # single rows would take twice as long to write
_UNITS = {
    "exposure_time": u.s,
    "energy": u.keV,
    "detector_distance": u.mm,
    "off_axis": u.arcmin,
    "azimuth": u.deg,
    "monitor_time": u.s,
}
_TEXT = (
    "exposure",
    "file",
    "kind",
    "group",
    "aperture",
    "off_axis_by",
    "background",
    "comment",
)
_ORDER = (
    "exposure",
    "file",
    "kind",
    "exposure_time",
    "energy",
    "detector_distance",
    "group",
    "aperture",
    "off_axis",
    "azimuth",
    "off_axis_by",
    "monitor_counts",
    "monitor_time",
    "monitor_background",
    "monitor_dead_time_fraction",
    "filter_transmission",
    "filter_transmission_uncertainty",
    "detector_efficiency",
    "detector_efficiency_uncertainty",
    "background",
    "comment",
)


def simulate_campaign(
    scenario: Path | str,
    folder: Path,
    *,
    progress: Progress | None = None,
    seed: int | None = None,
) -> None:
    """Make a campaign folder and, beside it, the file with its truth.

    Parameters
    ----------
    scenario
        Path of a TOML file, or the name of a packaged scenario.
    folder
        Where the campaign shall be; must not exist or be empty. The truth goes to
        ``<folder>.truth.json``.
    progress
        Called with what is being made, how much of it is done, and how much there is.
    seed
        To use instead of the scenario's own; the same seed gives the same bytes.

    Raises
    ------
    SettingsError
        When the scenario cannot be used.
    CampaignError
        When those of its tables that become campaign.toml cannot be used.
    OutputError
        When folder or truth exist already or cannot be written; nothing is left behind.
    """
    folder = Path(folder)
    truth = folder.with_name(f"{folder.name}.truth.json")
    plan = read_scenario(scenario, seed=seed)
    refuse_existing(folder, truth)
    make_with_truth(
        folder, truth, lambda made, its_truth: _write(plan, made, its_truth, progress)
    )


def make_with_truth(
    folder: Path, truth: Path, write: Callable[[Path, Path], object]
) -> None:
    """Make a folder and its truth, both or neither.

    Parameters
    ----------
    folder, truth
        Where they shall be; nothing may be there.
    write
        Takes two paths nearby, and writes the folder and the truth there.

    Raises
    ------
    OutputError
        When they cannot be written; nothing is left behind.
    """
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        prefix = f".making-{folder.name}-"
        partial = Path(tempfile.mkdtemp(prefix=prefix, dir=folder.parent))
    except OSError as error:
        raise cannot_write(folder, error) from None
    try:
        write(partial / "folder", partial / "truth.json")
        (partial / "truth.json").rename(truth)
        try:
            (partial / "folder").rename(folder)
        except OSError:
            truth.unlink()
            raise
    except OSError as error:
        if isinstance(error, OutputError):
            raise
        raise cannot_write(folder, error) from None
    finally:
        shutil.rmtree(partial, ignore_errors=True)


def read_truth(truth_file: Path, name: str, sha256: str) -> dict[str, object]:
    """Read the truth of a scenario that is made once and kept.

    Parameters
    ----------
    truth_file
        Where it is.
    name, sha256
        The packaged scenario that it must be of.

    Raises
    ------
    OutputError
        When it is that of another.
    """
    truth = json.loads(truth_file.read_text(encoding="utf-8"))
    if truth.get("scenario_sha256") != sha256:
        raise OutputError(
            f"{truth_file}: found the truth of another scenario; expected that of the "
            f"{name!r} of this version; move {truth_file.parent} away"
        )
    return truth


def refuse_existing(folder: Path, truth: Path) -> None:
    """Refuse to write over a folder that holds something, or over a truth."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise OutputError(
            f"{folder}: found something there already; expected a new or an empty folder; "
            f"choose another one or move it away"
        )
    if truth.exists():
        raise OutputError(
            f"{truth}: found the truth of another campaign; expected no such file; choose "
            f"another folder or move it away"
        )


def cannot_write(folder: Path, error: OSError) -> OutputError:
    """Return the error for a place that cannot be written."""
    return OutputError(
        f"{folder}: found {error.strerror or error}; expected to write the campaign; "
        f"check free space and permissions of {folder.parent}"
    )


def _write(
    scenario: Scenario, folder: Path, truth: Path, progress: Progress | None
) -> None:
    (folder / "frames").mkdir(parents=True)
    _write_settings(scenario, folder)
    made = build(scenario, read_setup(folder))
    planned = plan_exposures(scenario)
    _write_table(made, planned, folder)
    write_adjusters(scenario, folder)
    write_rounds(scenario, folder)
    _write_frames(made, planned, folder, _Steps("frames", len(planned), progress))
    settings = settings_of(planned)
    truths = _Steps("truth", len(settings), progress)
    content = {
        "format": TRUTH_FORMAT,
        "campaign": made.setup.name,
        "scenario": scenario.name,
        "scenario_sha256": scenario.sha256,
        "seed": scenario.seed,
        # Directions of a made campaign are counted from the mirror's own axis.
        "optical_axis": {"x_arcmin": 0.0, "y_arcmin": 0.0},
        "measurements": true_measurements(made, settings, truths.advance),
    }
    if scenario.adjusters:
        content["quadrants"] = true_quadrants(made)
    text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    truth.write_text(text, encoding="utf-8")


class _Steps:
    """Counts what is done and tells the caller; threads may call it."""

    def __init__(self, what: str, total: int, progress: Progress | None) -> None:
        self._what, self._total, self._progress = what, total, progress
        self._done = 0
        self._lock = Lock()

    def advance(self) -> None:
        with self._lock:
            self._done += 1
            if self._progress is not None:
                self._progress(self._what, self._done, self._total)


def _write_settings(scenario: Scenario, folder: Path) -> None:
    """Write campaign.toml: all tables of the scenario but its ``[made]``."""
    text = (
        "# A made campaign: mirror, facility and detector are invented.\n"
        f"# Scenario {scenario.name}, seed {scenario.seed}; the truth is beside it.\n"
    )
    settings = {"format": "beamreduce-campaign/1", **scenario.campaign}
    (folder / "campaign.toml").write_text(text + toml_text(settings), encoding="utf-8")


def _write_table(
    made: CampaignAsMade, planned: Sequence[PlannedExposure], folder: Path
) -> None:
    rows = []
    for exposure in planned:
        rng = made.stream(exposure.exposure, "monitor")
        reading = read_monitor(exposure, made.setup.facility, made.scenario.monitor, rng)
        rows.append(exposure_row(exposure, reading))
    table = Table()
    for name in _ORDER:
        absent = "" if name in _TEXT else np.nan
        values = [row.get(name, absent) for row in rows]
        if any(name in row for row in rows):
            table[name] = Column(values, unit=_UNITS.get(name))
    table.write(folder / "exposures.ecsv", format="ascii.ecsv")


def _write_frames(
    made: CampaignAsMade, planned: Sequence[PlannedExposure], folder: Path, steps: _Steps
) -> None:
    """Write all frames, setting by setting: the light of one is held at a time."""
    others = tuple(e for e in planned if e.source.kind != "beam")

    def write_all(exposures: Sequence[PlannedExposure], light: FocalLight | None) -> None:
        def one(exposure: PlannedExposure) -> None:
            _write_frame(made, exposure, light, folder)

        for _ in threads.map(one, exposures):
            steps.advance()

    with ThreadPoolExecutor(_THREADS) as threads:
        write_all(others, None)
        for setting in settings_of(planned):
            write_all(setting.exposures, focal_light(made, setting))


def _write_frame(
    made: CampaignAsMade, planned: PlannedExposure, light: FocalLight | None, folder: Path
) -> None:
    rng = made.stream(planned.exposure, "frame")
    photons = arriving_photons(made, planned, light, rng)
    lamp = planned.source.kind == "flat"
    pixels = expose(made.detector, photons, planned.time_s, rng, lamp=lamp)
    unit = "adu" if made.detector.declared.integrating else "photon"
    (folder / planned.file).write_bytes(_fits_bytes(pixels, planned, unit))


def _fits_bytes(pixels: np.ndarray, planned: PlannedExposure, unit: str) -> bytes:
    """Return a tile-compressed FITS file; checksums carry no time stamp."""
    tile = (min(_TILE_ROWS, pixels.shape[0]), pixels.shape[1])
    image = fits.CompImageHDU(
        pixels, compression_type="RICE_1", tile_shape=tile, name="FRAME"
    )
    image.header["EXPOSURE"] = (planned.exposure, "row of exposures.ecsv")
    image.header["EXPTIME"] = (planned.time_s, "exposure time in s")
    image.header["BUNIT"] = unit
    compressed = io.BytesIO()
    fits.HDUList([fits.PrimaryHDU(), image]).writeto(compressed)
    compressed.seek(0)
    with fits.open(compressed, disable_image_compression=True) as units:
        for unit in units:
            unit.add_checksum(when="")
        summed = io.BytesIO()
        units.writeto(summed)
    return summed.getvalue()
