"""The two-cone trace of made campaigns against closed forms and a trace in one plane.

Sources: first-order optics of two cones and exact meridional integration, derived
(tables of angles, blur, area and focus for f 5.2 m, L 86 m); rotated Gaussian, derived.
Rays are spread evenly instead of at random where areas are compared, so that tolerances
can be tight.
"""

import math

import numpy as np
import pytest

from beamreduce.mirror import Nesting, Prescription
from beamreduce.simulate.figure_errors import FigureErrors
from beamreduce.simulate.two_cones import Beam, MirrorAsMade, trace

FOCAL, SOURCE, LENGTH = 5200.0, 86000.0, 90.0
ARCSEC = math.radians(1 / 3600)
SKY = Beam(source_distance_mm=math.inf)
BEAMLINE = Beam(source_distance_mm=SOURCE)


class EvenGenerator(np.random.Generator):
    """Even steps in radius and golden-ratio steps in azimuth where rays are launched.

    ``within`` launches them only between two radii. All other chance stays chance.
    """

    def __init__(self, within=None):
        super().__init__(np.random.PCG64(20270101))
        self.within = within
        self.calls = 0

    def uniform(self, low, high, size):
        self.calls += 1
        steps = np.arange(size)
        if self.calls == 1 and self.within is not None:
            low, high = np.square(self.within)
        share = (steps + 0.5) / size if self.calls == 1 else (steps * 0.6180339887) % 1
        return low + (high - low) * share


def nest(*radii, length=LENGTH, secondary_length=None, thickness=0.0):
    nestings = [
        Nesting(
            number=number,
            radius_mm=radius,
            primary_angle_rad=math.atan(radius / FOCAL) / 4,
            secondary_angle_rad=3 * math.atan(radius / FOCAL) / 4,
            primary_length_mm=length,
            secondary_length_mm=secondary_length or length,
            gap_mm=0.0,
            thickness_mm=thickness,
            coating="Au",
            roughness_nm=0.0,
        )
        for number, radius in enumerate(radii, start=1)
    ]
    return Prescription(nestings=tuple(nestings), focal_length_mm=FOCAL)


def perfect(prescription, **figure):
    errors = FigureErrors.none(len(prescription.nestings))
    return MirrorAsMade(
        prescription=prescription, figure=FigureErrors(**(vars(errors) | figure))
    )


def area(mirror, beam, rays=200_000):
    photons = trace(mirror, beam, rays=rays, rng=EvenGenerator())
    return photons.weight.sum() * photons.collecting_mm2


def entrance(radius):
    """Area of the ring from r to r + ℓ tanα, the length of the primary seen end on."""
    outer = radius + LENGTH * math.tan(math.atan(radius / FOCAL) / 4)
    return math.pi * (outer**2 - radius**2)


def junction_focus(radius):
    """Where the ray from the junction of the cones crosses the axis at the beamline."""
    return radius / math.tan(math.atan(radius / FOCAL) - math.atan(radius / SOURCE))


def off_axis_distance(photons, plane):
    return np.hypot(*photons.at(plane))


@pytest.mark.parametrize(
    ("radius", "beam", "blur"),
    [  # exact meridional integration, derived
        (130.0, SKY, 0.5631702),
        (190.0, SKY, 0.8232042),
        (130.0, BEAMLINE, 0.4538769),
        (190.0, BEAMLINE, 0.6635047),
    ],
)
def test_cone_blur_is_uniform_from_the_axis_to_its_edge(radius, beam, blur):
    photons = trace(perfect(nest(radius)), beam, rays=400_000, rng=EvenGenerator())
    plane = FOCAL if beam is SKY else junction_focus(radius)
    r = np.sort(off_axis_distance(photons, plane))
    # Even in radius squared at the entrance is even in radius but for ℓ tanα/r, 0.4 %:
    # the distribution is off a straight line by an eighth of that, 0.0005; the table
    # holds HPD = edge to 0.15 %.
    assert 2 * np.median(r) == pytest.approx(blur, rel=2e-3)
    assert r.max() == pytest.approx(blur, rel=2e-3)
    straight = (np.arange(r.size) + 0.5) / r.size
    assert np.abs(r / r.max() - straight).max() < 3e-3
    assert 2 * np.quantile(r, 0.9) == pytest.approx(1.8 * blur, rel=2e-3)


@pytest.mark.parametrize("radius", [70.0, 130.0, 190.0])
def test_area_of_a_perfect_nesting_for_a_star_is_its_entrance(radius):
    # All light on the primary reaches the secondary. Two edges, each good to one of the
    # steps that fall into the ring of at least 0.3 mm out of 2.3 mm: 1/26 000.
    found = area(perfect(nest(radius)), SKY)
    assert found == pytest.approx(entrance(radius), rel=1e-4)


def test_area_lost_to_the_diverging_beam():
    mirror = perfect(nest(130.0))
    ratio = area(mirror, BEAMLINE) / area(mirror, SKY)
    assert ratio == pytest.approx(0.7570167, rel=1e-4)  # exact integration, derived
    assert ratio == pytest.approx(1 - 4 * FOCAL / SOURCE, rel=3e-3)  # first order


@pytest.mark.parametrize(
    ("beam", "shares"),
    [  # own three-dimensional trace without small angles, derived
        (SKY, {2: 0.940724, 4: 0.881422, 8: 0.762940, 12: 0.644554}),
        (BEAMLINE, {2: 0.757078, 4: 0.757236, 8: 0.710899, 12: 0.610999}),
    ],
)
def test_off_axis_area_of_one_nesting(beam, shares):
    mirror = perfect(nest(130.0))
    on_axis = area(mirror, SKY)
    alpha, delta = math.atan(130 / FOCAL) / 4, 130 / SOURCE
    for arcmin, share in shares.items():
        theta = math.radians(arcmin / 60)
        tilted = Beam(
            source_distance_mm=beam.source_distance_mm, off_axis_rad=theta, azimuth_rad=0.7
        )
        found = area(mirror, tilted) / on_axis
        # 200 000 even points of which a fifth are found: their number is good to some
        # 5e-4; the reference was a random trace good to about 2e-4.
        assert found == pytest.approx(share, abs=1e-3)
        if beam is SKY:  # V = 1 - 2θ/(πα): Spiga et al. 2009, A&A 505, 373; from memory
            expected = 1 - 2 * theta / (math.pi * alpha)
        elif theta <= delta:  # flat until the angle exceeds r/L, derived
            expected = 1 - delta / alpha
        else:
            x = delta / theta
            shape = math.sqrt(1 - x * x) + x * math.asin(x)
            expected = 1 - 2 * theta / (math.pi * alpha) * shape
        assert found == pytest.approx(expected, abs=2.5e-3)  # first order: 0.15 %


def test_in_plane_slope_errors_make_a_rotated_gaussian():
    # A secondary long enough that no ray misses it, and cones short enough that their
    # own blur (0.06 mm in 1.9 mm) adds only 0.05 %.
    slope = 20 * ARCSEC
    mirror = perfect(
        nest(130.0, length=10.0, secondary_length=40.0), core_rad=slope, tail_rad=slope
    )
    lit = (130.0, 130.0 + 10 * math.tan(math.atan(130 / FOCAL) / 4))
    photons = trace(mirror, SKY, rays=400_000, rng=EvenGenerator(within=lit))
    r = off_axis_distance(photons, FOCAL)
    assert r.size > 0.999 * 400_000
    sigma = 2 * math.sqrt(2) * slope * FOCAL
    # |N(0, σ)|: HPD 1.348979500 σ with error 1.166 HPD/√N, W90 3.289707254 σ.
    noise = 1.1664 / math.sqrt(r.size)
    assert 2 * np.median(r) == pytest.approx(1.348979500 * sigma, rel=4 * noise)
    assert 2 * np.median(r) == pytest.approx(3.815490210 * slope * FOCAL, rel=4 * noise)
    assert 2 * np.quantile(r, 0.9) == pytest.approx(3.289707254 * sigma, rel=4 * noise)


def test_image_distance_and_the_ring_out_of_focus():
    mirror = perfect(nest(130.0, length=0.5))
    photons = trace(mirror, BEAMLINE, rays=100_000, rng=EvenGenerator())
    paraxial = FOCAL * SOURCE / (SOURCE - FOCAL)
    focus = junction_focus(130.0)
    assert focus == pytest.approx(5534.862624, abs=1e-6)
    assert focus == pytest.approx(paraxial * (1 + 130**2 / (FOCAL * SOURCE)), rel=2e-6)
    assert off_axis_distance(photons, focus).max() < 0.003  # blur of 0.5 mm of cone
    for step in (-10.0, 10.0):
        ring = off_axis_distance(photons, focus + step)
        assert np.median(ring) == pytest.approx(10 * 130 / focus, rel=0.01)
    star = trace(mirror, SKY, rays=100_000, rng=EvenGenerator())
    ring = off_axis_distance(star, FOCAL + 10)
    assert np.median(ring) == pytest.approx(0.250, rel=0.01)


@pytest.mark.parametrize(
    ("behind", "hpd", "w90"),
    [  # exact integration, derived: blur is least ℓ/8 behind f
        (0.0, 0.563170, 1.012834),
        (5.625, 0.281920, 0.731584),
        (11.25, 0.281282, 0.506308),
        (16.875, 0.280979, 0.731015),
        (22.5, 0.561824, 1.012265),
    ],
)
def test_blur_about_best_focus(behind, hpd, w90):
    photons = trace(perfect(nest(130.0)), SKY, rays=400_000, rng=EvenGenerator())
    r = off_axis_distance(photons, FOCAL + behind)
    # The table weighs every length of the primary alike; light falls on it as 2πr dr,
    # 0.4 % more at its far end: up to 0.2 % of a diameter.
    assert 2 * np.median(r) == pytest.approx(hpd, rel=3e-3)
    assert 2 * np.quantile(r, 0.9) == pytest.approx(w90, rel=3e-3)


def test_a_shift_moves_the_image_as_a_lens_and_a_tilt_does_not():
    # A rigid shift t moves the image by t(1 + D/L); a tilt about the reference plane by
    # nothing to first order (derived).
    # Short cones: with long ones the tilt also chooses which part of the blur survives.
    short = nest(130.0, length=2.0, secondary_length=6.0)
    still = perfect(short)
    shift = np.array([0.30, -0.20])
    moved = perfect(short, shifts_mm=np.tile(shift, (4, 1)))
    plane = junction_focus(130.0)
    places = [
        trace(mirror, beam, rays=200_000, rng=EvenGenerator()).at(plane).mean(axis=1)
        for mirror, beam in (
            (still, BEAMLINE),
            (moved, BEAMLINE),
            (still, Beam(source_distance_mm=SOURCE, off_axis_rad=1e-3, azimuth_rad=0.4)),
        )
    ]
    assert places[0] == pytest.approx([0, 0], abs=2e-3)
    assert places[1] - places[0] == pytest.approx(shift * (1 + plane / SOURCE), abs=2e-3)
    # A source moved sideways by that angle would move it by 5.5 mm; half the blur of
    # the cones, (α - δ)ℓ/2, is 0.005 mm.
    assert places[2] == pytest.approx([0, 0], abs=0.005)


def test_a_source_of_some_size_adds_its_image():
    # Uniform disc of diameter d: each axis varies by (d/4)², times (D/L)² (derived).
    plane = junction_focus(130.0)
    mirror = perfect(nest(130.0, length=10.0, secondary_length=40.0))
    wide = Beam(source_distance_mm=SOURCE, source_diameter_mm=5.0)
    places = [
        trace(mirror, beam, rays=200_000, rng=np.random.default_rng(20270102)).at(plane)
        for beam in (BEAMLINE, wide)
    ]
    blur, spread = (place.var(axis=1) for place in places)
    # Some 5 000 rays: a variance of a flat law is good to about 1.2 %; three of these.
    expected = (5 / 4 * plane / SOURCE) ** 2
    assert spread - blur == pytest.approx([expected] * 2, rel=0.04)


def follow_in_plane(prescription, launch, source):
    """Trace one ray in the plane of the axis; true when it comes through. Plain algebra.

    ``launch`` is its radius in the reference plane. Shares nothing with the trace but
    the prescription.
    """
    slope = launch / source
    z_in, z_out = -LENGTH, LENGTH
    entrance = launch + slope * z_in

    def surface(k, z):
        n = prescription.nestings[k]
        angle = n.primary_angle_rad if z <= 0 else n.secondary_angle_rad
        return n.radius_mm - z * math.tan(angle)

    def back(k, z):
        if k == 0:
            return -math.inf
        return surface(k - 1, z) + prescription.nestings[k - 1].thickness_mm

    channels = range(len(prescription.nestings))
    own = [k for k in channels if back(k, z_in) < entrance <= surface(k, z_in)]
    if not own:
        return False
    k = own[0]
    n = prescription.nestings[k]
    steep = math.tan(n.primary_angle_rad)
    z = (n.radius_mm - launch) / (slope + steep)
    if not z_in <= z <= 0:
        return False
    place = launch + slope * z
    slope = math.tan(-2 * n.primary_angle_rad - math.atan(slope))
    if place - slope * z <= back(k, 0.0):
        return False
    steep = math.tan(n.secondary_angle_rad)
    at_zero = place - slope * z
    z = (n.radius_mm - at_zero) / (slope + steep)
    if not 0 <= z <= z_out:
        return False
    place = at_zero + slope * z
    slope = math.tan(-2 * n.secondary_angle_rad - math.atan(slope))
    return place + slope * (z_out - z) > back(k, z_out)


@pytest.mark.parametrize("source", [math.inf, SOURCE, 40_000.0])
def test_blockage_by_the_neighbours_against_a_trace_in_one_plane(source):
    radii = [130.0]
    while len(radii) < 5:
        alpha = math.atan(radii[-1] / FOCAL) / 4
        radii.append(radii[-1] + LENGTH * math.tan(alpha) + 0.17)
    prescription = nest(*radii, thickness=0.17)
    launch = np.linspace(129.0, 134.5, 8_001)
    through = [follow_in_plane(prescription, x, source) for x in launch]
    expected = (2 * math.pi * launch * through).sum() * (launch[1] - launch[0])
    beam = Beam(source_distance_mm=source)
    found = area(perfect(prescription), beam)
    # Ten edges, each good to a part of the step of 0.0007 mm, in over 1 mm of open width.
    assert found == pytest.approx(expected, rel=2e-3)
    # The nest loses more than each nesting by itself would (first order: 1 - 4f/L).
    if math.isfinite(source):
        alone = sum(entrance(radius) for radius in radii)
        assert found < 0.9 * alone * (1 - 4 * FOCAL / source)
