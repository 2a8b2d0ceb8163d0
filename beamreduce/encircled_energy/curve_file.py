"""``eef_covariance_<id>.fits``: curves with the covariance of their points."""

import warnings
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.utils.exceptions import AstropyWarning

from beamreduce.encircled_energy.uncertain_curve import CurveTerm, UncertainCurve
from beamreduce.record import curve_file, write_whole

MEASURED, INFINITY = "MEASURED", "INFINITY"


def write_curves(
    folder: Path, identity: str, measured: UncertainCurve, star: UncertainCurve | None
) -> None:
    """Write the curve as measured and, where it is known, that of a star.

    For each a table of radii and values, the statistical covariance as an image, and a
    table with one row for each other cause that moves all points together.
    """
    hdus = [fits.PrimaryHDU()]
    hdus[0].header["MEASID"] = identity
    for name, curve in ((MEASURED, measured), (INFINITY, star)):
        if curve is not None:
            hdus += _hdus(name, curve)
    for hdu in hdus:
        hdu.add_checksum(when="")
    whole = fits.HDUList(hdus)
    write_whole(
        curve_file(folder, identity), lambda path: whole.writeto(path, overwrite=True)
    )


def read_curves(path: Path) -> tuple[UncertainCurve, UncertainCurve | None]:
    """Read what :func:`write_curves` wrote: as measured, and of a star if it is known.

    Raises
    ------
    OSError, KeyError, ValueError
        When the file is missing, damaged, or holds something else.
    """
    # Without checksums, and with truncated files, the reader only warns.
    with warnings.catch_warnings():
        warnings.simplefilter("error", AstropyWarning)
        try:
            return _read(path)
        except AstropyWarning as warning:
            raise ValueError(" ".join(str(warning).split())) from None


def _read(path: Path) -> tuple[UncertainCurve, UncertainCurve | None]:
    # Opened here: the reader leaves a file open that it cannot make sense of.
    with path.open("rb") as stream, fits.open(stream, checksum=True) as hdus:
        names = {hdu.name for hdu in hdus}
        star = _curve(hdus, INFINITY) if INFINITY in names else None
        return _curve(hdus, MEASURED), star


def _hdus(name: str, curve: UncertainCurve) -> list[fits.BinTableHDU | fits.ImageHDU]:
    from astropy.table import Table  # noqa: PLC0415 - a quick look needs none of it

    points = Table({"RADIUS": curve.radius_arcsec, "EEF": curve.fraction})
    points["RADIUS"].unit = "arcsec"
    count = curve.fraction.size
    terms = Table(
        {
            "TERM": np.array([term.term for term in curve.terms], dtype="U64"),
            "KIND": np.array([term.kind for term in curve.terms], dtype="U16"),
            "CHANGE": np.array([term.change for term in curve.terms]).reshape(-1, count),
        }
    )
    return [
        fits.BinTableHDU(points, name=name),
        # Seven digits are more than any covariance is known to; half the size on disk.
        fits.ImageHDU(curve.covariance.astype(np.float32), name=f"{name}_COVARIANCE"),
        fits.BinTableHDU(terms, name=f"{name}_TERMS"),
    ]


def _curve(hdus: fits.HDUList, name: str) -> UncertainCurve:
    points, terms = hdus[name].data, hdus[f"{name}_TERMS"].data
    covariance = np.array(hdus[f"{name}_COVARIANCE"].data, dtype=float)
    curve = UncertainCurve(
        radius_arcsec=np.array(points["RADIUS"], dtype=float),
        fraction=np.array(points["EEF"], dtype=float),
        covariance=covariance,
        terms=tuple(
            CurveTerm(
                term=str(row["TERM"]),
                kind=str(row["KIND"]),
                change=np.array(row["CHANGE"], dtype=float),
            )
            for row in terms
        ),
    )
    count = curve.fraction.size
    if covariance.shape != (count, count) or not np.all(np.isfinite(curve.fraction)):
        raise ValueError(f"{name} does not hold {count} sound points with a covariance")
    return curve
