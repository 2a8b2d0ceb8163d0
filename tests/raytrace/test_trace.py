"""What must hold for any trace: symmetry, conservation, seeds, moves, shadows, refusals."""

import math

import astropy.units as u
import numpy as np
import pytest

from beamreduce.errors import GeometryError, SettingsError
from beamreduce.mirror import Coating, reflectivity_table
from beamreduce.raytrace import (
    BEHIND_THE_MIRROR,
    AlignmentBars,
    ErrorLaw,
    FigureErrors,
    Light,
    MirrorState,
    Placement,
    Quadrant,
    TracePlan,
    four_quadrants,
    trace,
)
from tests.raytrace.made_mirrors import (
    ARCMIN,
    ARCSEC,
    FOCAL,
    SOURCE,
    diameter,
    image_plane,
    nest,
    run,
    tight_nest,
)

BEAMLINE = Light(source_distance_mm=SOURCE)
LAW = ErrorLaw.gaussian(15 * ARCSEC)
ERRORS = FigureErrors(primary=LAW, secondary=LAW)
RADII = np.linspace(0, 4, 201)[1:]
NEST = tight_nest(120.0, 126.0, gap=4.0)


def test_the_same_generator_gives_the_same_numbers_and_another_gives_others():
    mirror = MirrorState(prescription=NEST, figure=ERRORS)
    one, two, three = (
        run(mirror, BEAMLINE, image_plane(), seed=seed, rays=50_000, ring_radii_mm=RADII)
        for seed in (1, 1, 2)
    )
    assert np.array_equal(one.ring_parts_mm2, two.ring_parts_mm2)
    assert one.rays_by_fate == two.rays_by_fate
    assert not np.array_equal(one.ring_parts_mm2, three.ring_parts_mm2)
    difference = one.area_mm2 - three.area_mm2
    noise = np.hypot(one.area_error_mm2, three.area_error_mm2)
    assert abs(difference[0]) < 5 * noise[0]


def test_the_standard_error_is_the_scatter_of_repeats():
    mirror = MirrorState(prescription=nest(120.0, 124.0, thickness=0.2), figure=ERRORS)
    repeats = [
        run(mirror, BEAMLINE, image_plane(), seed=seed, rays=4_000, ring_radii_mm=[0.4])
        for seed in range(60)
    ]
    area = np.array([r.area_mm2[0] for r in repeats])
    quoted = np.sqrt(np.mean([r.area_error_mm2[0] ** 2 for r in repeats]))
    # 60 repeats give their scatter to 1/√118 = 9 %, and 60 · 7 parts the other to 3 %.
    assert quoted == pytest.approx(area.std(ddof=1), rel=0.3)
    inside = np.array([r.enclosed_mm2[0, 0, 0] for r in repeats])
    errors = [r.enclosed_error_mm2[0, 0, 0] ** 2 for r in repeats]
    assert np.sqrt(np.mean(errors)) == pytest.approx(inside.std(ddof=1), rel=0.3)


def test_evenly_spread_rays_settle_faster_than_chance():
    # Errors of chance fall as 1/√n; four doublings of n by far more than a quarter.
    mirror = MirrorState(prescription=nest(130.0))
    errors = [
        run(mirror, BEAMLINE, FOCAL, rays=n, seed=5).area_error_mm2[0]
        for n in (2_000, 2_000_000)
    ]
    assert errors[1] < errors[0] / math.sqrt(1000) / 4


@pytest.mark.parametrize(
    "light",
    [BEAMLINE, Light(), Light(source_distance_mm=SOURCE, off_axis_rad=6 * ARCMIN)],
)
def test_every_ray_has_one_fate_and_fates_add_up_to_the_openings(light):
    mirror = MirrorState(
        prescription=NEST,
        figure=ERRORS,
        bars=AlignmentBars(count=12, width_mm=1.0),
        pre_collimator_mm=20.0,
    )
    found = run(
        mirror,
        light,
        FOCAL,
        rays=100_000,
        fates=BEHIND_THE_MIRROR,
    )
    assert found.rays == pytest.approx(100_000, rel=0.01)
    # Openings that hold the whole beam between foils add up to less than the beam.
    outer = NEST.nestings[-1]
    edge = outer.radius_mm + 92 * math.tan(outer.primary_angle_rad)
    first = found.opening_by_fate_mm2
    total = sum(first.values())
    ring = math.pi * (edge**2 - 120.0**2)
    foils = sum(2 * math.pi * 0.17 * n.radius_mm for n in NEST.nestings[:-1])
    # The innermost opening has no foil inside: it reaches as far in as the steepest ray.
    inward = light.off_axis_rad + (0 if light.parallel else 121 / SOURCE)
    innermost = 2 * math.pi * 120.0 * 92 * inward
    assert total == pytest.approx(ring - foils + innermost, rel=0.005)
    # What comes out behind the mirror reflects everything, so areas are openings.
    behind = sum(
        first[f] for f in ("focused", "primary_only", "secondary_only", "straight")
    )
    assert found.area_mm2[0] == pytest.approx(behind, rel=1e-12)
    assert all(number >= 0 for number in found.rays_by_fate.values())


def test_light_is_reflected_once_or_not_at_all_only_off_axis_in_a_tight_nest():
    on_axis = run(NEST, Light(), FOCAL, rays=100_000, fates=BEHIND_THE_MIRROR)
    assert on_axis.opening_by_fate_mm2["straight"] == 0
    stray = Light(off_axis_rad=30 * ARCMIN)
    off_axis = run(NEST, stray, FOCAL, rays=100_000, fates=BEHIND_THE_MIRROR)
    assert off_axis.rays_by_fate["secondary_only"] > 0
    assert off_axis.opening_by_fate_mm2["focused"] < on_axis.opening_by_fate_mm2["focused"]
    # Blades in front take stray light away and add none.
    blades = MirrorState(prescription=NEST, pre_collimator_mm=60.0)
    held = run(blades, stray, FOCAL, rays=100_000, fates=BEHIND_THE_MIRROR)
    assert held.rays_by_fate["pre_collimator"] > 0
    assert (
        held.opening_by_fate_mm2["secondary_only"]
        < 0.8 * off_axis.opening_by_fate_mm2["secondary_only"]
    )


def test_blades_leave_the_light_of_a_star_alone():
    # Cylinders along the beam, exactly in the shadow of the foils.
    blades = MirrorState(prescription=NEST, pre_collimator_mm=60.0)
    open_front = run(NEST, Light(), FOCAL)
    assert run(blades, Light(), FOCAL).area_mm2 == pytest.approx(open_front.area_mm2)
    # Off axis they take rays: a shadow of 60 mm times the angle along each opening.
    tilted = Light(off_axis_rad=5 * ARCMIN)
    assert run(blades, tilted, FOCAL).area_mm2 < run(NEST, tilted, FOCAL).area_mm2


def test_nestings_around_the_axis_look_alike_from_everywhere():
    # The same mirror and source turned by any azimuth: area and rings do not change.
    mirror = MirrorState(prescription=NEST, figure=ERRORS)
    reference = None
    for azimuth in (0.0, 0.8, 2.9, 4.4):
        light = Light(
            source_distance_mm=SOURCE, off_axis_rad=3 * ARCMIN, azimuth_rad=azimuth
        )
        found = run(mirror, light, image_plane(), ring_radii_mm=RADII)
        if reference is None:
            reference = found
            continue
        noise = np.hypot(found.enclosed_error_mm2, reference.enclosed_error_mm2)
        gap = np.abs(found.enclosed_mm2 - reference.enclosed_mm2)
        assert np.all(gap <= 5 * noise + 1e-3 * found.area_mm2[0])
        assert np.median(gap / found.area_mm2[0]) < 1e-3


def test_a_source_off_towards_x_is_a_mirror_image_of_one_towards_minus_x():
    tilt = {"source_distance_mm": SOURCE, "off_axis_rad": 4 * ARCMIN}
    left = run(NEST, Light(**tilt), FOCAL).quadrant_area_mm2[:, 0]
    right = run(NEST, Light(**tilt, azimuth_rad=math.pi), FOCAL).quadrant_area_mm2[:, 0]
    assert left == pytest.approx(right[[1, 0, 3, 2]], rel=5e-3)
    assert left[0] == pytest.approx(left[3], rel=5e-3)
    assert abs(left[0] / left[1] - 1) > 0.05


def test_areas_scale_with_the_square_of_everything():
    # A mirror twice as large in every length, seen from twice as far, has four times the
    # area and an image twice as large.
    small = run(nest(130.0, 134.0, thickness=0.2), BEAMLINE, image_plane(),
                ring_radii_mm=RADII / 4)  # fmt: skip
    large = run(
        nest(260.0, 268.0, focal=2 * FOCAL, length=180.0, thickness=0.4),
        Light(source_distance_mm=2 * SOURCE),
        2 * image_plane(),
        ring_radii_mm=RADII / 2,
    )
    assert large.area_mm2 == pytest.approx(4 * small.area_mm2, rel=1e-9)
    assert large.rings_mm2 == pytest.approx(4 * small.rings_mm2, abs=1e-6)


def moved(shift, lean=(0.0, 0.0)):
    place = Placement(shift_mm=(*shift, 0.0), lean_rad=lean)
    return tuple(
        Quadrant(
            name=q.name,
            azimuth_rad=q.azimuth_rad,
            primary=place if q.name == "Q2" else Placement(),
            secondary=place if q.name == "Q2" else Placement(),
        )
        for q in four_quadrants()
    )


def test_a_displaced_quadrant_moves_its_own_image_rigidly():
    # By t(1 + D/L), to first order; only its own.
    prescription, plane = nest(130.0, length=4.0, secondary=12.0), image_plane()
    shift = np.array([0.2, -0.3])
    still = run(prescription, BEAMLINE, plane).centroid_mm(plane)[:, 0]
    mirror = MirrorState(prescription=prescription, quadrants=moved(shift))
    found = run(mirror, BEAMLINE, plane).centroid_mm(plane)[:, 0] - still
    # The sequence goes on through all openings, so a ray more in one shifts the next.
    assert found[[0, 2, 3]] == pytest.approx(0, abs=1e-5)
    # Half of the blur of the cones, 0.01 mm, may come or go.
    assert found[1] == pytest.approx(shift * (1 + plane / SOURCE), abs=5e-3)
    # With a star there is no lens magnification.
    star = run(mirror, Light(), FOCAL).centroid_mm(FOCAL)[1, 0]
    unmoved = run(prescription, Light(), FOCAL).centroid_mm(FOCAL)[1, 0]
    assert star - unmoved == pytest.approx(shift, abs=5e-3)


def test_a_center_of_its_own_brings_a_displaced_quadrant_back():
    plane, shift = image_plane(), (-0.2, 0.3)  # outward
    mirror = MirrorState(prescription=nest(130.0), quadrants=moved(shift))
    centers = np.zeros((1, 4, 2))
    centers[0, 1] = np.array(shift) * (1 + plane / SOURCE)
    straight = run(nest(130.0), BEAMLINE, plane, ring_radii_mm=RADII / 4)
    apart = run(mirror, BEAMLINE, plane, ring_radii_mm=RADII / 4)
    back = run(mirror, BEAMLINE, plane, ring_radii_mm=RADII / 4, centers_mm=centers)
    for share in (0.5, 0.9):
        assert diameter(apart, share) > 1.1 * diameter(straight, share)
        # The shift also changes which rays survive: that quadrant is off axis by t/L.
        assert diameter(back, share) == pytest.approx(diameter(straight, share), rel=0.01)


def test_bars_shade_their_width_at_both_ends():
    # Light of a star moves inward along its own radius, so that the rear bars shade most:
    # 2 asin(w/2ρ) of azimuth for each, ρ where rays leave the mirror, between the ends
    # of the secondary's shadow (derived).
    plain = run(nest(130.0), Light(), FOCAL, rays=400_000)
    bars = AlignmentBars(count=12, width_mm=3.0)
    barred = run(
        MirrorState(prescription=nest(130.0), bars=bars), Light(), FOCAL, rays=400_000
    )
    share = 1 - barred.area_mm2[0] / plain.area_mm2[0]
    low, high = (12 * 2 * math.asin(1.5 / rho) / (2 * math.pi) for rho in (129.0, 127.5))
    assert low < share < high
    assert barred.rays_by_fate["bar"] / barred.rays == pytest.approx(share, rel=1e-3)


def test_bars_shade_the_quadrant_they_stand_in():
    one = AlignmentBars(count=1, width_mm=20.0, first_rad=math.radians(135))
    mirror = MirrorState(prescription=nest(130.0), bars=one)
    found = run(mirror, Light(), FOCAL).quadrant_area_mm2[:, 0]
    full = run(nest(130.0), Light(), FOCAL).quadrant_area_mm2[:, 0]
    assert found[[0, 2, 3]] == pytest.approx(full[[0, 2, 3]], rel=1e-12)
    # Around its far side there is none.
    assert found[1] == pytest.approx(full[1] * (1 - 20 / 128 / (math.pi / 2)), rel=0.01)


def test_an_aperture_leaves_the_light_of_its_quadrant():
    mirror = MirrorState(prescription=NEST, figure=ERRORS)
    whole = run(mirror, BEAMLINE, image_plane(), rays=400_000)
    part = run(mirror.behind_aperture("Q3"), BEAMLINE, image_plane())
    assert part.area_mm2 == pytest.approx(whole.area_mm2 / 4, rel=2e-3)
    assert part.quadrant_area_mm2[[0, 1, 3]].max() == 0
    assert np.isnan(part.centroid_mm(FOCAL)[0]).all()
    # In focus an in-plane error crosses the axis or not, evenly; out of focus the light
    # of Q3 falls on its own side, towards -x and -y behind... in front of the focus.
    ahead = part.centroid_mm(image_plane() - 500)[2, 0]
    assert np.all(ahead < -5)
    assert np.all(part.centroid_mm(image_plane() + 500)[2, 0] > 5)


def test_a_common_cone_angle_error_moves_the_ring_outward_as_its_sign_says():
    # +2e times the distance from the surface to the detector (the package's convention).
    plane, offset = image_plane(), 40 * ARCSEC
    prescription = nest(130.0, length=4.0, secondary=14.0)
    for stage in ("primary_mean_rad", "secondary_mean_rad"):
        figure = FigureErrors(**{stage: offset})
        mirror = MirrorState(prescription=prescription, figure=figure)
        # Half a metre before focus rays are still on their own side of the axis.
        planes = [plane - 500, plane]
        radii = np.linspace(0, 20, 8001)[1:]
        found = run(mirror, BEAMLINE, planes, ring_radii_mm=radii)
        still = run(prescription, BEAMLINE, planes, ring_radii_mm=radii)
        for k, distance in enumerate(planes):
            gap = (diameter(found, distance=k) - diameter(still, distance=k)) / 2
            expected = 2 * offset * distance
            # At focus the blur of the cones, 0.01 mm, is folded.
            assert gap == pytest.approx(expected, abs=0.02)


def test_means_may_differ_from_part_to_part():
    means = np.zeros((1, 4))
    means[0, 2] = 30 * ARCSEC
    mirror = MirrorState(
        prescription=nest(130.0, length=4.0, secondary=14.0),
        figure=FigureErrors(primary_mean_rad=means),
    )
    plane = image_plane()
    still = run(mirror.prescription, BEAMLINE, plane).centroid_mm(plane)[:, 0]
    gap = run(mirror, BEAMLINE, plane).centroid_mm(plane)[:, 0] - still
    assert gap[[0, 1, 3]] == pytest.approx(0, abs=1e-5)
    # Towards its own side: 2 e D times the mean cosine over a quadrant, on each axis.
    expected = 2 * 30 * ARCSEC * plane * 2 / math.pi
    assert gap[2] == pytest.approx([-expected, -expected], rel=0.01)


def test_memory_does_not_grow_with_rays_and_one_trace_has_all_planes():
    mirror = MirrorState(prescription=NEST, figure=ERRORS)
    planes = image_plane() + np.arange(-2, 3) * 10.0
    many = run(mirror, BEAMLINE, planes, ring_radii_mm=RADII, seed=3)
    for k, plane in enumerate(planes):
        one = run(mirror, BEAMLINE, plane, ring_radii_mm=RADII, seed=3)
        assert np.array_equal(one.rings_mm2[0], many.rings_mm2[k])


def test_a_wide_source_blurs_the_image_by_its_own_size():
    # Uniform disc of diameter d: each axis varies by (d/4)², times (D/L)² (derived).
    plane = image_plane()
    prescription = nest(130.0, length=4.0, secondary=16.0)
    wide = Light(source_distance_mm=SOURCE, source_diameter_mm=10.0)
    found = run(prescription, wide, plane, ring_radii_mm=np.linspace(0, 1, 1001)[1:])
    # An even disc of radius d/2·D/L: HPD √2 radius; the blur of the cones is 0.02 mm.
    assert diameter(found) == pytest.approx(math.sqrt(2) * 5 * plane / SOURCE, rel=5e-3)


def gold(kev=1.5):
    return reflectivity_table(Coating(formula="Au"), kev * u.keV)


@pytest.mark.parametrize(
    ("mirror", "light", "message"),
    [
        (
            nest(130.0),
            Light(source_distance_mm=20_000.0),
            r"no ray of \d+ comes through.*source at 20 m is too near; it must be well "
            r"beyond 20\.8 m, about four times the focal length of 5\.2 m",
        ),
        (
            MirrorState(
                prescription=nest(130.0), figure=FigureErrors(primary_mean_rad=0.0099)
            ),
            Light(),
            r"no ray of \d+ comes through.*check the prescription",
        ),
        (nest(130.0), Light(source_distance_mm=50.0), "stand in front of the mirror"),
    ],
)
def test_what_lets_no_light_through_is_said(mirror, light, message):
    with pytest.raises(GeometryError, match=message):
        run(mirror, light, FOCAL, rays=2_000)


def test_settings_that_cannot_be_are_refused():
    with pytest.raises(SettingsError, match="at least the number of shifts, 8; got 3"):
        run(nest(130.0), Light(), FOCAL, rays=3)
    short = reflectivity_table(Coating(formula="Au"), 1.5 * u.keV, steepest=0.007 * u.rad)
    mirror = MirrorState(prescription=nest(130.0), coatings=(short,))
    assert run(mirror, Light(), FOCAL).area_mm2 > 0
    with pytest.raises(SettingsError, match=r"tables end at 0\.007 rad; make them"):
        run(mirror, BEAMLINE, FOCAL)


def test_the_trace_reads_its_own_inputs_only():
    mirror = MirrorState(prescription=NEST, figure=ERRORS, coatings=(gold(),))
    table = mirror.coatings[0].specular
    table.setflags(write=False)
    mirror.figure.primary.quantiles_rad.setflags(write=False)
    before = table.copy()
    plan = TracePlan(distances_mm=np.array([FOCAL]))
    trace(mirror, Light(), plan, rays=1000, rng=np.random.default_rng(1))
    assert np.array_equal(table, before)
