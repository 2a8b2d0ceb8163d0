"""Reflectors with a known truth: height maps of surfaces whose spectrum is known."""

import hashlib
import json
import math
import tempfile
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import astropy.units as u
import numpy as np
from astropy.io import fits
from astropy.table import Table

from beamreduce.errors import ReflectorError, SettingsError
from beamreduce.record import Uncertain, random_stream, toml_text, write_text_whole
from beamreduce.reflectors import (
    FOLDER_FORMAT,
    GRADES,
    MAPS_FILE,
    SETTINGS_FILE,
    STAGES,
    Limit,
    ReflectorSetup,
    grade,
    grazing_angles,
    read_reflector_folder,
    read_reflector_setup,
    scattered_fraction,
)
from beamreduce.simulate.scenario_file import scenario_tables, scenario_text
from beamreduce.simulate.scenario_records import ReflectorsAsMade, read_record
from beamreduce.simulate.write_campaign import Progress, make_with_truth, refuse_existing

SCENARIO_FORMAT = "beamreduce-reflector-scenario/1"
TRUTH_FORMAT = "beamreduce-reflector-truth/1"


@dataclass(frozen=True, kw_only=True)
class ReflectorScenario:
    """What is to be made; ``tables`` become ``reflectors.toml``."""

    seed: int
    sha256: str
    tables: Mapping[str, object]
    made: ReflectorsAsMade


@dataclass(frozen=True, kw_only=True)
class MadeReflector:
    """One reflector as made, with its true rms height in the waves of its map."""

    reflector: str
    nesting: int
    stage: str
    mandrel: str
    batch: str
    coating_run: str
    sq_nm: float


def is_reflector_scenario(scenario: Path | str) -> bool:
    """Return True when a scenario makes reflectors rather than a campaign."""
    _, text = scenario_text(scenario)
    try:
        return tomllib.loads(text).get("format") == SCENARIO_FORMAT
    except tomllib.TOMLDecodeError:
        return False


def read_reflector_scenario(scenario: Path | str) -> ReflectorScenario:
    """Read a scenario of reflectors.

    Raises
    ------
    SettingsError
        With everything that is wrong, one line each.
    """
    name, text = scenario_text(scenario)
    problems: list[str] = []
    tables, seed = scenario_tables(name, text, SCENARIO_FORMAT, problems)
    made = read_record(ReflectorsAsMade, tables.pop("made", {}), "made", problems)
    if problems:
        raise SettingsError("\n".join(f"{name}: {problem}" for problem in problems))
    return ReflectorScenario(
        seed=seed,
        sha256=hashlib.sha256(text.encode()).hexdigest(),
        tables={"format": FOLDER_FORMAT, **tables},
        made=made,
    )


def simulate_reflectors(
    scenario: Path | str, folder: Path, *, progress: Progress | None = None
) -> None:
    """Make a folder of height maps and, beside it, the file with its truth.

    Parameters
    ----------
    scenario
        Path of a TOML file, or the name of a packaged scenario.
    folder
        Must not exist or be empty; the truth goes to ``<folder>.truth.json``.
    progress
        Called with what is being made, how much of it is done, and how much there is.

    Raises
    ------
    SettingsError, ReflectorError
        When the scenario, or the settings it makes, cannot be used.
    OutputError
        When folder or truth exist already or cannot be written; nothing is left behind.
    """
    read = read_reflector_scenario(scenario)
    truth_file = folder.with_name(f"{folder.name}.truth.json")
    refuse_existing(folder, truth_file)
    tell = progress or (lambda what, done, total: None)

    def write(made: Path, its_truth: Path) -> None:
        truth = _write(read, made, tell)
        write_text_whole(its_truth, json.dumps(truth, indent=1) + "\n")

    make_with_truth(folder, truth_file, write)


def _write(read: ReflectorScenario, folder: Path, tell: Progress) -> dict[str, object]:
    """Write settings, maps and their list; return the truth.

    One profilometer measures all maps: the error of its height scale is drawn once, from
    what is declared of it, and its noise is in every point.
    """
    (folder / "maps").mkdir(parents=True)
    (folder / SETTINGS_FILE).write_text(toml_text(read.tables), encoding="utf-8")
    made = read.made
    setup = _setup(read)
    reflectors = list(_reflectors(read, setup))
    rng = random_stream(read.seed, "profilometer", "height scale")
    scale = 1 + float(rng.normal(0, setup.instrument.height_scale))
    rows = []
    second = _chosen(read, len(reflectors))
    total = len(reflectors) + len(second)
    for number, one in enumerate(reflectors):
        pixel_um = float(made.pixel_size.to_value(u.um))
        magnified = [(20.0, pixel_um, "")]
        if number in second:
            magnified.append((10.0, 2 * pixel_um, "-10x"))
        for magnification, step_um, ending in magnified:
            name = f"{one.reflector}{ending}"
            rng = random_stream(read.seed, name, "height map")
            heights = _surface(one.sq_nm, step_um, made, rng)
            heights += rng.normal(0, setup.instrument.noise_nm, heights.shape)
            heights *= scale
            file = f"maps/{name}.fits"
            image = fits.PrimaryHDU(heights.astype(np.float32))
            image.header["BUNIT"] = "nm"
            image.writeto(folder / file)
            rows.append((name, file, one, step_um, magnification))
            tell("maps made", len(rows), total)
    _write_list(folder, rows)
    return _truth(read, folder, reflectors) | {"height_scale_error": scale - 1}


def _write_list(
    folder: Path, rows: list[tuple[str, str, MadeReflector, float, float]]
) -> None:
    table = Table()
    table["map"] = [row[0] for row in rows]
    table["file"] = [row[1] for row in rows]
    for key in ("reflector", "nesting", "stage", "mandrel", "batch", "coating_run"):
        table[key] = [getattr(row[2], key) for row in rows]
    table["pixel_size"] = [row[3] for row in rows] * u.um
    table["magnification"] = [row[4] for row in rows]
    table.write(folder / MAPS_FILE, format="ascii.ecsv")


def _reflectors(read: ReflectorScenario, setup: ReflectorSetup) -> Iterator[MadeReflector]:
    """Make the reflectors in the order in which they are formed."""
    made = read.made
    nestings = _nestings(setup)
    rng = random_stream(read.seed, "reflectors", "roughness")
    places = [(stage, nesting) for nesting in range(1, nestings + 1) for stage in STAGES]
    # As even as can be over the places, which of them get one more is chance.
    order = [places[i % len(places)] for i in range(made.reflectors)]
    rng.shuffle(order)
    batches = -(-made.reflectors // made.reflectors_a_batch)
    runs = -(-made.reflectors // made.reflectors_a_run)
    by_batch = rng.normal(0, made.batch_spread, batches)
    own = rng.normal(0, made.spread, made.reflectors)
    for i, (stage, nesting) in enumerate(order):
        batch, run = i // made.reflectors_a_batch, i // made.reflectors_a_run
        mandrel = f"{stage[0].upper()}{-(-nesting // made.nestings_a_mandrel):02d}"
        factor = math.exp(own[i] + by_batch[batch])
        factor *= made.bad_mandrel_factor if mandrel == made.bad_mandrel else 1.0
        factor *= made.drift_factor if run >= runs - made.drifting_runs else 1.0
        yield MadeReflector(
            reflector=f"{stage[0].upper()}{nesting:03d}-{i:04d}",
            nesting=nesting,
            stage=stage,
            mandrel=mandrel,
            batch=f"B{batch + 1:02d}",
            coating_run=f"C{run + 1:02d}",
            sq_nm=factor * float(made.roughness.to_value(u.nm)),
        )


def _setup(read: ReflectorScenario) -> ReflectorSetup:
    """Read back the settings that the scenario declares."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / SETTINGS_FILE).write_text(toml_text(read.tables), encoding="utf-8")
        setup, problems = read_reflector_setup(folder)
    wrong = [problem for problem in problems if not problem.warning]
    if wrong:
        raise ReflectorError(wrong)
    return setup


def _nestings(setup: ReflectorSetup) -> int:
    """Number of nestings of the mirror that the scenario declares."""
    if setup.prescription is None:
        raise SettingsError("a scenario of reflectors must declare [mirror]; add it")
    return len(setup.prescription.nestings)


def _chosen(read: ReflectorScenario, count: int) -> set[int]:
    rng = random_stream(read.seed, "reflectors", "second maps")
    return set(rng.choice(count, min(count, read.made.second_maps), replace=False).tolist())


def _surface(
    sq_nm: float, step_um: float, made: ReflectorsAsMade, rng: np.random.Generator
) -> np.ndarray:
    """Heights in nm of one map, with its shape, spikes and holes.

    The density of the spectrum is the same whatever the magnification; a coarser map shows
    less of the short waves, as optics do, and nothing is folded back from beyond.
    """
    n = made.map_points
    frequency = np.fft.fftfreq(n, step_um)
    radius = np.hypot(frequency, frequency[:, np.newaxis])
    density = _density(radius, sq_nm, made)
    density[radius > 0.45 / step_um] = 0.0
    white = np.fft.fft2(rng.standard_normal((n, n)))
    heights = np.fft.ifft2(white * np.sqrt(density)).real / step_um
    sag = float(made.sag.to_value(u.nm))
    y, x = np.mgrid[-1 : 1 : n * 1j, -1 : 1 : n * 1j]
    tilt = rng.normal(0, 20, 2)
    heights += sag * y**2 + tilt[0] * x + tilt[1] * y + rng.normal(0, 100)
    for _ in range(made.spikes):
        i, j = rng.integers(0, n, 2)
        heights[i, j] += rng.choice([-1, 1]) * rng.uniform(20, 80) * sq_nm
    heights[rng.random((n, n)) < made.hole_fraction] = np.nan
    return heights


def _density(radius: np.ndarray, sq_nm: float, made: ReflectorsAsMade) -> np.ndarray:
    """Two-sided spectrum (nm² um²) whose sum over the finest map's frequencies is Sq²."""
    finest_um = float(made.pixel_size.to_value(u.um))
    own = np.fft.fftfreq(made.map_points, finest_um)
    all_radii = np.hypot(own, own[:, np.newaxis])
    cell = (1 / (made.map_points * finest_um)) ** 2
    total = float(_power_law(all_radii, made).sum()) * cell
    return sq_nm**2 / total * _power_law(radius, made)


def _power_law(radius: np.ndarray, made: ReflectorsAsMade) -> np.ndarray:
    low = 1 / float(made.longest_wave.to_value(u.um))
    high = 0.45 / float(made.pixel_size.to_value(u.um))
    power = np.zeros_like(radius)
    inside = (radius >= low) & (radius <= high)
    power[inside] = radius[inside] ** -made.exponent
    return power


def _truth(
    read: ReflectorScenario, folder: Path, reflectors: list[MadeReflector]
) -> dict[str, object]:
    listed = read_reflector_folder(folder)
    angle_of = grazing_angles(listed.setup)
    known = {r.reflector: r for r in listed.reflectors}
    limits = [replace(limit, guard=0.0) for limit in listed.setup.limits]
    return {
        "format": TRUTH_FORMAT,
        "scenario_sha256": read.sha256,
        "bad_mandrel": read.made.bad_mandrel,
        "reflectors": {
            one.reflector: {
                **{k: v for k, v in asdict(one).items() if k == "sq_nm"},
                "grade": _true_grade(one, limits),
                "scatter": {
                    f"{energy:g}keV": float(
                        scattered_fraction(
                            one.sq_nm * u.nm,
                            energy * u.keV,
                            angle_of(known[one.reflector]) * u.rad,
                        )
                    )
                    for energy in listed.setup.energies_kev
                },
            }
            for one in reflectors
        },
        "grades": list(GRADES),
    }


def _true_grade(one: MadeReflector, limits: list[Limit]) -> str:
    value = Uncertain(value=one.sq_nm, statistical=0.0)
    return grade({"Sq": value}, limits, stage=one.stage, nesting=one.nesting).grade
