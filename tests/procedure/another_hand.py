"""A campaign made by another hand: plain numpy and astropy, from docs/campaign_folder.md.

Nothing of beamreduce is used, nor of its simulator. Light comes from the independent
trace of tests/external, which follows each ray past the prescription; its reflectivity is
Fresnel's, from the optical constants of xraylib. Frames, calibration and tables are made
here, in the way of somebody who knows the documented folder only and has habits of their
own: cm and mrad, minutes, degrees Celsius, four ways of storing an image, names with
blanks and letters beyond ASCII.

The mirror has figure errors on both stages and a common error of the cone angles of the
secondaries, of which the campaign folder says nothing.
"""

import math
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import xraylib
from astropy import units as u
from astropy.io import fits
from astropy.table import MaskedColumn, Table
from scipy.special import ndtr

from tests.external.independent_trace import Beam, FigureErrors, Mirror, Rays, SlopeLaw
from tests.external.independent_trace import trace_both as trace_beams
from tests.external.independent_truth import (
    ARCSEC,
    BATCHES,
    STAR,
    curves,
    draw_photons,
)

FOCAL = 4000.0  # mm
SOURCE = 50_000.0  # mm; the source stands 12.5 focal lengths away
SOURCE_DIAMETER = 1.0  # mm
LENGTH, GAP, THICKNESS = 100.0, 4.0, 0.2  # mm
IMAGE = FOCAL * SOURCE / (SOURCE - FOCAL)
REFERENCE = 5.0  # mm
DENSITY = 22.4  # g/cm³, iridium
LINES = {"Al": 1.487, "Cr": 5.412}  # keV
SERIES = {"near45": -45.0, "focus": -5.0, "far20": 20.0, "far50": 50.0}  # mm from the image
COUNTER_PLANE = 10.0  # mm from the image: the only distance of the second detector

PIXEL = 0.03  # mm
SHAPE = (360, 400)  # rows, columns
MIDDLE = (203.7, 171.2)  # where the axis meets the frame: column, row
GAIN = 4.0  # electron/adu
READ_NOISE = 7.0  # electron
PAIR = 3.66  # eV
FANO = 0.118
DARK = 0.4  # electron/s
FULL = 65_000  # adu
STRAY = 4e-4  # photons a pixel and second

COUNTER_PIXEL = 0.06
COUNTER_SHAPE = (210, 200)
COUNTER_MIDDLE = (96.4, 101.9)
COUNTER_STRAY = 2e-5

OPTICS = f"""\
[facility]
source_distance = "50 m"
source_distance_uncertainty = "1 cm"
source_diameter = "1 mm"

[mirror]
focal_length = "400 cm"
inner_radius = "{{inner}} mm"
outer_radius = "{{outer}} mm"
reflector_length = "10 cm"
reflector_thickness = "200 um"
gap = "4 mm"
coating = "Ir"
coating_density = "{DENSITY} g/cm3"
roughness = "0 nm"
"""

SETUP = f"""\
format = "beamreduce-campaign/1"

[campaign]
name = "Prüfling 7, второй день"

{OPTICS}
[detector]
pixel_size = "30 um"
mode = "integrating"
gain = "{GAIN} electron/adu"
read_noise = "{READ_NOISE} electron"
electron_energy = "{PAIR} eV"
fano_factor = {FANO}
saturation = "{FULL} adu"

[detectors.counter]
pixel_size = "0.06 mm"
mode = "counting"

[reduction]
reference_radius = "{REFERENCE} mm"
bootstrap_replicates = {{replicates}}
random_seed = 77

[cards]
detector_distance = "DETZ"
"""


@dataclass(frozen=True)
class Pair:
    """One nesting, with the names that the independent trace asks for."""

    radius_mm: float
    primary_angle_rad: float
    secondary_angle_rad: float
    primary_length_mm: float = LENGTH
    secondary_length_mm: float = LENGTH
    gap_mm: float = GAP
    thickness_mm: float = THICKNESS


@dataclass(frozen=True)
class Nest:
    """All nestings from the inside out."""

    nestings: tuple[Pair, ...]


def nest(inner: float, outer: float) -> Nest:
    """Cones of α and 3α with tan 4α = r/f, each as near to the next as it shades none."""
    found, radius = [], inner
    while radius <= outer:
        angle = math.atan(radius / FOCAL) / 4
        found.append(Pair(radius, angle, 3 * angle))
        radius += (LENGTH + GAP / 2) * math.tan(angle) + THICKNESS
    return Nest(tuple(found))


class Iridium:
    """Fresnel's reflectivity, mean of both polarisations, of a smooth thick layer."""

    def __init__(self):
        self.angles = np.linspace(0, 0.2, 20_001)
        self.tables = {}

    def __call__(self, energy: float, angle: np.ndarray) -> np.ndarray:
        """Return the share reflected at grazing angles in rad."""
        if energy not in self.tables:
            index = xraylib.Refractive_Index("Ir", energy, DENSITY)
            sine = np.sin(self.angles)
            inside = np.sqrt(index**2 - np.cos(self.angles) ** 2 + 0j)
            across = (sine - inside) / (sine + inside)
            along = (index**2 * sine - inside) / (index**2 * sine + inside)
            self.tables[energy] = (abs(across) ** 2 + abs(along) ** 2) / 2
        return np.interp(angle, self.angles, self.tables[energy])


@dataclass(frozen=True)
class Bench:
    """The mirror as made, in its beam; ``photons`` expected in each measurement.

    ``frames`` of a measurement share its two minutes: many photons in sharp focus would
    saturate few long ones.
    """

    inner: float
    outer: float
    primary: float  # rms slope errors and cone-angle error in arcsec
    secondary: float
    secondary_offset: float
    photons: int
    seed: int
    replicates: int = 200
    frames: int = 2

    @property
    def seconds(self) -> float:
        """Of one frame."""
        return 120 / self.frames

    @cached_property
    def nest(self) -> Nest:
        """The prescription."""
        return nest(self.inner, self.outer)

    def mirror(self, energy: float) -> Mirror:
        """The mirror with its errors, at an energy in keV."""
        errors = FigureErrors(
            primary=SlopeLaw(scales=(self.primary * ARCSEC,)),
            secondary=SlopeLaw(scales=(self.secondary * ARCSEC,)),
            secondary_offset=self.secondary_offset * ARCSEC,
        )
        return Mirror(
            prescription=self.nest, errors=errors, reflectivity=Iridium(), energy=energy
        )

    @property
    def beam(self) -> Beam:
        """The source of the beamline."""
        return Beam(distance=SOURCE, diameter=SOURCE_DIAMETER)


@dataclass(frozen=True)
class Setting:
    """One measurement: its name, line, place of the detector (mm from the image)."""

    name: str
    line: str
    plane: float
    detector: str = ""

    @property
    def distance(self) -> float:
        """Of the detector behind the reference plane, as the table says it."""
        return round(IMAGE + self.plane, 2)

    @property
    def energy(self) -> float:
        """In keV."""
        return LINES[self.line]

    @property
    def pixel(self) -> float:
        """Side of a pixel in mm."""
        return COUNTER_PIXEL if self.detector else PIXEL


SETTINGS = (
    *(Setting(f"{line}_{name}", line, z) for line in LINES for name, z in SERIES.items()),
    Setting("counter", "Cr", COUNTER_PLANE, detector="counter"),
)
BEST_FOCUS = ("Cr_focus", "counter")  # whose best focus of a star is worked out


# ------------------------------------------------------------------------------ frames


@dataclass(frozen=True)
class Sensor:
    """What the integrating detector is: the same in all of its frames."""

    bias: np.ndarray  # adu
    response: np.ndarray
    dark: np.ndarray  # electron/s
    dead: np.ndarray

    def read(self, electrons: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Turn collected electrons into the raw frame, unsigned 16-bit."""
        electrons = np.where(self.dead, 0.0, electrons)
        noise = rng.normal(0.0, READ_NOISE, electrons.shape)
        raw = self.bias + (electrons + noise) / GAIN
        return np.clip(np.rint(raw), 0, FULL).astype(np.uint16)

    def dark_electrons(self, seconds: float, rng: np.random.Generator) -> np.ndarray:
        """Electrons that come without light."""
        return rng.poisson(self.dark * seconds).astype(float)


def sensor(rng: np.random.Generator) -> Sensor:
    """A sensor with a slope in its bias, 1 % of response spread, hot and dead pixels."""
    rows, columns = np.indices(SHAPE)
    dark = np.full(SHAPE, DARK)
    dark[rng.integers(0, SHAPE[0], 9), rng.integers(0, SHAPE[1], 9)] = 250.0
    dead = np.zeros(SHAPE, bool)
    dead[rng.integers(0, SHAPE[0], 5), rng.integers(0, SHAPE[1], 5)] = True
    return Sensor(
        bias=400 + 0.02 * rows - 0.01 * columns,
        response=1 + 0.01 * rng.standard_normal(SHAPE),
        dark=dark,
        dead=dead,
    )


def charge(
    x: np.ndarray, y: np.ndarray, energy: float, rng: np.random.Generator
) -> np.ndarray:
    """Electrons in each pixel from photons at pixel coordinates.

    Each photon sets free E/w electrons with Fano's variance; a round Gaussian cloud of
    0.2 pixels shares them among 3 × 3 pixels.
    """
    count = 1e3 * energy / PAIR
    electrons = count + math.sqrt(FANO * count) * rng.standard_normal(x.size)
    column, row = np.rint(x).astype(int), np.rint(y).astype(int)
    frame = np.zeros(SHAPE)

    def share(offset, step):
        return ndtr((step + 0.5 - offset) / 0.2) - ndtr((step - 0.5 - offset) / 0.2)

    for i in (-1, 0, 1):
        for k in (-1, 0, 1):
            part = electrons * share(y - row, i) * share(x - column, k)
            at = row + i, column + k
            ok = (at[0] >= 0) & (at[0] < SHAPE[0]) & (at[1] >= 0) & (at[1] < SHAPE[1])
            np.add.at(frame, (at[0][ok], at[1][ok]), part[ok])
    return frame


def stray(seconds: float, energy: float, rng: np.random.Generator) -> np.ndarray:
    """Electrons of a weak background, stronger to one side."""
    slope = 1 + 0.2 * (np.arange(SHAPE[1]) / SHAPE[1] - 0.5)
    number = int(rng.poisson(STRAY * seconds * SHAPE[0] * SHAPE[1]))
    column = rng.choice(SHAPE[1], number, p=slope / slope.sum())
    x, y = column + rng.random(number) - 0.5, rng.uniform(-0.5, SHAPE[0] - 0.5, number)
    return charge(x, y, energy, rng)


def save(path: Path, image: np.ndarray, way: int, cards: dict) -> None:
    """Store a frame in one of four ways that FITS offers."""
    header = fits.Header([(card, *told) for card, told in cards.items()])
    if way == 0:
        fits.PrimaryHDU(image, header).writeto(path, checksum=True)
    elif way == 1:
        fits.HDUList([fits.PrimaryHDU(), fits.ImageHDU(image, header)]).writeto(path)
    elif way == 2:
        tiles = fits.CompImageHDU(image, header, compression_type="RICE_1")
        fits.HDUList([fits.PrimaryHDU(), tiles]).writeto(path)
    else:
        fits.PrimaryHDU(image, header).writeto(path)  # the name ends in .gz


# ------------------------------------------------------------------------------ folder


class Folder:
    """A campaign folder that is being filled."""

    def __init__(self, path: Path, bench: Bench):
        self.path, self.bench, self.rows = path, bench, []
        self.rng = np.random.default_rng(bench.seed)
        (path / "frames" / "день 2").mkdir(parents=True)

    def add(self, name: str, kind: str, image: np.ndarray, **cells) -> None:
        """Store a frame and its row; the detector's place goes into the header only."""
        way = len(self.rows) % 4
        file = f"frames/день 2/{name}.fits" + (".gz" if way == 3 else "")
        place = cells.pop("distance", None)
        cards = {} if place is None else {"DETZ": (place / 10, "[cm] behind the mirror")}
        save(self.path / file, image, way, cards)
        self.rows.append({"exposure": name, "file": file, "kind": kind, **cells})

    def table(self) -> None:
        """Write exposures.ecsv in units of our own choice, empty cells where nothing is."""
        columns = {
            "exposure": str, "file": str, "kind": str, "group": str, "detector": str,
            "exposure_time": u.min, "energy": u.eV, "dead_time_fraction": None,
            "temperature": u.deg_C,
        }  # fmt: skip
        table = Table()
        for name, unit in columns.items():
            cells = [row.get(name) for row in self.rows]
            text = unit is str
            table[name] = MaskedColumn(
                [("" if text else 0.0) if cell is None else cell for cell in cells],
                mask=[cell is None for cell in cells],
                unit=None if text else unit,
            )
        table.write(self.path / "exposures.ecsv", format="ascii.ecsv")

    def nestings(self) -> None:
        """Write nestings.ecsv."""
        pairs = self.bench.nest.nestings
        table = Table({"nesting": np.arange(1, len(pairs) + 1)})
        table["radius"] = np.array([p.radius_mm for p in pairs]) / 10 * u.cm
        for stage in ("primary", "secondary"):
            angle = np.array([getattr(p, f"{stage}_angle_rad") for p in pairs])
            table[f"{stage}_angle"] = angle * 1e3 * u.mrad
            table[f"{stage}_length"] = np.full(len(pairs), LENGTH / 10) * u.cm
        table["gap"] = np.full(len(pairs), GAP) * u.mm
        table["thickness"] = np.full(len(pairs), THICKNESS * 1e3) * u.um
        table.write(self.path / "nestings.ecsv", format="ascii.ecsv")


def write_campaign(path: Path, bench: Bench) -> Path:
    """Write the campaign folder at ``path``, which must not be there."""
    folder = Folder(path, bench)
    rng = folder.rng
    ccd = sensor(rng)
    for k in range(5):
        folder.add(f"bias-{k}", "bias", ccd.read(np.zeros(SHAPE), rng), exposure_time=0.0)
    for k in range(3):
        folder.add(
            f"dark-{k}", "dark", ccd.read(ccd.dark_electrons(60, rng), rng),
            exposure_time=1.0,
        )  # fmt: skip
    for k in range(3):
        lamp = rng.poisson(40_000 * ccd.response) + ccd.dark_electrons(6, rng)
        folder.add(f"lamp-{k}", "flat", ccd.read(lamp, rng), exposure_time=0.1)
    for line, energy in LINES.items():
        for k in range(4):
            electrons = stray(120 * 0.99, energy, rng) * ccd.response
            electrons += ccd.dark_electrons(120, rng)
            folder.add(
                f"off-{line}-{k}", "background", ccd.read(electrons, rng),
                exposure_time=2.0, energy=energy * 1e3, group=f"off-{line}",
                dead_time_fraction=0.01,
            )  # fmt: skip
    dim = COUNTER_STRAY * 600
    folder.add(
        "off-counter", "background", rng.poisson(4 * dim, COUNTER_SHAPE).astype(np.int32),
        exposure_time=40.0, detector="counter",
    )  # fmt: skip
    for setting in SETTINGS:
        _take(folder, ccd, setting)
    folder.table()
    folder.nestings()
    bounds = {"inner": bench.inner, "outer": bench.outer, "replicates": bench.replicates}
    (path / "campaign.toml").write_text(SETUP.format(**bounds), encoding="utf-8")
    return path


def _take(folder: Folder, ccd: Sensor, setting: Setting) -> None:
    """Expose the frames of one measurement."""
    rng, bench = folder.rng, folder.bench
    number = int(rng.poisson(bench.photons))
    mirror = bench.mirror(setting.energy)
    places = draw_photons(mirror, bench.beam, setting.distance, number, rng)
    cells = {"energy": setting.energy * 1e3, "distance": setting.distance}
    if setting.detector:
        x, y = places.T / COUNTER_PIXEL + np.array(COUNTER_MIDDLE)[:, None]
        edges = [np.arange(n + 1) - 0.5 for n in COUNTER_SHAPE]
        image = np.histogram2d(y, x, bins=edges)[0]
        image += rng.poisson(COUNTER_STRAY * 600, COUNTER_SHAPE)
        image = image.astype(np.float32)
        folder.add(
            setting.name, "beam", image, exposure_time=10.0,
            detector=setting.detector, **cells,
        )  # fmt: skip
        return
    for k in range(bench.frames):
        x, y = places[k :: bench.frames].T / PIXEL + np.array(MIDDLE)[:, None]
        electrons = charge(x, y, setting.energy, rng)
        electrons += stray(bench.seconds * 0.99, setting.energy, rng)
        electrons = electrons * ccd.response + ccd.dark_electrons(bench.seconds, rng)
        folder.add(
            f"{setting.name}.{k}", "beam", ccd.read(electrons, rng),
            exposure_time=bench.seconds / 60, group=setting.name,
            dead_time_fraction=0.01, temperature=20.5, **cells,
        )  # fmt: skip


# ------------------------------------------------------------------------------- truth


def truth(bench: Bench, rays: int) -> dict[tuple[str, str], tuple[float, float]]:
    """Return (value, standard error) in arcsec by (measurement, key of results.json).

    Measured diameters contain the pixel twice: once as it gathers light and once as its
    light is taken as even within; diameters of a star do not.
    """
    found = {}
    for line, energy in LINES.items():
        star, source = _batches(bench, energy, rays)
        blur = np.random.default_rng([bench.seed, 1])
        for setting in (one for one in SETTINGS if one.line == line):
            angle = REFERENCE / setting.distance
            smeared = [
                _smeared(batch, setting.distance, setting.pixel, blur) for batch in source
            ]
            near = curves(smeared, setting.distance, angle, (0.0, 0.0))
            far = curves(star, FOCAL, angle, (0.0, 0.0))
            for name, share in (("hpd", 0.5), ("w90", 0.9)):
                found[setting.name, f"{name}_measured_arcsec"] = near.diameter(share)
                found[setting.name, f"{name}_infinity_arcsec"] = far.diameter(share)
            if setting.name in BEST_FOCUS:
                found[setting.name, "hpd_infinity_best_focus_arcsec"] = _least(star, angle)
    return found


def _least(star: list[Rays], angle: float) -> tuple[float, float]:
    """Least HPD of a star in any plane: a parabola about the best of many planes."""

    def sizes(planes):
        return [curves(star, z, angle, (0.0, 0.0)).diameter(0.5) for z in planes]

    wide = FOCAL + LENGTH * np.linspace(-0.3, 0.5, 17)
    best = wide[np.argmin([hpd for hpd, _ in sizes(wide)])]
    # The curve is a hyperbola with a depth of some 10 mm at 5 %: within 4 mm its fourth
    # order is some 1e-4 of it.
    near = np.linspace(-4.0, 4.0, 5)
    found = sizes(best + near)
    fit = np.polynomial.Polynomial.fit(near, [hpd for hpd, _ in found], 2)
    return float(fit(fit.deriv().roots()[0])), found[2][1]


def _batches(bench: Bench, energy: float, rays: int) -> tuple[list[Rays], list[Rays]]:
    seeds = np.random.SeedSequence([bench.seed, round(1e3 * energy)]).spawn(BATCHES)
    mirror = bench.mirror(energy)
    pairs = [
        trace_beams(
            mirror, (STAR, bench.beam), rays // BATCHES, np.random.default_rng(seed)
        )
        for seed in seeds
    ]
    return [star for star, _ in pairs], [source for _, source in pairs]


@dataclass(frozen=True)
class _Landed:
    x: np.ndarray
    y: np.ndarray
    weight: np.ndarray

    def at(self, _distance: float) -> tuple[np.ndarray, np.ndarray]:
        return self.x, self.y


def _smeared(rays: Rays, distance: float, pixel: float, rng) -> _Landed:
    places = [
        place + pixel * (rng.random((2, place.size)) - 0.5).sum(axis=0)
        for place in rays.at(distance)
    ]
    return _Landed(*places, rays.weight)
