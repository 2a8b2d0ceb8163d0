import dataclasses
import warnings

import numpy as np
import pytest
from astropy.io import fits
from astropy.utils.exceptions import AstropyUserWarning

from beamreduce.encircled_energy import NetRings
from beamreduce.reduction.ring_file import read_rings, ring_file, write_rings

RINGS = 7


def made_rings(**modes):
    """Rings with a different number everywhere, so that nothing can be mixed up."""
    rng = np.random.default_rng(31)
    square = rng.normal(size=(2, RINGS, RINGS))
    arrays = {
        "modes": np.zeros((0, RINGS)),
        "model_modes": np.zeros((0, RINGS)),
        "systematic_modes": np.zeros((0, RINGS)),
    } | {name: rng.normal(size=(count, RINGS)) for name, count in modes.items()}
    return NetRings(
        radius_mm=np.cumsum(rng.uniform(0.1, 0.2, RINGS)),
        photons=rng.normal(100, 10, RINGS),
        poisson_part=rng.uniform(90, 120, RINGS),
        noise_covariance=square[0] @ square[0].T,
        background_covariance=square[1] @ square[1].T,
        scale=rng.uniform(1, 1.1, RINGS),
        covered=rng.uniform(0.9, 1, RINGS),
        detector_distance_mm=5534.653,
        **arrays,
    )


@pytest.mark.parametrize(
    "modes", [{}, {"modes": 1}, {"modes": 2, "model_modes": 1, "systematic_modes": 3}]
)
def test_what_is_written_is_read_to_the_last_bit(tmp_path, modes):
    rings = made_rings(**modes)
    write_rings(tmp_path, "m", rings)
    again = read_rings(tmp_path, "m")
    for item in dataclasses.fields(NetRings):
        found, wanted = getattr(again, item.name), getattr(rings, item.name)
        assert np.shape(found) == np.shape(wanted), item.name
        assert np.array_equal(found, wanted), item.name
        assert np.asarray(found).dtype.isnative


def test_the_same_rings_give_the_same_bytes(tmp_path):
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        write_rings(tmp_path / name, "m", made_rings(modes=1))
    files = [ring_file(tmp_path / name, "m").read_bytes() for name in ("a", "b")]
    assert files[0] == files[1]


def test_names_units_and_checksums_are_those_of_the_document(tmp_path):
    write_rings(tmp_path, "m", made_rings(modes=1))
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # a wrong checksum is a warning to the reader
        with fits.open(ring_file(tmp_path, "m"), checksum=True) as hdus:
            names = [hdu.name for hdu in hdus]
            columns = hdus["RINGS"].columns
            assert (columns.names[0], columns[0].unit) == ("RADIUS", "mm")
            assert columns.names[1:] == ["PHOTONS", "POISSON", "SCALE", "COVERED"]
            assert all("CHECKSUM" in hdu.header for hdu in hdus)
            assert hdus[0].header["MEASID"] == "m"
    assert names[1:] == [
        "RINGS", "NOISE", "BACKGROUND", "MODES", "MODELMODES", "SYSTMODES",
    ]  # fmt: skip


def test_a_changed_byte_shows_in_the_checksum(tmp_path):
    write_rings(tmp_path, "m", made_rings())
    path = ring_file(tmp_path, "m")
    with fits.open(path) as hdus:
        place = hdus.fileinfo("RINGS")["datLoc"]
    content = bytearray(path.read_bytes())
    content[place + 3] ^= 1
    path.write_bytes(content)
    with (
        pytest.warns(AstropyUserWarning, match="verification failed"),
        fits.open(path, checksum=True) as hdus,
    ):
        assert len(hdus["RINGS"].data) == RINGS


@pytest.mark.parametrize("identity", ["a.b", "n" * 64])
def test_any_name_of_a_measurement_does(tmp_path, identity):
    write_rings(tmp_path, identity, made_rings())
    assert fits.getval(ring_file(tmp_path, identity), "MEASID") == identity
    assert read_rings(tmp_path, identity).radius_mm.size == RINGS
