"""A full set of area curves beside the bare evaluation of reflectivity that they need."""

import astropy.units as u
import numpy as np

from beamreduce.effective_area import model_area
from beamreduce.mirror import (
    Coating,
    MirrorDesign,
    Prescription,
    nestings_from_design,
    reflect,
)
from tests.benchmarks.timing import Result, at_most, medians

ENERGIES, ANGLES, NESTINGS = 3000, 10, 200
COATING = Coating(formula="Au", roughness=0.5 * u.nm)
KEV = np.linspace(1.0, 10.0, ENERGIES) * u.keV


def area_curves() -> list[Result]:
    """Areas at 3 000 energies and 10 angles of 200 nestings, with blockage."""
    nest = _nest()
    grazing = np.array([n.primary_angle_rad for n in nest.nestings]) * u.rad

    def bare() -> np.ndarray:
        return reflect(COATING, KEV, grazing).specular

    def everything() -> list[np.ndarray]:
        model_area._looked_up.cache_clear()  # each run looks its constants up
        light = model_area.refraction({"Au": COATING}, KEV)
        return [
            model_area.model_area_cm2(
                model_area.beam_paths(nest, off_axis=angle * u.arcmin), light
            )
            for angle in np.arange(ANGLES)
        ]

    one, all_of_them = medians((bare, everything), 3)
    areas = everything()
    paths = model_area.beam_paths(nest)
    smooth = reflect(COATING, KEV, grazing)
    by_nesting = np.zeros(NESTINGS)
    which = np.searchsorted(grazing.value, paths.grazing_rad[0] - 1e-12)
    np.add.at(by_nesting, which, paths.area_mm2)
    direct = (smooth.specular + smooth.scattered) ** 2 @ by_nesting / 100
    off = float(np.abs(areas[0] / direct - 1).max())
    assert off < 1e-9
    return [
        Result(
            work=f"area at {ENERGIES} energies × {ANGLES} angles, {NESTINGS} nestings, "
            f"off-axis blockage by azimuth, optical constants included",
            **at_most(all_of_them / one, 5, "reflectivity of each nesting once"),
            accuracy=f"on the axis within {off:.0e} of the direct sum",
        )
    ]


def _nest() -> Prescription:
    nest = nestings_from_design(
        MirrorDesign(
            focal_length=5.2 * u.m,
            inner_radius=60 * u.mm,
            outer_radius=260 * u.mm,
            reflector_length=90 * u.mm,
            reflector_thickness=0.17 * u.mm,
            coating="Au",
            roughness=0.5 * u.nm,
        )
    )
    return Prescription(
        nestings=nest.nestings[:NESTINGS], focal_length_mm=nest.focal_length_mm
    )
