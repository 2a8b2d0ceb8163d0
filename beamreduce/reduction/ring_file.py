"""``rings_<id>.fits``: net photons in rings, for the steps that come after the curve."""

from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.table import Table

from beamreduce.encircled_energy import NetRings
from beamreduce.record import write_whole

_COLUMNS = {
    "radius_mm": ("RADIUS", "mm"),
    "photons": ("PHOTONS", "photon"),
    "poisson_part": ("POISSON", "photon"),
    "scale": ("SCALE", ""),
    "covered": ("COVERED", ""),
}
_MATRICES = {"noise_covariance": "NOISE", "background_covariance": "BACKGROUND"}
_MODES = {
    "modes": "MODES",
    "model_modes": "MODELMODES",
    "systematic_modes": "SYSTMODES",
}


def ring_file(folder: Path, identity: str) -> Path:
    """Return where the rings of a measurement are kept."""
    return folder / f"rings_{identity}.fits"


def write_rings(folder: Path, identity: str, net: NetRings) -> None:
    """Write rings as a FITS table, with covariances and modes as images.

    One row a ring, from the middle out: outer radius, net photons scaled to the full
    area, the part of the photons that follows a Poisson law, scale, covered share.
    """
    table = Table({name: getattr(net, key) for key, (name, _) in _COLUMNS.items()})
    for name, unit in _COLUMNS.values():
        table[name].unit = unit or None
    hdus = [fits.PrimaryHDU(), fits.BinTableHDU(table, name="RINGS")]
    hdus[0].header["MEASID"] = identity
    hdus[0].header["DETDIST"] = (net.detector_distance_mm, "[mm] from reference plane")
    for key, name in (_MATRICES | _MODES).items():
        values = np.asarray(getattr(net, key), dtype=float)
        hdus.append(fits.ImageHDU(values if values.size else None, name=name))
    for hdu in hdus:
        hdu.add_checksum(when="")
    whole = fits.HDUList(hdus)
    write_whole(
        ring_file(folder, identity), lambda path: whole.writeto(path, overwrite=True)
    )


def read_rings(folder: Path, identity: str) -> NetRings:
    """Read what :func:`write_rings` wrote."""
    with fits.open(ring_file(folder, identity)) as hdus:
        columns = {
            key: np.array(hdus["RINGS"].data[name], dtype=float)
            for key, (name, _) in _COLUMNS.items()
        }
        count = columns["radius_mm"].size
        matrices = {
            key: _array(hdus[name], (count, count)) for key, name in _MATRICES.items()
        }
        modes = {key: _array(hdus[name], (0, count)) for key, name in _MODES.items()}
        distance = float(hdus[0].header["DETDIST"])
    return NetRings(**columns, **matrices, **modes, detector_distance_mm=distance)


def _array(hdu: fits.ImageHDU, empty: tuple[int, int]) -> np.ndarray:
    return np.zeros(empty) if hdu.data is None else np.array(hdu.data, dtype=float)
