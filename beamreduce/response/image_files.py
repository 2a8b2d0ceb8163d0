"""Encircled energy and image shape by line, for a star, and the images as measured."""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from beamreduce.errors import ResultsError
from beamreduce.response.encircled import Encircled, EncircledLine
from beamreduce.response.fits_file import (
    Column,
    Origin,
    add_history,
    standard_extension,
    write_file,
)
from beamreduce.response.keywords import ENCIRCLED, IMAGE, RADIAL, layout_cards

if TYPE_CHECKING:
    from astropy.io import fits

_RINGS = 100  # an image shape is given in; even steps of radius


@dataclass(frozen=True, kw_only=True)
class _Rings:
    low: np.ndarray
    high: np.ndarray
    share: np.ndarray
    sigma: np.ndarray


def write_encircled(path: Path, inside: Encircled, origin: Origin) -> None:
    """Write encircled energy for a star, one row a line, 1 at the reference radius."""
    rows = [_rings(one) for one in inside.lines]
    columns = [
        *_where(inside, rows),
        _vector("REEF", np.cumsum([r.share for r in rows], axis=1), "", "inside RAD_HI"),
        _vector("REEF_ERR", np.array([_error_at(one) for one in inside.lines]), "",
                "standard uncertainty"),
    ]  # fmt: skip
    more = [("REFRAD", inside.reference_arcsec, "[arcsec] encircled energy is 1 here")]
    what = "encircled energy for a star, on axis"
    hdu = standard_extension(ENCIRCLED, columns, origin, what, more)
    write_file(path, [hdu], origin)


def write_image_shape(path: Path, inside: Encircled, folder: Path, origin: Origin) -> None:
    """Write the radial shape of a star's image, and the images that were measured.

    Parameters
    ----------
    path
        File.
    inside
        Encircled energy for a star.
    folder
        Results folder with ``net_<id>.fits``.
    origin
        Whence.

    Notes
    -----
    The radial shape is of a star, parallel beam; the two-dimensional images are as the
    detector saw them, with source at the beamline's distance, and say so.
    """
    rows = [_rings(one) for one in inside.lines]
    area = np.array([np.pi * (r.high**2 - r.low**2) for r in rows])
    share = np.array([r.share for r in rows])
    sigma = np.array([r.sigma for r in rows])
    columns = [
        *_where(inside, rows),
        _vector("RPSF", share / area, "arcsec**(-2)", "share of photons an arcsec**2"),
        _vector("RPSF_ERR", sigma / area, "arcsec**(-2)", "standard uncertainty"),
    ]
    more = [
        ("SUMRCTS", 1.0, "integral over the rings"),
        ("BACKGRND", 0.0, "background is taken off"),
        ("REFRAD", inside.reference_arcsec, "[arcsec] the integral is 1 to here"),
    ]
    hdu = standard_extension(RADIAL, columns, origin, "image of a star, on axis", more)
    images = [_image(folder, one, origin) for one in inside.lines]
    write_file(path, [hdu, *(image for image in images if image is not None)], origin)


def _vector(name: str, values: np.ndarray, unit: str, comment: str) -> Column:
    form = f"{values.shape[1]}E"
    return Column(name=name, form=form, values=values, unit=unit, comment=comment)


def _where(inside: Encircled, rows: list[_Rings]) -> list[Column]:
    energy = inside.energy_kev
    return [
        _vector("RAD_LO", np.array([r.low for r in rows]), "arcsec", "inner radius"),
        _vector("RAD_HI", np.array([r.high for r in rows]), "arcsec", "outer radius"),
        Column(name="THETA", form="E", values=np.zeros(energy.size), unit="arcmin"),
        Column(name="ENERG_LO", form="E", values=energy, unit="keV", comment="line"),
        Column(name="ENERG_HI", form="E", values=energy, unit="keV", comment="line"),
    ]


def _rings(one: EncircledLine) -> _Rings:
    edges = np.linspace(0.0, one.reference_arcsec, _RINGS + 1)
    inside = np.interp(edges**2, np.append(0.0, one.radius_arcsec**2),
                       np.append(0.0, one.share))  # fmt: skip
    inside /= inside[-1]
    sigma = _sigma(one, edges)
    # Errors of neighbours on a curve go together; a ring's own is that of its slope.
    change = np.abs(np.diff(sigma))
    return _Rings(low=edges[:-1], high=edges[1:], share=np.diff(inside), sigma=change)


def _sigma(one: EncircledLine, edges: np.ndarray) -> np.ndarray:
    known = np.append(0.0, one.radius_arcsec)
    return np.interp(edges, known, np.append(0.0, one.uncertainty))


def _error_at(one: EncircledLine) -> np.ndarray:
    return _sigma(one, np.linspace(0.0, one.reference_arcsec, _RINGS + 1)[1:])


def _image(folder: Path, one: EncircledLine, origin: Origin) -> "fits.ImageHDU | None":
    """The net image of a measurement, its sum 1, pixels counted from 1 as FITS does."""
    from astropy.io import fits  # noqa: PLC0415 - slow import

    path = folder / f"net_{one.id}.fits"
    if not path.is_file():
        return None
    try:
        with fits.open(path, memmap=False) as hdus:
            image = np.asarray(hdus[0].data, dtype=float)
            header = hdus[0].header.copy()
            keys = [header[k] for k in ("XCENTER", "YCENTER", "PIXSIZE", "DETDIST")]
    except (OSError, KeyError, TypeError, ValueError) as error:
        raise ResultsError(
            f"{path}: found an image that cannot be read ({error}); expected the net image "
            f"that reduce wrote; make the results anew with beamreduce reduce"
        ) from None
    total = float(image.sum())
    hdu = fits.ImageHDU((image / total).astype(np.float32))
    what = f"image of {one.id} as measured, {one.energy_kev:g} keV"
    for key, value, comment in layout_cards(
        IMAGE, origin.instrument, bounds=f"ENERG({one.energy_kev:g})keV", describe=what
    ):
        hdu.header[key] = (value, comment)
    hdu.header["EXTVER"] = (1 + round(1000 * one.energy_kev), "by energy")
    for axis, (name, center) in enumerate(zip(("DETX", "DETY"), keys[:2], strict=True), 1):
        hdu.header[f"CTYPE{axis}"] = (name, "detector coordinate")
        hdu.header[f"CUNIT{axis}"] = "mm"
        hdu.header[f"CRPIX{axis}"] = (center + 1, "center of the image")
        hdu.header[f"CRVAL{axis}"] = 0.0
        hdu.header[f"CDELT{axis}"] = keys[2]
    hdu.header["SUMRCTS"] = (1.0, "sum over all pixels")
    hdu.header["DETDIST"] = (keys[3], "[mm] from reference plane")
    hdu.header["ENERGY"] = (one.energy_kev, "[keV] photon energy")
    add_history(hdu, (*origin.history, "As measured with a near source, not for a star."))
    return hdu
