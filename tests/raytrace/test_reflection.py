"""Weights of rays: reflectivity at their own angles, at every energy, and scatter."""

import math

import astropy.units as u
import numpy as np
import pytest

from beamreduce.mirror import Coating, reflect, reflectivity_table
from beamreduce.raytrace import ErrorLaw, Light, MirrorState
from tests.raytrace.made_mirrors import FOCAL, SOURCE, diameter, image_plane, nest, run

ENERGIES = [1.487, 4.511, 8.048] * u.keV
BEAMLINE = Light(source_distance_mm=SOURCE)
RADII = np.linspace(0, 3, 601)[1:]


def coating(roughness=0.0, model="nevot_croce", formula="Au"):
    return Coating(formula=formula, roughness=roughness * u.nm, roughness_model=model)


def mirror(*coatings, scatter=None, energies=ENERGIES, **more):
    tables = tuple(reflectivity_table(c, energies) for c in coatings)
    short = nest(130.0, length=4.0, secondary=12.0)
    return MirrorState(
        **({"prescription": short, "coatings": tables, "scatter": scatter} | more)
    )


@pytest.mark.parametrize("light", [Light(), BEAMLINE])
def test_area_is_that_of_two_reflections_at_their_angles(light):
    # A cone so short that the angles are one: α + δ and α - δ, exactly on axis (δ grows
    # by 0.03 % along it).
    alpha = math.atan(130 / FOCAL) / 4
    delta = 0.0 if light.parallel else math.atan(130 / SOURCE)
    plain = run(mirror().prescription, light, FOCAL).area_mm2[0]
    found = run(mirror(coating()), light, FOCAL).area_mm2
    share = reflect(coating(), ENERGIES, [alpha + delta, alpha - delta] * u.rad).specular
    assert found / plain == pytest.approx(share.prod(axis=1), rel=1e-3)


def test_one_trace_has_the_energies_of_many():
    together = run(mirror(coating()), BEAMLINE, image_plane(), ring_radii_mm=RADII)
    for k, energy in enumerate(ENERGIES):
        alone = run(
            mirror(coating(), energies=energy), BEAMLINE, image_plane(), ring_radii_mm=RADII
        )
        # The grids of angles differ by energy: 1e-5 in each share.
        assert together.rings_mm2[0, k] == pytest.approx(
            alone.rings_mm2[0, 0], rel=1e-4, abs=1e-12
        )


@pytest.mark.parametrize("model", ["nevot_croce", "debye_waller"])
def test_light_scattered_along_the_mirror_beam_is_not_lost(model):
    smooth = run(mirror(coating()), BEAMLINE, image_plane(), rays=400_000)
    rough = run(
        mirror(coating(0.7, model), scatter=ErrorLaw.none()),
        BEAMLINE,
        image_plane(),
        rays=400_000,
    )
    noise = np.hypot(smooth.area_error_mm2, rough.area_error_mm2)
    assert np.all(noise < 2e-3 * smooth.area_mm2)
    assert np.all(np.abs(rough.area_mm2 - smooth.area_mm2) < 5 * noise)


@pytest.mark.parametrize("model", ["nevot_croce", "debye_waller"])
def test_the_mirror_beam_keeps_the_specular_share_and_the_rest_is_spread(model):
    # Scatter outward by 0.4 mrad or more, in both reflections, so that twice scattered
    # light does not come back: it lands beyond 2 mm; the image, of short cones, within
    # 0.05 mm.
    surface = coating(0.7, model)
    wide = ErrorLaw.from_cumulative([4e-4, 6e-4], [0.0, 1.0])
    alpha, delta = math.atan(130 / FOCAL) / 4, math.atan(130 / SOURCE)
    found = run(
        mirror(surface, scatter=wide),
        BEAMLINE,
        image_plane(),
        rays=1_000_000,
        ring_radii_mm=[0.2, 50.0],
    )
    plain = run(mirror().prescription, BEAMLINE, image_plane()).area_mm2[0]
    both = reflect(surface, ENERGIES, [alpha + delta, alpha - delta] * u.rad)
    core = found.rings_mm2[0, :, 0] / plain
    noise = found.enclosed_error_mm2[0, :, 0] / plain
    assert np.all(np.abs(core - both.specular.prod(axis=1)) < 5 * noise + 1e-3 * core)
    # What lies anywhere is all that is reflected; the secondary is missed by little.
    total = (both.specular + both.scattered).prod(axis=1)
    whole = found.area_mm2 / plain
    assert np.all(whole <= total * (1 + 5e-3))
    assert np.all(whole > total * 0.99)


def test_a_wider_law_of_scatter_makes_a_wider_image_at_high_energy():
    rough = coating(1.0, "debye_waller")
    narrow, wide = (
        run(
            mirror(rough, scatter=ErrorLaw.lorentzian(h)),
            BEAMLINE,
            image_plane(),
            rays=400_000,
            ring_radii_mm=RADII,
        )
        for h in (2e-5, 1e-4)
    )
    for energy in range(3):
        narrow_w90 = diameter(narrow, 0.9, energy=energy)
        assert diameter(wide, 0.9, energy=energy) > narrow_w90
    assert diameter(wide, 0.9, energy=2) > 2 * diameter(wide, 0.9, energy=0)


def test_nestings_may_have_coatings_of_their_own():
    tables = tuple(
        reflectivity_table(c, [1.487, 4.511] * u.keV, steepest=0.02 * u.rad)
        for c in (coating(), coating(formula="Pt"))
    )
    # Grids may come out different; give both the finer one.
    from beamreduce.mirror.reflectivity_table import on_one_grid  # noqa: PLC0415

    tables = on_one_grid(tables)
    pair = nest(130.0, 150.0, length=4.0, secondary=12.0)
    mixed = MirrorState(
        prescription=pair, coatings=tables, coating_of_nesting=np.array([1, 0])
    )
    found = run(mixed, Light(), FOCAL).area_mm2
    expected = 0.0
    for radius, surface in ((130.0, coating(formula="Pt")), (150.0, coating())):
        alpha = math.atan(radius / FOCAL) / 4
        ring = math.pi * ((radius + 4 * math.tan(alpha)) ** 2 - radius**2)
        share = reflect(surface, [1.487, 4.511] * u.keV, alpha * u.rad).specular
        expected = expected + ring * share**2
    assert found == pytest.approx(expected, rel=1e-4)
