"""The trace in space against closed forms, exact integration and another trace.

Sources: first-order optics of two cones and exact integration in a plane through the
axis (derived; tables below were evaluated independently of this package); Spiga,
Cotroneo, Basso & Conconi 2009, A&A 505, 373 (off-axis area, from memory); rotated
Gaussian (derived); a plain NumPy trace that shares only the prescription.

Tolerances: four standard errors of the trace, from its independent parts, and the digits
or the order of the reference.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from beamreduce.raytrace import (
    ErrorLaw,
    FigureErrors,
    Light,
    MirrorState,
    Placement,
    Quadrant,
)
from tests.external import independent_trace as other
from tests.external.ray_in_plane import follow_in_plane
from tests.raytrace.made_mirrors import (
    ARCMIN,
    ARCSEC,
    FOCAL,
    LENGTH,
    SOURCE,
    diameter,
    diameter_error,
    image_plane,
    nest,
    run,
    tight_nest,
)

STAR = Light.star()
BEAMLINE = Light(source_distance_mm=SOURCE)


def entrance(radius, focal=FOCAL, length=LENGTH):
    """Area of the ring from r to r + ℓ tanα, the length of the primary seen end on."""
    outer = radius + length * math.tan(math.atan(radius / focal) / 4)
    return math.pi * (outer**2 - radius**2)


def junction_focus(radius, focal=FOCAL, source=SOURCE):
    """Where the ray from the junction of the cones crosses the axis at the beamline."""
    return radius / math.tan(math.atan(radius / focal) - math.atan(radius / source))


def error_of_ratio(one, two):
    relative = np.hypot(
        one.area_error_mm2 / one.area_mm2, two.area_error_mm2 / two.area_mm2
    )
    return float((one.area_mm2 / two.area_mm2 * relative)[0])


@pytest.mark.parametrize("radius", [70.0, 130.0, 190.0])
def test_a_nesting_takes_its_whole_entrance_from_a_star(radius):
    found = run(nest(radius), STAR, FOCAL, rays=20_000)
    # All light on the primary reaches the secondary; no ray is spread elsewhere.
    assert found.area_mm2[0] == pytest.approx(entrance(radius), rel=1e-12)
    assert found.rays_by_fate["focused"] == found.rays


@pytest.mark.parametrize(
    ("focal", "source", "radius", "length", "exact", "first_order"),
    [  # exact integration; the ratio 1 - 4f/L holds to 0.3 % at L/f 16, 1 % at 6
        (5200.0, 86000.0, 130.0, 90.0, 0.7570167, 0.003),
        (1850.0, 130000.0, 81.0, 150.0, 0.9418613, 0.003),
        (4750.0, 30000.0, 200.0, 100.0, 0.3646272, 0.01),
    ],
)
def test_area_lost_to_the_diverging_beam(focal, source, radius, length, exact, first_order):
    mirror = nest(radius, focal=focal, length=length)
    near = run(mirror, Light(source_distance_mm=source), focal, rays=2_000_000)
    star = run(mirror, STAR, focal)
    ratio = near.area_mm2[0] / star.area_mm2[0]
    noise = error_of_ratio(near, star)
    assert noise < 3e-5
    assert ratio == pytest.approx(exact, abs=4 * noise + 5e-8)
    assert ratio == pytest.approx(1 - 4 * focal / source, rel=first_order)


@pytest.mark.parametrize(
    ("focal", "source", "radius", "length", "used"),
    [  # (α - δ)/(α + δ) with α = r/4f, first order
        (5200.0, 86000.0, 70.0, 90.0, 0.610486891),
        (5200.0, 86000.0, 190.0, 90.0, 0.610486891),
        (1850.0, 130000.0, 81.0, 150.0, 0.892285298),
        (7500.0, 124000.0, 300.0, 300.0, 0.610389610),
        (4750.0, 30000.0, 200.0, 100.0, 0.224489796),
    ],
)
def test_the_part_of_a_primary_that_is_exercised(focal, source, radius, length, used):
    mirror = nest(radius, focal=focal, length=length)
    found = run(mirror, Light(source_distance_mm=source), focal, rays=1_000_000)
    met = found.opening_by_fate_mm2
    share = met["focused"] / (met["focused"] + met["primary_only"])
    # Next order: a cone grows by ℓ/4f of its radius over its length, and the ratio errs
    # as that of areas does (0.3 % at L/f 16, 1 % at 6).
    next_order = length / 4 / focal + (0.01 if source / focal < 10 else 0.003)
    assert share == pytest.approx(used, rel=next_order)
    # Exactly: the last ray that meets the secondary does so at its rear end.
    alpha = math.atan(radius / focal) / 4

    def meeting(z):  # where a ray that falls on the primary at z meets the secondary
        place = radius - z * math.tan(alpha)
        slope = math.tan(-2 * alpha - math.atan(place / (source + z)))
        return (radius - place + slope * z) / (slope + math.tan(3 * alpha))

    last = brentq(lambda z: meeting(z) - length, -length, -1e-9)

    def launched(z):  # squared radius in the reference plane
        return ((radius - z * math.tan(alpha)) * source / (source + z)) ** 2

    exact = (launched(last) - launched(0)) / (launched(-length) - launched(0))
    noise = found.area_error_mm2[0] / found.area_mm2[0]
    assert share == pytest.approx(exact, rel=4 * noise)


@pytest.mark.parametrize(
    ("focal", "source", "radius", "length", "hpd_star", "hpd_near"),
    [  # mm, exact integration: in the plane at f; where the junction ray focuses
        (5200.0, 86000.0, 130.0, 90.0, 0.5631702, 0.4538769),
        (5200.0, 86000.0, 190.0, 90.0, 0.8232042, 0.6635047),
        (4750.0, 30000.0, 200.0, 100.0, 1.0543570, 0.4571090),
        (3500.0, 30000.0, 173.0, 100.0, 1.2384715, 0.7444993),
    ],
)
def test_cone_blur_is_uniform_from_the_axis_to_its_edge(
    focal, source, radius, length, hpd_star, hpd_near
):
    mirror = nest(radius, focal=focal, length=length)
    plane = junction_focus(radius, focal, source)
    for light, place, blur in (
        (STAR, focal, hpd_star),
        (Light(source_distance_mm=source), plane, hpd_near),
    ):
        radii = np.linspace(0, 0.6 * blur, 1201)[1:]
        found = run(mirror, light, place, ring_radii_mm=radii)
        # The table's exact value is the edge; light falls on the cone as 2πr dr, so that
        # its even spread is off a straight line by ℓ tanα/r/8, at most 0.0007.
        straight = np.minimum(radii / (blur / 2), 2) / 2
        enclosed = found.enclosed_mm2[0, 0] / found.area_mm2[0]
        assert np.abs(enclosed - straight).max() < 2e-3
        assert diameter(found) == pytest.approx(blur, rel=2e-3)
        wide = run(mirror, light, place, ring_radii_mm=radii / 0.6)
        assert diameter(wide, 0.9) == pytest.approx(1.8 * blur, rel=2e-3)
        assert wide.enclosed_mm2[0, 0, -1] == pytest.approx(wide.area_mm2[0], rel=1e-3)
    angular = (hpd_near / plane) / (hpd_star / focal)
    assert angular == pytest.approx(1 - 4 * focal / source, rel=0.01)


@pytest.mark.parametrize(
    ("focal", "source", "radius", "hpd"),
    [  # in the paraxial image plane D* = fL/(L - f), exact integration
        (5200.0, 86000.0, 130.0, 0.4637011),
        (5200.0, 86000.0, 190.0, 0.6941743),
        (4750.0, 30000.0, 200.0, 0.5693379),
        (3500.0, 30000.0, 173.0, 0.8430696),
    ],
)
def test_blur_in_the_paraxial_plane(focal, source, radius, hpd):
    length = 90.0 if focal > 5000 else 100.0
    radii = np.linspace(0, hpd, 2001)[1:]
    found = run(
        nest(radius, focal=focal, length=length),
        Light(source_distance_mm=source),
        image_plane(focal, source),
        ring_radii_mm=radii,
    )
    # Even weight along the primary in the table against 2πr dr in the trace, 0.1 %.
    assert diameter(found) == pytest.approx(hpd, rel=2e-3)


@pytest.mark.parametrize(
    ("behind", "hpd", "w90"),
    [  # exact integration: blur is least ℓ/8 behind f, HPD is flat about it
        (0.0, 0.563170, 1.012834),
        (5.625, 0.281920, 0.731584),
        (11.25, 0.281282, 0.506308),
        (16.875, 0.280979, 0.731015),
        (22.5, 0.561824, 1.012265),
    ],
)
def test_blur_about_best_focus(behind, hpd, w90):
    radii = np.linspace(0, 0.6, 2401)[1:]
    found = run(nest(130.0), STAR, FOCAL + behind, ring_radii_mm=radii)
    # The table weighs every length of the primary alike; light falls on it as 2πr dr,
    # 0.4 % more at its far end: up to 0.2 % of a diameter.
    assert diameter(found) == pytest.approx(hpd, rel=3e-3)
    assert diameter(found, 0.9) == pytest.approx(w90, rel=3e-3)


def test_image_distance_and_the_ring_out_of_focus():
    mirror = nest(130.0, length=0.5)
    focus = junction_focus(130.0)
    assert focus == pytest.approx(5534.862624, abs=1e-6)
    assert focus == pytest.approx(image_plane() * (1 + 130**2 / (FOCAL * SOURCE)), rel=2e-6)
    planes = [focus, focus - 10, focus + 10]
    radii = np.linspace(0, 0.5, 1001)[1:]
    found = run(mirror, BEAMLINE, planes, ring_radii_mm=radii)
    # Blur of 0.5 mm of cone: a radius of (α - δ)ℓ(1 + D/L), seen in rings of 0.0005 mm.
    blur = (130 / 4 / FOCAL - 130 / SOURCE) * 0.5 * (1 + focus / SOURCE)
    assert diameter(found, 1 - 1e-9, distance=0) < 2 * (blur + 0.0005)
    for k in (1, 2):
        assert diameter(found, distance=k) == pytest.approx(20 * 130 / focus, rel=0.01)
    star = run(mirror, STAR, FOCAL + 10, ring_radii_mm=radii)
    assert diameter(star) == pytest.approx(2 * 0.250, rel=0.01)  # r dz/f


@pytest.mark.parametrize(
    ("light", "shares"),
    [  # a trace of the cones without small angles, six digits, itself good to 2e-4
        (STAR, {2: 0.940724, 4: 0.881422, 8: 0.762940, 12: 0.644554}),
        (BEAMLINE, {2: 0.757078, 4: 0.757236, 8: 0.710899, 12: 0.610999}),
    ],
)
def test_off_axis_area_of_one_nesting(light, shares):
    mirror = nest(130.0)
    on_axis = run(mirror, STAR, FOCAL)
    alpha, delta = math.atan(130 / FOCAL) / 4, 130 / SOURCE
    for arcmin, share in shares.items():
        theta = arcmin * ARCMIN
        tilted = Light(
            source_distance_mm=light.source_distance_mm,
            off_axis_rad=theta,
            azimuth_rad=0.7,
        )
        found = run(mirror, tilted, FOCAL, rays=1_000_000)
        noise = error_of_ratio(found, on_axis)
        ratio = found.area_mm2[0] / on_axis.area_mm2[0]
        assert noise < 1e-4
        assert ratio == pytest.approx(share, abs=4 * math.hypot(noise, 2e-4))
        if light is STAR:  # V = 1 - 2θ/(πα): Spiga et al. 2009
            expected = 1 - 2 * theta / (math.pi * alpha)
        elif theta <= delta:  # flat until the angle exceeds r/L
            expected = 1 - delta / alpha
        else:
            x = delta / theta
            shape = math.sqrt(1 - x * x) + x * math.asin(x)
            expected = 1 - 2 * theta / (math.pi * alpha) * shape
        assert ratio == pytest.approx(expected, abs=2.5e-3)  # first order: 0.15 %


@pytest.mark.parametrize("by", ["mirror_tilt", "source_shift"])
def test_opposite_quadrants_show_the_axis_where_the_whole_hides_it(by):
    # (Q1 - Q3)/(Q1 + Q3) = 0.900 θ/(α - δ) for θ < δ: the mean of the cosine over a
    # quadrant is 2√2/π (derived). The source stands over the middle of Q1.
    alpha, delta = 130 / 4 / FOCAL, 130 / SOURCE
    theta = 2 * ARCMIN
    light = Light(
        source_distance_mm=SOURCE,
        off_axis_rad=theta,
        azimuth_rad=math.pi / 4,
        off_axis_by=by,
    )
    found = run(nest(130.0), light, FOCAL, rays=400_000).quadrant_area_mm2[:, 0]
    contrast = (found[0] - found[2]) / (found[0] + found[2])
    expected = 2 * math.sqrt(2) / math.pi * theta / (alpha - delta)
    # From over Q1 rays meet Q1's primary less steeply, and its secondary keeps more.
    # First order: about 0.3 %; counts of rays on an edge 0.1 %.
    assert contrast == pytest.approx(expected, rel=0.01)
    assert found[1] == pytest.approx(found[3], rel=1e-3)


@pytest.mark.parametrize("light", [STAR, BEAMLINE])
def test_in_plane_slope_errors_make_a_rotated_gaussian(light):
    # A secondary long enough that no ray misses it, and cones so short that their own
    # blur (0.06 mm in 1.9 mm) adds only 0.05 %.
    slope = 20 * ARCSEC
    law = ErrorLaw.gaussian(slope)
    mirror = MirrorState(
        prescription=nest(130.0, length=10.0, secondary=60.0),
        figure=FigureErrors(primary=law, secondary=law),
    )
    plane = FOCAL if light is STAR else junction_focus(130.0)
    radii = np.linspace(0, 6, 3001)[1:]
    found = run(mirror, light, plane, rays=400_000, ring_radii_mm=radii)
    lost = found.rays_by_fate
    met = lost["focused"] + lost["primary_only"] + lost["into_surface"]
    assert lost["focused"] > 0.99 * met
    sigma = 2 * math.sqrt(2) * slope * plane
    noise = diameter_error(found)
    assert noise < 1e-3 * diameter(found)
    for share, factor in ((0.5, 1.348979500), (0.8, 2.563103131), (0.9, 3.289707254)):
        expected = factor * sigma
        assert diameter(found, share) == pytest.approx(expected, rel=1.5e-3)
    assert diameter(found) == pytest.approx(3.815490210 * slope * plane, rel=1.5e-3)


def test_errors_across_the_plane_spread_along_the_ring_and_far_less():
    # A facet turned by t across sends the ray sideways by 2 t sinα: with grazing angles α
    # and α and t in both, σ = 2√2 t α f in one direction (derived, first order).
    across = 300 * ARCSEC
    law = ErrorLaw.gaussian(across)
    mirror = MirrorState(
        prescription=nest(130.0, length=2.0, secondary=20.0),
        figure=FigureErrors(primary_across=law, secondary_across=law),
    )
    radii = np.linspace(0, 0.5, 2001)[1:]
    found = run(mirror, STAR, FOCAL, rays=400_000, ring_radii_mm=radii)
    sigma = 2 * math.sqrt(2) * across * math.atan(130 / FOCAL) / 4 * FOCAL
    # Cone blur of 2 mm, up to 0.006 mm across the spread of 0.13 mm: 0.2 %.
    for share, factor in ((0.5, 1.348979500), (0.9, 3.289707254)):
        assert diameter(found, share) == pytest.approx(factor * sigma, rel=5e-3)


@pytest.mark.parametrize("outward", [-0.1, 0.1])
def test_a_displaced_quadrant_widens_the_image_at_best_focus_only(outward):
    # Common practice: quadrants are put where the image at best focus is least. In the
    # plane at f every quadrant's light still lies on its own side of the axis, so that an
    # inward move of one lowers the HPD of the whole; at best focus any move raises it.
    shift = (-outward / math.sqrt(2), outward / math.sqrt(2), 0.0)
    quadrants = tuple(
        Quadrant(
            name=f"Q{k + 1}",
            azimuth_rad=(k * math.pi / 2, (k + 1) * math.pi / 2),
            primary=Placement(shift_mm=shift) if k == 1 else Placement(),
            secondary=Placement(shift_mm=shift) if k == 1 else Placement(),
        )
        for k in range(4)
    )
    planes, radii = [FOCAL, FOCAL + LENGTH / 8], np.linspace(0, 1, 2001)[1:]
    still = run(nest(130.0), STAR, planes, ring_radii_mm=radii)
    mirror = MirrorState(prescription=nest(130.0), quadrants=quadrants)
    moved = run(mirror, STAR, planes, ring_radii_mm=radii)
    change = [
        diameter(moved, distance=k) / diameter(still, distance=k) - 1 for k in range(2)
    ]
    assert change[0] * outward > 0.05 * abs(outward)
    assert change[1] > 0.005


STILL = Placement()


def moved_image(primary, secondary, azimuth=(0.0, 2 * math.pi)):
    """Mean place of the image of a part of a short nesting, in its image plane."""
    plane = junction_focus(130.0)
    part = Quadrant(name="part", azimuth_rad=azimuth, primary=primary, secondary=secondary)
    state = MirrorState(
        prescription=nest(130.0, length=2.0, secondary=12.0), quadrants=(part,)
    )
    return run(state, BEAMLINE, plane).centroid_mm(plane)[0, 0]


def test_a_rigid_shift_moves_the_image_and_a_lean_does_not():
    # Shift t: t(1 + D/L). Lean about the reference plane: nothing, it is a lens. To first
    # order (derived); the part of the blur of 0.006 mm that survives changes with azimuth.
    assert moved_image(STILL, STILL) == pytest.approx([0, 0], abs=1e-4)
    shift = Placement(shift_mm=(0.3, -0.2, 0.0))
    expected = np.array([0.3, -0.2]) * (1 + junction_focus(130.0) / SOURCE)
    assert moved_image(shift, shift) == pytest.approx(expected, abs=2e-3)
    lean = Placement(lean_rad=(30 * ARCSEC, 20 * ARCSEC))
    assert moved_image(lean, lean) == pytest.approx([0, 0], abs=2e-3)


def test_one_stage_leaning_against_the_other():
    # In the plane of the lean τ a facet turns by τ and the ray by 2τ, so the image moves
    # by 2Dτ; across that plane facets turn about their own generator and the ray by
    # 2τ sinα only; the mean over all azimuths is 2Dτ cos²: half (derived).
    tau = 30 * ARCSEC
    lean = Placement(lean_rad=(tau, 0.0))
    full = 2 * junction_focus(130.0) * tau
    narrow, quarter = math.radians(1), math.pi / 2
    ranges = {
        (-narrow, narrow): (full, 0.0),
        (quarter - narrow, quarter + narrow): (0.0, 0.0),
        (0.0, 2 * math.pi): (full / 2, 0.0),
    }
    for azimuth, expected in ranges.items():
        # In a narrow sector the blur of the cones, 0.010 mm, is one-sided.
        blur = moved_image(STILL, STILL, azimuth)
        for primary, secondary, sign in ((STILL, lean, 1), (lean, STILL, -1)):
            found = moved_image(primary, secondary, azimuth) - blur
            # Half of that blur comes or goes with the lean: 0.3 % of 1.6 mm.
            assert found == pytest.approx(sign * np.array(expected), abs=4e-3 * full)


@pytest.mark.parametrize(
    ("distance", "off_axis", "diameter_mm"),
    [
        (math.inf, 0.0, 0.0),
        (SOURCE, 0.0, 0.0),
        (40_000.0, 0.0, 0.0),
        (SOURCE, 3 * ARCMIN, 0.0),
        (SOURCE, 0.0, 6.0),
    ],
)
def test_a_tight_nest_with_errors_against_a_plain_trace(distance, off_axis, diameter_mm):
    prescription = tight_nest(120.0, 126.0, gap=6.0)
    sigma, across, shifts = (
        10 * ARCSEC,
        60 * ARCSEC,
        ((0.1, 0.05), (0, 0), (0, 0), (0, -0.1)),
    )
    errors = other.FigureErrors(
        primary=other.SlopeLaw(scales=(sigma, 4 * sigma), shares=(0.8, 0.2)),
        secondary=other.SlopeLaw(scales=(sigma,)),
        out_of_plane=across,
        quadrant_shifts=shifts,
    )
    beam = other.Beam(
        distance=distance, diameter=diameter_mm, off_axis=off_axis, azimuth=0.5
    )
    mirror = other.Mirror(prescription=prescription, errors=errors)
    rng = np.random.default_rng(20261126)
    plane = FOCAL if math.isinf(distance) else image_plane(source=distance)
    launched = 400_000
    rays = other.follow(mirror, beam, other.aim(mirror, beam, launched, rng))
    ours = MirrorState(
        prescription=prescription,
        figure=FigureErrors(
            primary=ErrorLaw.mixture((0.8, 0.2), (sigma, 4 * sigma)),
            secondary=ErrorLaw.gaussian(sigma),
            primary_across=ErrorLaw.gaussian(across),
            secondary_across=ErrorLaw.gaussian(across),
        ),
        quadrants=tuple(
            Quadrant(
                name=f"Q{k + 1}",
                azimuth_rad=(k * math.pi / 2, (k + 1) * math.pi / 2),
                primary=Placement(shift_mm=(*shift, 0.0)),
                secondary=Placement(shift_mm=(*shift, 0.0)),
            )
            for k, shift in enumerate(shifts)
        ),
    )
    light = Light(
        source_distance_mm=distance,
        source_diameter_mm=diameter_mm,
        off_axis_rad=off_axis,
        azimuth_rad=0.5,
        off_axis_by="source_shift",
    )
    x, y = rays.at(plane)
    center = (float(np.median(x)), float(np.median(y)))
    radii = np.linspace(0, 8, 2001)[1:]
    found = run(ours, light, plane, rays=400_000, ring_radii_mm=radii, centers_mm=center)
    weight = rays.weight / launched
    area = weight.sum()
    noise = math.sqrt((weight**2).sum() - area**2 / launched)
    assert found.area_error_mm2[0] < 0.5 * noise  # evenly spread rays pay
    assert found.area_mm2[0] == pytest.approx(area, abs=4 * noise)
    # Counts within radii, each with its binomial error: 30 radii, so 4 σ.
    offset = np.hypot(x - center[0], y - center[1])
    for k in range(50, 1500, 50):
        share = weight[offset <= radii[k]].sum() / area
        ours_share = found.enclosed_mm2[0, 0, k] / found.area_mm2[0]
        sigma_share = math.sqrt(share * (1 - share) / offset.size) * 1.1 + 1e-6
        own = found.enclosed_error_mm2[0, 0, k] / found.area_mm2[0]
        assert ours_share == pytest.approx(share, abs=4 * math.hypot(sigma_share, own))


@pytest.mark.parametrize("off_axis", [0.0, 4 * ARCMIN])
@pytest.mark.parametrize("distance", [math.inf, SOURCE])
def test_foils_of_unlike_lengths_against_a_plain_trace(distance, off_axis):
    even = tight_nest(120.0, 126.0, length=70.0, gap=6.0)
    nestings = tuple(
        replace(
            n,
            primary_length_mm=70.0 - 15.0 * (n.number % 2),
            secondary_length_mm=70.0 - 10.0 * (n.number % 3),
            gap_mm=6.0 - 2.0 * (n.number % 2),
        )
        for n in even.nestings
    )
    prescription = replace(even, nestings=nestings)
    sigma, launched = 10 * ARCSEC, 400_000
    errors = other.FigureErrors(
        primary=other.SlopeLaw(scales=(sigma,)), secondary=other.SlopeLaw(scales=(sigma,))
    )
    mirror = other.Mirror(prescription=prescription, errors=errors)
    beam = other.Beam(distance=distance, off_axis=off_axis, azimuth=2.0)
    rng = np.random.default_rng(20261127)
    weight = (
        other.follow(mirror, beam, other.aim(mirror, beam, launched, rng)).weight / launched
    )
    noise = math.sqrt((weight**2).sum() - weight.sum() ** 2 / launched)
    law = ErrorLaw.gaussian(sigma)
    found = run(
        MirrorState(
            prescription=prescription, figure=FigureErrors(primary=law, secondary=law)
        ),
        Light(
            source_distance_mm=distance,
            off_axis_rad=off_axis,
            azimuth_rad=2.0,
            off_axis_by="source_shift",
        ),
        FOCAL,
        rays=400_000,
    )
    assert found.area_mm2[0] == pytest.approx(weight.sum(), abs=4 * noise)


@pytest.mark.parametrize("source", [math.inf, SOURCE, 40_000.0])
def test_blockage_in_a_tight_nest_is_that_of_rays_in_one_plane(source):
    prescription = tight_nest(130.0, 133.5)
    launch = np.linspace(129.0, 135.5, 16_001)
    through = [follow_in_plane(prescription, x, source) for x in launch]
    expected = (2 * math.pi * launch * through).sum() * (launch[1] - launch[0])
    found = run(prescription, Light(source_distance_mm=source), FOCAL, rays=400_000)
    # Some ten edges, each good to 0.3 of the step of 0.0004 mm at random, in over 1 mm.
    assert found.area_mm2[0] == pytest.approx(expected, rel=1e-3)
    alone = sum(entrance(n.radius_mm) for n in prescription.nestings)
    if math.isfinite(source):  # a tight nest loses more than each nesting by itself
        assert found.area_mm2[0] < 0.9 * alone * (1 - 4 * FOCAL / source)
