"""One measurement with known numbers, drawn by every test of this room."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np
import pytest

from beamreduce.background import Background, BackgroundRings, Polynomial
from beamreduce.background import background_in_rings as in_rings
from beamreduce.encircled_energy import (
    EncircledEnergy,
    GrowthCurve,
    RadialProfile,
    encircled_energy,
    growth_curve,
    measure_diameters,
    net_rings,
    radial_profile,
)
from beamreduce.figures import (
    CURVE_HEIGHT_CM,
    IMAGE_HEIGHT_CM,
    Marks,
    draw_encircled_energy,
    draw_growth,
    draw_net_image,
    draw_radial_profile,
    marks_of,
    new_figure,
    report_style,
)
from beamreduce.figures.style import settle_layout
from beamreduce.image import FocalImage, PixelFlag
from beamreduce.rings import RingCounts, count_in_image, plan_for

SHAPE, CENTER, PIXEL_MM, LEVEL = (160, 180), (92.3, 78.6), 0.05, 0.1
DISTANCE = 5500 * u.mm
REFERENCE = 3 * u.mm


@dataclass(frozen=True, kw_only=True)
class Results:
    """What the figures draw."""

    image: FocalImage
    net: np.ndarray
    center_xy: tuple[float, float]
    rings: RingCounts
    background: BackgroundRings
    curve: EncircledEnergy
    growth: GrowthCurve
    profile: RadialProfile
    marks: Marks


def made_image():
    """King image (b = 2, core radius 0.25 mm) on a flat background, with flagged pixels."""
    rng = np.random.default_rng(20250401)
    y, x = np.indices(SHAPE)
    square = ((x - CENTER[0]) ** 2 + (y - CENTER[1]) ** 2) * (PIXEL_MM / 0.25) ** 2
    expected = 20_000 * (PIXEL_MM / 0.25) ** 2 / np.pi * (1 + square) ** -2 + LEVEL
    flags = np.zeros(SHAPE, dtype=np.uint8)
    flags[30, 40] = PixelFlag.BAD
    flags[:, 130] = PixelFlag.BAD
    flags[100:102, 60] = PixelFlag.BAD | PixelFlag.FILLED
    flags[110:113, 110:114] = PixelFlag.SATURATED
    unused = (flags == PixelFlag.BAD) | (flags == PixelFlag.SATURATED)
    return FocalImage(
        photons=np.where(unused, 0.0, rng.poisson(expected)),
        flags=flags,
        noise_variance=0.0,
        variance_per_photon=1.0,
        pixel_size=PIXEL_MM * u.mm,
        detector_distance=DISTANCE,
        live_time=100 * u.s,
    )


def made_results():
    image = made_image()
    radii = np.concatenate([np.linspace(0.03, 3, 100), np.linspace(3.1, 3.9, 9)]) * u.mm
    plan = plan_for(image, CENTER, radii)
    flat = Background(
        method="annulus",
        level=Polynomial.flat(LEVEL, SHAPE),
        modes=(Polynomial.flat(0.004, SHAPE),),
    )
    rings, background = count_in_image(image, plan), in_rings(flat, plan, image.usable)
    net = net_rings(rings, background, REFERENCE)
    diameters = measure_diameters(net, np.random.default_rng(1), replicates=200)
    return Results(
        image=image,
        net=np.where(image.usable, image.photons - LEVEL, 0.0),
        center_xy=CENTER,
        rings=rings,
        background=background,
        curve=encircled_energy(net),
        growth=growth_curve(rings, background),
        profile=radial_profile(rings, background),
        marks=marks_of(diameters, detector_distance=DISTANCE),
    )


@pytest.fixture(scope="session")
def results():
    return made_results()


def draw(name, results, ax):
    """Draw one of the figures on axes and return its artists."""
    if name == "image":
        net, center = results.net, results.center_xy
        return draw_net_image(ax, results.image, net, center, results.marks)
    if name == "encircled_energy":
        return draw_encircled_energy(ax, results.curve, results.marks)
    if name == "growth":
        return draw_growth(ax, results.growth, results.marks.reference_radius)
    return draw_radial_profile(ax, results.profile)


FIGURES = ("image", "encircled_energy", "growth", "radial_profile")


def figure_of(name, results):
    """Return a drawn figure with its axes and artists."""
    height = IMAGE_HEIGHT_CM if name == "image" else CURVE_HEIGHT_CM
    with report_style():
        figure = new_figure(height_cm=height)
        ax = figure.add_subplot()
        artists = draw(name, results, ax)
    return figure, ax, artists


@pytest.fixture(scope="session")
def drawn(results):
    """Figure, axes and artists of every figure, laid out and drawn, to be read only."""
    made = {name: figure_of(name, results) for name in FIGURES}
    for figure, _, _ in made.values():
        with report_style():
            settle_layout(figure)
            figure.draw_without_rendering()
    return made
