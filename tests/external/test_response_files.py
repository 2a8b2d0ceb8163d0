"""Response files against outside readers: a verifier, two FITS readers, a general library.

The fold of a power law through area and matrix is compared with a numerical integral of
the same curve, without files.
"""

import shutil
import subprocess

import astropy.units as u
import fitsio
import numpy as np
import pytest
from astropy.io import fits
from scipy.integrate import quad
from scipy.special import ndtr

from beamreduce.reduction.responses_run import write_responses
from tests.response.made_areas import write_areas

SLOPE = 1.7
# 4-byte numbers: energies and areas to 6e-8, matrix elements likewise.
FOLD_ERROR = 1e-6


@pytest.fixture(scope="module")
def response_set(tmp_path_factory):
    folder = tmp_path_factory.mktemp("outside")
    return write_responses(write_areas(folder / "results"), folder / "responses")


def power_law_in(low, high):
    """∫ E^−Γ dE over bins."""
    power = 1 - SLOPE
    return (high**power - low**power) / power


@pytest.mark.skipif(
    shutil.which("fitsverify") is None,
    reason="fitsverify, a system program (Debian package fitsverify), is not installed",
)
def test_a_fits_verifier_finds_nothing(response_set):
    for name in response_set.files:
        run = subprocess.run(
            ["fitsverify", "-q", str(response_set.folder / name)],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert run.returncode == 0, run.stdout
        assert run.stdout.startswith("verification OK"), run.stdout


def test_a_second_fits_reader_reads_the_same(response_set):
    area = fitsio.read(response_set.folder / "total.arf", ext="SPECRESP")
    rows = fitsio.read(response_set.folder / "lines.rmf", ext="MATRIX")
    curve = response_set.content.curves[0].curve
    np.testing.assert_allclose(area["SPECRESP"], curve.area_cm2, rtol=1e-6)
    matrix = response_set.content.matrix
    for k in (0, 100, len(rows) - 1):
        first, length = int(rows["F_CHAN"][k][0]), int(rows["N_CHAN"][k][0])
        stored = matrix.matrix[k, first : first + length]
        np.testing.assert_allclose(rows["MATRIX"][k][:length], stored, rtol=1e-6)
    header = fitsio.read_header(response_set.folder / "lines.rmf", ext="MATRIX")
    assert header["TLMIN4"] == 0


def test_rows_of_the_matrix_add_up_to_one_less_the_loss(response_set):
    with fits.open(response_set.folder / "lines.rmf") as hdus:
        rows = hdus["MATRIX"].data
        sums = np.array([np.sum(row["MATRIX"], dtype=float) for row in rows])
        np.testing.assert_allclose(sums + rows["LOSS"], 1, atol=2e-6)
        assert rows["LOSS"].max() < 1e-6


def test_a_power_law_folded_by_a_general_reader(response_set):
    """gammapy 2 reads both files; counts against integrals of the curve itself."""
    gammapy_maps = pytest.importorskip("gammapy.maps", reason="gammapy is not installed")
    irf = pytest.importorskip("gammapy.irf", reason="gammapy is not installed")
    area = gammapy_maps.RegionNDMap.read(
        response_set.folder / "total.arf", format="ogip-arf"
    )
    kernel = irf.EDispKernel.read(response_set.folder / "lines.rmf")
    edges = area.geom.axes[0].edges.to_value(u.keV)
    true_counts = area.data.ravel() * power_law_in(edges[:-1], edges[1:])
    folded = true_counts @ kernel.pdf_matrix

    # The same without files: the curve is even within a bin, lines are Gaussian.
    content = response_set.content
    bins, curve = content.grid.edges_kev, content.curves[0].curve.area_cm2
    total = sum(
        a * quad(lambda e: e**-SLOPE, low, high, epsabs=0, epsrel=1e-12)[0]
        for a, low, high in zip(curve, bins[:-1], bins[1:], strict=True)
    )
    assert folded.sum() == pytest.approx(total, rel=FOLD_ERROR)
    channels = content.matrix.channel_edges_kev
    # FWHM 2.355 √(F w E + (n w)²): formula of the campaign's documents, in keV.
    pair, noise = 3.65e-3, 6.0

    def share(energy, low, high):
        sigma = np.sqrt(0.115 * pair * energy + (noise * pair) ** 2)
        return ndtr((high - energy) / sigma) - ndtr((low - energy) / sigma)

    for start, end in ((1.4, 2.0), (3.0, 5.0), (6.4, 6.5)):
        first, last = (int(np.argmin(np.abs(channels - e))) for e in (start, end))
        nodes, weights = np.polynomial.legendre.leggauss(5)
        half = (bins[1:] - bins[:-1]) / 2
        energy = (bins[1:] + bins[:-1])[:, None] / 2 + half[:, None] * nodes
        inside = share(energy, channels[first], channels[last])
        wanted = curve @ (half * ((energy**-SLOPE * inside) @ weights))
        got = folded[first:last].sum()
        # Within a bin of 10 eV the matrix is a mean, and the spectrum falls by 1 %: a
        # product of means errs by (slope over bin)² /12 of the edge of the band.
        assert got == pytest.approx(wanted, rel=2e-5)


def test_reading_back_by_plain_arithmetic(response_set):
    """The fold of 1e-6 by astropy alone: every photon of a bin in its row, none else."""
    with fits.open(response_set.folder / "lines.rmf") as hdus:
        rows, bounds = hdus["MATRIX"].data, hdus["EBOUNDS"].data
        first_channel = hdus["MATRIX"].header["TLMIN4"]
        full = np.zeros((len(rows), len(bounds)))
        for k, row in enumerate(rows):
            at = 0
            for first, length in zip(
                np.atleast_1d(row["F_CHAN"]), np.atleast_1d(row["N_CHAN"]), strict=True
            ):
                start = first - first_channel
                full[k, start : start + length] = row["MATRIX"][at : at + length]
                at += length
    with fits.open(response_set.folder / "total.arf") as hdus:
        area = hdus["SPECRESP"].data
        low, high = (np.array(area[n], float) for n in ("ENERG_LO", "ENERG_HI"))
        counts = (area["SPECRESP"] * power_law_in(low, high)) @ full
    content = response_set.content
    bins = content.grid.edges_kev
    wanted = (content.curves[0].curve.area_cm2 * power_law_in(bins[:-1], bins[1:])) @ (
        content.matrix.matrix
    )
    assert counts.sum() == pytest.approx(wanted.sum(), rel=FOLD_ERROR)
    # A single bin of 10 eV at 8 keV is known to 5e-5 with 4-byte edges; sums are not.
    np.testing.assert_allclose(counts, wanted, rtol=1e-4, atol=1e-9 * wanted.max())
