"""Tabulated reflectivity: close to the formulas everywhere, one table for every coating."""

import astropy.units as u
import numpy as np
import pytest

from beamreduce.errors import SettingsError
from beamreduce.mirror import (
    Coating,
    MirrorDesign,
    Nesting,
    Prescription,
    nest_reflectivity,
    reflect,
    reflectivity_table,
)
from beamreduce.mirror.reflectivity_table import INTERPOLATION_ERROR, on_one_grid


@pytest.mark.parametrize(
    ("formula", "energies", "model"),
    [
        ("Au", [0.277, 1.487, 4.511, 6.404, 8.048], "nevot_croce"),
        ("Au", [2.2, 2.3, 11.95], "debye_waller"),  # beside edges
        ("Ir", [1.487, 8.048], "nevot_croce"),
        ("Ni", [8.048, 8.3], "nevot_croce"),  # a sharp critical angle, under the K edge
        ("C", [8.048], "debye_waller"),  # the sharpest
    ],
)
def test_straight_lines_err_by_less_than_promised(formula, energies, model):
    coating = Coating(formula=formula, roughness=0.5 * u.nm, roughness_model=model)
    table = reflectivity_table(coating, energies * u.keV)
    rng = np.random.default_rng(20261125)
    anywhere = rng.uniform(0, table.steepest_rad, 20_000)
    critical = np.arccos(1 - 4.7e-5 * np.linspace(0.1, 2, 20_000))  # dense where it bends
    for angles in (anywhere, critical):
        specular, scattered = table.at(angles * u.rad)
        exact = reflect(coating, energies * u.keV, angles * u.rad)
        assert np.abs(specular - exact.specular).max() < INTERPOLATION_ERROR
        assert np.abs(scattered - exact.scattered).max() < INTERPOLATION_ERROR


def test_grid_begins_at_zero_and_ends_at_the_steepest_angle():
    table = reflectivity_table(Coating(formula="Au"), 1.5 * u.keV, steepest=2 * u.deg)
    assert table.steepest_rad == pytest.approx(np.radians(2), rel=1e-12)
    assert table.specular[0, 0] == 1
    assert table.energy_kev.tolist() == [1.5]
    assert not table.scatters
    last = reflect(Coating(formula="Au"), 1.5 * u.keV, 2 * u.deg).specular
    assert table.at(2 * u.deg)[0][0] == pytest.approx(last, abs=1e-12)
    rough = reflectivity_table(Coating(formula="Au", roughness=1 * u.nm), 1.5 * u.keV)
    assert rough.scatters
    assert rough.total[0, -1] > rough.specular[0, -1]


def nesting(number, radius, coating="Au", roughness=0.5):
    return Nesting(
        number=number,
        radius_mm=radius,
        primary_angle_rad=radius / 4 / 5200,
        secondary_angle_rad=3 * radius / 4 / 5200,
        primary_length_mm=90.0,
        secondary_length_mm=90.0,
        gap_mm=0.0,
        thickness_mm=0.2,
        coating=coating,
        roughness_nm=roughness,
    )


def test_a_nest_has_one_table_for_each_kind_of_surface():
    design = MirrorDesign(
        focal_length=5.2 * u.m,
        inner_radius=70 * u.mm,
        outer_radius=190 * u.mm,
        reflector_length=90 * u.mm,
        reflector_thickness=0.17 * u.mm,
        coating="Au",
        roughness=0.5 * u.nm,
        coating_density=18.0 * u.g / u.cm**3,
        roughness_model="debye_waller",
    )
    nest = Prescription(
        nestings=(
            nesting(1, 100),
            nesting(2, 110, "C"),
            nesting(3, 120, "Au", 0.9),
            nesting(4, 130),
        ),
        focal_length_mm=5200.0,
    )
    energies = [1.487, 8.048] * u.keV
    tables, number = nest_reflectivity(nest, design, energies)
    assert number.tolist() == [0, 1, 2, 0]
    assert [t.coating.formula for t in tables] == ["Au", "C", "Au"]
    assert [t.coating.density.value for t in tables] == [18.0, 2.2, 18.0]
    assert {t.coating.roughness_model for t in tables} == {"debye_waller"}
    assert len({t.specular.shape for t in tables}) == 1  # a kernel needs one grid
    for table in tables:
        exact = reflect(table.coating, energies, 0.4 * u.deg)
        assert table.at(0.4 * u.deg)[0] == pytest.approx(exact.specular, abs=1e-5)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda t: t.at(4 * u.deg),
            "grazing_angle must be within the table, 0 to 0.05 rad",
        ),
        (lambda t: t.at(-1 * u.deg), "grazing_angle must be within the table"),
        (
            lambda t: on_one_grid([t, reflectivity_table(t.coating, 2 * u.keV)]),
            "must share energies and steepest angle",
        ),
        (
            lambda t: reflectivity_table(t.coating, 2 * u.keV, steepest=0 * u.rad),
            "steepest must be above zero",
        ),
        (
            lambda t: reflectivity_table(t.coating, [[2], [3]] * u.keV),
            "energies must be a list",
        ),
        (
            lambda t: reflectivity_table(t.coating, 50 * u.keV),
            "henke table has values for Au; got 50 keV",
        ),
    ],
)
def test_bad_requests_are_named(call, message):
    table = reflectivity_table(Coating(formula="Au"), 1.5 * u.keV)
    with pytest.raises(SettingsError, match=message):
        call(table)
