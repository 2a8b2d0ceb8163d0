"""Small folders of maps, whole or with something wrong."""

import json
from pathlib import Path

import astropy.units as u
import numpy as np
from astropy.io import fits
from astropy.table import Table

SETTINGS = """format = "beamreduce-reflectors/1"
energies = ["4.51 keV"]

[mirror]
focal_length = "5.2 m"
inner_radius = "70 mm"
outer_radius = "71.2 mm"
reflector_length = "90 mm"
reflector_thickness = "0.17 mm"
coating = "Au"
roughness = "0.5 nm"

[image]
hpd = "60 arcsec"

[filling]
quadrants = ["Q1", "Q2"]

[[limits]]
quantity = "Sq"
flight = "0.55 nm"
reserve = "0.8 nm"
"""
# Nestings 1 to 3, two stages, two quadrants: twelve slots.
ROUGHNESS_NM = (0.40, 0.45, 0.7, 1.2)


def write_map(path, heights, unit="nm"):
    image = fits.PrimaryHDU(np.asarray(heights, dtype=np.float32))
    if unit:
        image.header["BUNIT"] = unit
    image.writeto(path, overwrite=True)


def rows_of(nestings=(1, 2), stages=("primary", "secondary"), roughness=ROUGHNESS_NM):
    """One row and map a reflector: (row, heights)."""
    rng = np.random.default_rng(21)
    for nesting in nestings:
        for stage in stages:
            for i, sq in enumerate(roughness):
                name = f"{stage[0].upper()}{nesting}{'abcdefgh'[i]}"
                row = {
                    "map": name,
                    "file": f"maps/{name}.fits",
                    "reflector": name,
                    "nesting": nesting,
                    "stage": stage,
                    "mandrel": f"M{nesting}",
                    "batch": f"B{i % 2}",
                    "pixel_size": 1.0,
                }
                yield row, rng.normal(0, sq, (48, 48))


def make_folder(folder: Path, *, settings=SETTINGS, rows=None, pixel_unit=u.um):
    """Write a folder; ``rows`` are pairs of row and heights."""
    (folder / "maps").mkdir(parents=True)
    (folder / "reflectors.toml").write_text(settings)
    rows = list(rows_of()) if rows is None else list(rows)
    for row, heights in rows:
        if heights is not None:
            write_map(folder / row["file"], heights)
    write_list(folder, [row for row, _ in rows], pixel_unit)
    return folder


def write_list(folder, rows, pixel_unit=u.um):
    keys = list(dict.fromkeys(key for row in rows for key in row))
    table = Table({key: [row.get(key, "") for row in rows] for key in keys})
    if "pixel_size" in keys and pixel_unit is not None:
        table["pixel_size"].unit = pixel_unit
    table.write(folder / "maps.ecsv", format="ascii.ecsv", overwrite=True)


def results(folder):
    return json.loads((folder / "reflectors.json").read_text())


def table(folder, name):
    return Table.read(folder / f"{name}.ecsv", format="ascii.ecsv")
