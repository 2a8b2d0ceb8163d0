"""The trace in space: where light lands.

Sources: first-order optics of two cones and exact integration in a plane through the
axis (derived; tables below were evaluated independently of this package); rotated
Gaussian (derived).

Tolerances: four standard errors of the trace, from its independent parts, and the digits
or the order of the reference.
"""

import math

import numpy as np
import pytest

from beamreduce.raytrace import (
    ErrorLaw,
    FigureErrors,
    Light,
    MirrorState,
    Placement,
    Quadrant,
)
from tests.raytrace.made_mirrors import (
    ARCSEC,
    FOCAL,
    LENGTH,
    SOURCE,
    diameter,
    diameter_error,
    image_plane,
    nest,
    run,
)

STAR = Light.star()
BEAMLINE = Light(source_distance_mm=SOURCE)


def junction_focus(radius, focal=FOCAL, source=SOURCE):
    """Where the ray from the junction of the cones crosses the axis at the beamline."""
    return radius / math.tan(math.atan(radius / focal) - math.atan(radius / source))


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
