"""A small campaign folder for tests, made with numpy and astropy alone.

``write_campaign(tmp_path / "c")`` writes one that is right in every way; the arguments
change it: other rows, other settings, no frames. The frames are 64 × 64 pixels of 20 µm:
a round Gaussian image on a flat background, charge in adu over a pedestal. The beam passes
a plate whose open azimuths are named nowhere, so that such an image of no mirror is
measured but not folded, which would take most of the time; with ``aperture="full"`` it is.
"""

from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.table import MaskedColumn, Table

SHAPE = (64, 64)
CENTER = (31.3, 30.6)  # x, y in pixels
SIGMA_PIXELS = 4.0
PHOTONS_PER_FRAME = 4000
BACKGROUND_PER_PIXEL = 0.02  # photons in 10 s
DIRECT_PER_PIXEL = 2.0  # photons in 10 s
PEDESTAL = 500.0  # adu
DARK_RATE = 0.5  # adu a second
READ_NOISE = 3.0  # adu
GAIN = 2.0  # electrons an adu
PAIR_EV = 3.65
IMAGE_DISTANCE = 5534.653  # mm, f L/(L - f) for 5.2 m and 86 m

SETUP = """\
format = "beamreduce-campaign/1"
[campaign]
name = "small"
[facility]
source_distance = "86 m"
source_distance_uncertainty = "5 mm"
source_diameter = "0.5 mm"
[mirror]
focal_length = "5.2 m"
inner_radius = "70 mm"
outer_radius = "190 mm"
reflector_length = "90 mm"
reflector_thickness = "0.17 mm"
coating = "Au"
roughness = "0.5 nm"
[detector]
pixel_size = "20 um"
mode = "integrating"
gain = "2.0 electron/adu"
read_noise = "6.0 electron"
electron_energy = "3.65 eV"
saturation = "60000 adu"
"""

PLATE = "plate"  # an aperture
UNITS = {
    "exposure_time": "s",
    "energy": "keV",
    "detector_distance": "mm",
    "off_axis": "arcmin",
    "azimuth": "deg",
    "monitor_time": "s",
    "detector_x": "mm",
    "detector_y": "mm",
    "temperature": "deg_C",
    "live_time": "s",
    "collecting_area": "mm2",
    "distance_from_source": "m",
}


def row(exposure, kind, seconds=10.0, **cells):
    """One row of the exposure table as a dict; its frame is frames/EXPOSURE.fits."""
    cells = {"file": f"frames/{exposure}.fits", **cells}
    if kind in ("beam", "direct"):
        cells = {"energy": 4.511, "detector_distance": IMAGE_DISTANCE, **cells}
    if kind == "beam":
        cells = {"aperture": PLATE, **cells}
    return {"exposure": exposure, "kind": kind, "exposure_time": seconds, **cells}


def default_rows():
    """Two beam frames in one group, and everything that they need."""
    return [
        row("ti-1", "beam", group="ti"),
        row("ti-2", "beam", group="ti"),
        row("open-1", "direct"),
        row("off-1", "background"),
        row("off-2", "background"),
        row("bias-1", "bias", 0.0),
        row("bias-2", "bias", 0.0),
        row("dark-1", "dark", 30.0),
        row("dark-2", "dark", 30.0),
    ]


def pixels(cells, rng, shape=SHAPE):
    """Pixel values of the frame of a row, unsigned 16-bit."""
    seconds = max(cells.get("exposure_time") or 0.0, 0.0)  # some rows are wrong on purpose
    values = PEDESTAL + rng.normal(0.0, READ_NOISE, shape)
    if cells["kind"] != "bias":
        values += rng.poisson(DARK_RATE * seconds * GAIN, shape) / GAIN
    if cells["kind"] == "flat":
        values += rng.poisson(20000 * GAIN, shape) / GAIN
    if cells["kind"] in ("beam", "direct", "background"):
        adu = abs(cells.get("energy") or 4.511) * 1e3 / PAIR_EV / GAIN
        values += adu * _photons(cells["kind"], seconds / 10, shape, rng)
    return np.clip(np.rint(values), 0, 65535).astype(np.uint16)


def _photons(kind, tens, shape, rng):
    photons = rng.poisson(BACKGROUND_PER_PIXEL * tens, shape).astype(float)
    if kind == "direct":
        photons += rng.poisson(DIRECT_PER_PIXEL * tens, shape)
    if kind == "beam":
        x, y = rng.normal(
            np.array(CENTER)[:, None] + (np.array(shape[::-1])[:, None] - SHAPE[0]) / 2,
            SIGMA_PIXELS,
            (2, rng.poisson(PHOTONS_PER_FRAME * tens)),
        )
        edges = [np.arange(count + 1) - 0.5 for count in shape]
        photons += np.histogram2d(y, x, bins=edges)[0]
    return photons


def write_campaign(
    folder, *, setup=SETUP, rows=None, frames=True, seed=20240611, shape=SHAPE
):
    """Write a campaign folder and return it.

    Parameters
    ----------
    folder
        Where; made if it is not there.
    setup
        Text of campaign.toml, None for none.
    rows
        Rows of exposures.ecsv as dicts; default: :func:`default_rows`.
    frames
        Write the frames of all rows whose file is below the folder.
    seed
        Of the frames.
    shape
        Of the frames; the image keeps its place about the middle.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    rows = default_rows() if rows is None else rows
    if setup is not None:
        (folder / "campaign.toml").write_text(setup, encoding="utf-8")
    write_rows(folder, rows)
    rng = np.random.default_rng(seed)
    for cells in rows if frames else ():
        if cells.get("file"):
            path = folder / cells["file"]
            path.parent.mkdir(parents=True, exist_ok=True)
            fits.writeto(path, pixels(cells, rng, shape), overwrite=True, checksum=True)
    return folder


def write_rows(folder, rows, units=UNITS):
    """Write exposures.ecsv from dicts; cells that a dict lacks are absent."""
    names = list(dict.fromkeys(name for cells in rows for name in cells))
    table = Table()
    for name in names:
        given = [cells.get(name) for cells in rows]
        blank = next(value for value in given if value is not None)
        empty = "" if isinstance(blank, str) else type(blank)(0)
        table[name] = MaskedColumn(
            [empty if value is None else value for value in given],
            mask=[value is None for value in given],
            unit=units.get(name.removesuffix("_uncertainty")),
        )
    table.write(folder / "exposures.ecsv", format="ascii.ecsv", overwrite=True)


def changed(rows, which, **cells):
    """Return rows with some cells of one exposure changed; None removes a cell."""
    return [{**old, **cells} if old["exposure"] == which else dict(old) for old in rows]
