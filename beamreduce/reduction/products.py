"""The files of one measurement beside results.json: curve, net image, figures."""

import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import astropy.units as u
import numpy as np
from astropy.io import fits

from beamreduce.encircled_energy import (
    NetRings,
    UncertainCurve,
    encircled_energy,
    write_curves,
)
from beamreduce.record import (
    curve_file,
    write_table_whole,
    write_whole,
)
from beamreduce.reduction.measure import Measured
from beamreduce.reduction.output_folder import OutputFolder
from beamreduce.reduction.ring_file import ring_file, write_rings

if TYPE_CHECKING:
    from astropy.table import Table

FOLD_FIGURES = ("residuals", "focus", "lit")
FIGURES = ("image", "eef", "profile", "growth", "infinity")


def measured_file(folder: Path, identity: str) -> Path:
    """Return where the record of a measurement is kept as it was before the fold."""
    return folder / f"measured_{identity}.json"


def folded_file(folder: Path, name: str) -> Path:
    """Return where it is kept what a configuration's fold depends on, and its focus."""
    return folder / f"folded_{name}.json"


def write_products(folder: Path, measured: Measured, *, figures: bool) -> None:
    """Write ``eef_<id>.ecsv``, ``net_<id>.fits`` and the figures of one measurement.

    There is no curve where the core is saturated.
    """
    identity = measured.measurement.id
    for old in _product_files(folder, identity):
        old.unlink()  # of a run that was interrupted before the campaign was changed
    if measured.curves is not None:
        write_eef(folder, identity, measured.curves.net, (measured.curves.uncertain, None))
        write_rings(folder, identity, measured.curves.net)
    hdus = net_hdus(measured)
    write_whole(
        folder / f"net_{identity}.fits", lambda path: hdus.writeto(path, overwrite=True)
    )
    if figures:
        from beamreduce.reduction.draw import draw_measurement  # noqa: PLC0415 - slow import

        draw_measurement(folder, measured)


def eef_table(
    identity: str, net: NetRings, curves: tuple[UncertainCurve, UncertainCurve | None]
) -> "Table":
    """Return the encircled-energy curve of a measurement as results folders hold it.

    Parameters
    ----------
    identity
        Measurement.
    net
        Its rings.
    curves
        As measured, and the same at infinity; None where it is not known.
    """
    from astropy.table import QTable, Table  # noqa: PLC0415 - slow import

    curve, (measured, star) = encircled_energy(net), curves
    absent = np.full(curve.fraction.size, np.nan)
    table = QTable(
        {
            "radius": curve.radius.to(u.mm),
            "radius_angle": curve.angle,
            "eef": curve.fraction,
            "eef_uncertainty": measured.uncertainty,
            "eef_infinity": absent if star is None else star.fraction,
            "eef_infinity_uncertainty": absent if star is None else star.uncertainty,
            "covered_area": curve.covered,
        }
    )
    plain = Table(table, masked=True)
    for name in ("eef_infinity", "eef_infinity_uncertainty"):
        plain[name].mask = star is None
    plain.meta["reference_radius_mm"] = float(curve.reference_radius.to_value(u.mm))
    plain.meta["detector_distance_mm"] = float(curve.detector_distance.to_value(u.mm))
    plain.meta["measurement"] = identity
    return plain


def write_eef(
    folder: Path,
    identity: str,
    net: NetRings,
    curves: tuple[UncertainCurve, UncertainCurve | None],
) -> None:
    """Write ``eef_<id>.ecsv``, and ``eef_covariance_<id>.fits`` beside it."""
    write_curves(folder, identity, *curves)
    table = eef_table(identity, net, curves)
    write_table_whole(folder / f"eef_{identity}.ecsv", table)


def net_hdus(measured: Measured) -> fits.HDUList:
    """Return net image, variance and mask as FITS extensions with checksums."""
    measurement, located = measured.measurement, measured.located
    primary = fits.PrimaryHDU(located.net.photons.astype(np.float32))
    variance = fits.ImageHDU(located.net.variance.astype(np.float32), name="VARIANCE")
    mask = fits.ImageHDU(located.image.flags, name="MASK")
    header = primary.header
    header["EXTNAME"] = "NET"
    header["BUNIT"] = "photon"
    header["MEASID"] = measurement.id  # no comment: a long name leaves no room for it
    header["ENERGY"] = (measurement.energy_keV, "[keV] photon energy")
    header["DETDIST"] = (measurement.detector_distance_mm, "[mm] from reference plane")
    header["PIXSIZE"] = (located.image.pixel_mm, "[mm] side of a pixel")
    header["XCENTER"] = (measurement.center_pixel[0], "[pixel] first pixel is 0")
    header["YCENTER"] = (measurement.center_pixel[1], "[pixel] first pixel is 0")
    header["REFRAD"] = (measurement.reference_radius_mm, "[mm] EEF is 1 here")
    for line in history(measured):
        header.add_history(line)
    variance.header["BUNIT"] = "photon2"
    mask.header["COMMENT"] = "bits: 1 bad, 2 saturated, 4 filled from neighbours"
    for hdu in (primary, variance, mask):
        hdu.add_checksum(when="")
    return fits.HDUList([primary, variance, mask])


def history(measured: Measured) -> tuple[str, ...]:
    """Return one line a step, in the order they were done."""
    measurement = measured.measurement
    matched = measurement.matched
    masters = ", ".join(f"{len(matched[k])} {k}" for k in ("bias", "dark", "flat"))
    return (
        f"{len(measurement.exposures)} exposures summed as photons",
        f"calibrated with {masters}",
        f"bad pixels filled: {measurement.filled_fraction:.3g} of the circle",
        f"background: {measurement.conventions['background']}",
        f"center: {measurement.conventions['center']}",
    )


def remove_strangers(folder: Path, identities: Sequence[str], names: Sequence[str]) -> None:
    """Remove files that belong to none of these measurements and configurations.

    An interrupted run leaves them when the campaign is changed before the next.
    """
    ours = {path for identity in identities for path in _product_files(folder, identity)}
    ours |= {path for name in names for path in _fold_files(folder, name)}
    for path in folder.iterdir():
        if path.is_file() and path not in ours and not path.name.startswith("."):
            path.unlink()


def reuse_products(
    output: OutputFolder, old: Mapping[str, object], *, figures: bool
) -> bool:
    """Copy the files of a measurement that need not be redone; False if any is missing.

    Parameters
    ----------
    output
        From its final to its partial folder.
    old
        The measurement as results.json holds it.
    figures
        Figures are wanted too.
    """
    identity = old["id"]
    wanted = [f"net_{identity}.fits", measured_file(output.final, identity).name]
    # A saturated core has no curve; its image is drawn all the same.
    if old.get("hpd_measured_mm") is not None:
        wanted += [
            f"eef_{identity}.ecsv",
            curve_file(output.final, identity).name,
            ring_file(output.final, identity).name,
        ]
    wanted += [f"image_{identity}.{kind}" for kind in ("png", "svg")] if figures else []
    if not all((output.final / name).is_file() for name in wanted):
        return False
    for path in _product_files(output.final, identity):
        _copy(path, output.partial)
    return True


def reuse_fold(output: OutputFolder, name: str) -> bool:
    """Copy the files of a configuration that need not be folded again."""
    if not folded_file(output.final, name).is_file():
        return False
    for path in _fold_files(output.final, name):
        _copy(path, output.partial)
    return True


def remove_fold(folder: Path, name: str, identities: Sequence[str]) -> None:
    """Remove the files of an earlier fold of a configuration, but curves."""
    both = [
        folder / f"infinity_{identity}.{kind}"
        for identity in identities
        for kind in ("png", "svg")
    ]
    for path in (*_fold_files(folder, name), *both):
        path.unlink(missing_ok=True)


def _copy(path: Path, folder: Path) -> None:
    write_whole(folder / path.name, lambda to: shutil.copyfile(path, to))


def _fold_files(folder: Path, name: str) -> list[Path]:
    """Return the files in a results folder that belong to one configuration."""
    names = [folded_file(folder, name).name]
    ends = ("png", "svg", "ecsv")
    names += [f"{kind}_{name}.{end}" for kind in FOLD_FIGURES for end in ends]
    return [folder / name for name in names if (folder / name).is_file()]


def _product_files(folder: Path, identity: str) -> list[Path]:
    """Return the files in a results folder that belong to one measurement."""
    tables = ("eef", "profile", "growth")
    names = [f"net_{identity}.fits", *(f"{name}_{identity}.ecsv" for name in tables)]
    names += [
        path(folder, identity).name for path in (ring_file, curve_file, measured_file)
    ]
    names += [f"{name}_{identity}.{kind}" for name in FIGURES for kind in ("png", "svg")]
    return [folder / name for name in names if (folder / name).is_file()]
