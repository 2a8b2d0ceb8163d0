"""Coatings: what their settings mean, and what holds for every reflection."""

import astropy.units as u
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from beamreduce.errors import SettingsError
from beamreduce.mirror import (
    Coating,
    MirrorDesign,
    coating_density,
    coating_of,
    fresnel,
    optical_constants,
    reflect,
    specular_share,
)

GRAMS = u.g / u.cm**3
small = st.floats(1e-7, 1e-2)


def design(**more):
    return MirrorDesign(
        focal_length=5.2 * u.m,
        inner_radius=70 * u.mm,
        outer_radius=190 * u.mm,
        reflector_length=90 * u.mm,
        reflector_thickness=0.17 * u.mm,
        coating="Au",
        roughness=0.5 * u.nm,
        **more,
    )


@given(delta=small, beta=small, angle=st.floats(1e-5, 1.5))
def test_reflectivity_is_a_share_and_absorbing_surfaces_lose_some(delta, beta, angle):
    for value in fresnel((delta, beta), angle):
        assert 0 <= value < 1


@given(delta=small, share=st.floats(0.01, 0.99))
def test_a_surface_that_absorbs_nothing_reflects_totally_below_its_critical_angle(
    delta, share
):
    # n² - cos²θ < 0 exactly where sinθ < sqrt(2δ - δ²).
    angle = np.arcsin(share * np.sqrt(2 * delta - delta**2))
    assert fresnel((delta, 0.0), angle) == pytest.approx((1, 1), abs=1e-12)


@given(delta=small, beta=small)
def test_reflectivity_falls_with_the_angle_and_polarisations_meet_at_both_ends(delta, beta):
    angles = np.linspace(0, np.pi / 2, 200)
    s, p = fresnel((delta, beta), angles)
    assert (s[0], p[0]) == pytest.approx((1, 1), abs=1e-14)
    assert s[-1] == pytest.approx(p[-1], rel=1e-9)
    assert np.all(np.diff(s) < 0)
    assert np.all(p <= s + 1e-15)


@given(sigma=st.floats(0, 3), angle=st.floats(1e-4, 0.05))
def test_rougher_surfaces_keep_less_in_the_mirror_beam(sigma, angle):
    def share(model, scale=1.0):
        return specular_share(
            (7.5e-5, 1e-5),
            angle,
            roughness_in_wavelengths=sigma * scale,
            roughness_model=model,
        )

    for model in ("nevot_croce", "debye_waller"):
        assert share(model, 0.0) == 1
        assert 0 <= share(model, 1.5) <= share(model) <= 1


@pytest.mark.parametrize("model", ["nevot_croce", "debye_waller"])
def test_nothing_is_lost_to_roughness(model):
    angles = np.linspace(0.1, 0.7, 7) * u.deg
    energies = [1.5, 4.5, 8.0] * u.keV
    smooth = reflect(Coating(formula="Au"), energies, angles)
    rough = reflect(
        Coating(formula="Au", roughness=0.6 * u.nm, roughness_model=model), energies, angles
    )
    assert not smooth.scattered.any()
    assert np.all(rough.scattered > 0)
    assert rough.specular + rough.scattered == pytest.approx(smooth.specular, rel=1e-14)
    assert rough.specular.shape == (3, 7)


def test_shapes_follow_energies_and_then_angles():
    gold = Coating(formula="Au")
    assert reflect(gold, 1 * u.keV, 1 * u.deg).specular.shape == ()
    angles = np.full((2, 3), 0.4) * u.deg
    assert reflect(gold, [1, 2] * u.keV, angles).specular.shape == (2, 2, 3)
    assert optical_constants("Au", 19.3 * GRAMS, [] * u.keV)[0].shape == (0,)


def test_density_is_the_campaigns_before_the_default():
    assert coating_density("Au") == 19.3 * GRAMS
    assert coating_density("Au", 17000 * u.kg / u.m**3) == 17 * GRAMS
    assert coating_of(design()).density == 19.3 * GRAMS
    own = design(coating_density=18.5 * GRAMS)
    assert coating_of(own).density == 18.5 * GRAMS
    # It is the density of the design's coating, not of a nesting with another one.
    other = coating_of(own, formula="Pt", roughness=0.3 * u.nm)
    assert other.density == 21.45 * GRAMS
    assert other.roughness_nm == 0.3


def test_settings_of_the_campaign_and_defaults_are_recorded():
    record = coating_of(design()).record
    assert record["optical_constants"] == "henke"
    assert record["roughness_model"] == "nevot_croce"
    assert record["optical_constants_version"].startswith("periodictable ")
    assert record["coating_density_g_cm3"] == 19.3
    record = coating_of(
        design(optical_constants="chantler", roughness_model="debye_waller")
    ).record
    assert record["optical_constants_version"].startswith("xraydb ")
    assert (record["coating"], record["roughness_model"]) == ("Au", "debye_waller")


@pytest.mark.parametrize("table", ["henke", "chantler"])
def test_every_default_density_belongs_to_a_coating_with_constants(table):
    from beamreduce.mirror.optical_constants import DEFAULT_DENSITIES  # noqa: PLC0415

    for formula in DEFAULT_DENSITIES:
        coating = Coating(formula=formula, table=table)
        assert 0.5 < reflect(coating, 1.2 * u.keV, 0.3 * u.deg).specular < 1


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: Coating(formula="Qq"), "coating must be a chemical symbol.*'Qq'"),
        (lambda: Coating(formula="gold"), "coating must be a chemical symbol.*'gold'"),
        (lambda: Coating(formula="Au@19"), "coating must be a chemical symbol.*'Au@19'"),
        (lambda: Coating(formula="(Au"), "coating must be a chemical symbol"),
        (lambda: Coating(formula=""), "coating must be a chemical symbol"),
        (lambda: Coating(formula="Os"), "'Os' has no default density.*set coating_density"),
        (
            lambda: Coating(formula="Au", table="book"),
            "optical_constants must be one of henke, chantler; got 'book'",
        ),
        (
            lambda: Coating(formula="Au", roughness_model="sandpaper"),
            "roughness_model must be one of nevot_croce, debye_waller; got 'sandpaper'",
        ),
        (
            lambda: Coating(formula="Au", roughness=-1 * u.nm),
            "roughness must not be below zero",
        ),
        (
            lambda: Coating(formula="Au", density=0 * GRAMS),
            "coating_density must be above zero",
        ),
        (
            lambda: Coating(formula="Au", density=19.3 * u.m),
            "coating_density must have a unit that converts",
        ),
        (
            lambda: reflect(Coating(formula="Au"), 1 * u.keV, -1 * u.deg),
            "grazing_angle must be between 0 and 90 deg",
        ),
        (
            lambda: reflect(Coating(formula="Au"), 8000 * u.keV, 1 * u.deg),
            "energy must be between 0.0\\d+ and 30 keV.*got 8000 keV",
        ),
        (
            lambda: reflect(
                Coating(formula="Pu", density=19.8 * GRAMS, table="chantler"),
                1 * u.keV,
                1 * u.deg,
            ),
            "chantler table has no values for Pu",
        ),
        (
            lambda: reflect(
                Coating(formula="Pu", density=19.8 * GRAMS), 1 * u.keV, 1 * u.deg
            ),
            "henke table has no values for Pu",
        ),
    ],
)
def test_bad_settings_are_named(call, message):
    with pytest.raises(SettingsError, match=message):
        call()
