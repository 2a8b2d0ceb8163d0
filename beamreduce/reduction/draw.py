"""The figures of one measurement, with the numbers that are quoted."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import astropy.units as u

from beamreduce.encircled_energy import growth_curve, radial_profile
from beamreduce.errors import MeasurementError
from beamreduce.figures import (
    CURVE_HEIGHT_CM,
    IMAGE_HEIGHT_CM,
    MarkedDiameter,
    Marks,
    draw_and_save,
    draw_encircled_energy,
    draw_growth,
    draw_net_image,
    draw_radial_profile,
)
from beamreduce.record import write_table_whole
from beamreduce.reduction.figure_tables import growth_table, profile_table
from beamreduce.reduction.measure import Measured

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def quoted_marks(measured: Measured) -> Marks:
    """Return reference radius, HPD and W90 of a measurement as they are quoted."""
    numbers = measured.measurement
    quoted = (
        ("HPD", 0.5, numbers.hpd_measured_mm, numbers.hpd_measured_arcsec),
        ("W90", 0.9, numbers.w90_measured_mm, numbers.w90_measured_arcsec),
    )
    return Marks(
        reference_radius=numbers.reference_radius_mm * u.mm,
        diameters=tuple(
            MarkedDiameter(name=name, share=share, mm=mm, arcsec=arcsec)
            for name, share, mm, arcsec in quoted
            if mm is not None and arcsec is not None
        ),
    )


def draw_measurement(folder: Path, measured: Measured) -> None:
    """Write net image, encircled energy, radial profile and growth as PNG and SVG.

    Profile and growth are written as tables too; the other two are in files of their own.
    A figure whose data cannot be had (a saturated core, a ring without usable pixels) is
    left out.
    """
    marks = quoted_marks(measured)
    identity, located, curves = measured.measurement.id, measured.located, measured.curves

    def save(name: str, height_cm: float, draw: "Callable[[Axes], object]") -> None:
        draw_and_save(
            folder / f"{name}_{identity}",
            lambda figure: draw(figure.subplots()),
            height_cm=height_cm,
        )

    save(
        "image",
        IMAGE_HEIGHT_CM,
        lambda ax: draw_net_image(
            ax, located.image, located.net.photons, located.center.xy, marks
        ),
    )
    if curves is None:
        return
    # The band is what is quoted: counting, declared uncertainties and models together.
    whole = replace(curves.curve, covariance=curves.uncertain.whole_covariance)
    save("eef", CURVE_HEIGHT_CM, lambda ax: draw_encircled_energy(ax, whole, marks))
    profile = radial_profile(curves.rings, curves.background_rings)
    save("profile", CURVE_HEIGHT_CM, lambda ax: draw_radial_profile(ax, profile))
    write_table_whole(folder / f"profile_{identity}.ecsv", profile_table(profile))
    try:
        growth = growth_curve(curves.rings, curves.background_rings)
    except MeasurementError:
        return
    save(
        "growth",
        CURVE_HEIGHT_CM,
        lambda ax: draw_growth(ax, growth, marks.reference_radius),
    )
    write_table_whole(folder / f"growth_{identity}.ecsv", growth_table(growth))
