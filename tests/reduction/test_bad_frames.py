"""Bad frames through the commands: one clear message, nothing touched.

Each case says what is done to a sound campaign and what the message has to name: file,
row, card or key; what was found; what to do.
"""

import gzip
import re
import shutil
import warnings

import numpy as np
import pytest
from astropy.io import fits

from tests.folders import SHAPE, changed, default_rows, write_rows
from tests.reduction.refusals import COMMANDS, PIXELS, assert_refused, edit_setup
from tests.reduction.runs import command, setup_with
from tests.reduction.schema import check_results


def link_out(path):
    outside = path.parents[2] / "outside.fits"
    shutil.move(path, outside)
    path.symlink_to(outside)


def write(path, data):
    fits.writeto(path, data, overwrite=True)


def write_no_image(path):
    fits.PrimaryHDU().writeto(path, overwrite=True)


def cut(path, size):
    path.write_bytes(path.read_bytes()[:size])


def damage(path):
    content = bytearray(path.read_bytes())
    content[6000] ^= 1
    path.write_bytes(content)


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (link_out, ["link out of the campaign folder", "put the file itself"]),
        (lambda path: path.write_bytes(b""), ["found an empty file", "FITS"]),
        (lambda path: cut(path, 5000), ["found 5000 bytes, a truncated file", "copy the"]),
        (lambda path: cut(path, 2000), ["ends inside a header", "copy the file again"]),
        (lambda path: path.write_text("GIF89a"), ["found a file that is not FITS", "save"]),
        (lambda path: write(path, np.zeros((2, 8, 8))), ["3 dimensions", "save each"]),
        (write_no_image, ["no image in the primary unit", "right file"]),
        (lambda path: write(path, np.ones((32, 64))), ["NAXIS1, NAXIS2: found 64 × 32",
                                                       "another group"]),
    ],
    ids=["link", "empty", "cut", "header", "text", "3d", "no-image", "shape"],
)  # fmt: skip
def test_a_file_that_is_no_frame_is_named(folder, spoil, words):
    spoil(folder / "frames/ti-2.fits")
    where = "frames/ti-2.fits: |exposure ti-2"
    assert_refused(folder, where, *words)


def test_a_frame_that_is_not_there_is_named(folder):
    """On shift it is only waited for."""
    (folder / "frames/ti-2.fits").unlink()
    words = ("exposure ti-2", "found no such file", "correct its path")
    assert_refused(folder, *words, commands=("reduce", "inspect"))


@pytest.mark.parametrize("name", ["ti-2", "off-1", "bias-1", "dark-2"])
@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (damage, ["DATASUM", "copy the file again"]),
        (
            lambda path: write(path, np.full(SHAPE, np.nan)),
            ["all NaN", "take the exposure"],
        ),
    ],
    ids=["checksum", "nan"],
)
def test_pixels_without_sense_are_named(folder, name, spoil, words):
    spoil(folder / f"frames/{name}.fits")
    assert_refused(folder, f"frames/{name}.fits: found ", *words, commands=PIXELS)


def test_a_checksum_is_also_looked_at_by_inspect(folder):
    damage(folder / "frames/open-1.fits")
    assert_refused(
        folder, "frames/open-1.fits: found data .* DATASUM", commands=("inspect",)
    )


def test_a_gzip_file_that_breaks_off(folder):
    path = folder / "frames/ti-2.fits"
    path.with_name("ti-2.fits.gz").write_bytes(gzip.compress(path.read_bytes())[:-4000])
    write_rows(folder, changed(default_rows(), "ti-2", file="frames/ti-2.fits.gz"))
    assert_refused(
        folder, "frames/ti-2.fits.gz: found a gzip file that breaks off",
        commands=("reduce", "inspect"),
    )  # fmt: skip


@pytest.mark.parametrize("name", ["ti-1", "off-2"])
def test_an_image_of_zeros(folder, name):
    write(folder / f"frames/{name}.fits", np.zeros(SHAPE, np.uint16))
    assert_refused(
        folder, f"frames/{name}.fits: found zero in every pixel", "replace the file",
        commands=PIXELS,
    )  # fmt: skip


def test_an_image_that_is_saturated_everywhere(folder):
    write(folder / "frames/ti-1.fits", np.full(SHAPE, 65535, np.uint16))
    assert_refused(
        folder,
        r"measurement ti \(frames/ti-1.fits, frames/ti-2.fits\)",
        "no usable pixel",
        "shorten the exposure",
        commands=PIXELS,
    )


def test_a_saturated_core_is_no_error(folder):
    edit_setup(folder, "60000", "20000")
    done = command("reduce", folder, *COMMANDS["reduce"])
    assert done.exit_code == 0
    assert "ti: " in done.stdout
    assert "would have been safe" in done.stdout
    assert check_results(folder.parent / "out")["ti"]["hpd_measured_arcsec"] is None


def test_an_image_cut_by_the_edge_is_a_warning(folder):
    for name in ("ti-1", "ti-2"):
        path = folder / f"frames/{name}.fits"
        data = np.roll(fits.getdata(path), 26, axis=0)
        data[:26] = 500
        write(path, data)
    done = command("reduce", folder, *COMMANDS["reduce"])
    assert done.exit_code == 0
    assert "reaches the edge of the detector at y = 63" in done.stdout
    assert "may be missing beyond" in done.stdout


@pytest.mark.parametrize("level", [490, 505], ids=["negative", "none"])
def test_no_net_photons(folder, level):
    """Below the beam-off frames, and the same as one of them."""
    rng = np.random.default_rng(5)
    for name in ("ti-1", "ti-2"):
        data = np.rint(rng.normal(level, 3.0, SHAPE)).astype(np.uint16)
        write(folder / f"frames/{name}.fits", data)
    assert_refused(
        folder,
        r"measurement ti \(frames/ti-1.fits, frames/ti-2.fits\): the net photons",
        "check that the beam was on",
        commands=PIXELS,
    )


def test_a_reference_radius_beyond_the_frame(folder):
    edit_setup(folder, "= 60", '= 60\nreference_radius = "0.7 mm"')
    assert_refused(
        folder,
        r"measurement ti .*reference_radius of 0.7 mm, beyond the frame",
        r"at most 0.62\d* mm about the center",
        r"lower \[reduction\] reference_radius",
        commands=PIXELS,
    )


def test_a_reference_radius_inside_a_pixel(folder):
    edit_setup(folder, "= 60", '= 60\nreference_radius = "0.02 mm"')
    assert_refused(
        folder,
        r"measurement ti .*reference_radius of 0.02 mm about the center",
        r"at least 2 pixels, 0.04 mm; raise \[reduction\] reference_radius",
        commands=PIXELS,
    )


def test_a_given_center_outside_the_frame(folder):
    edit_setup(folder, "= 60", "= 60\ncenter = [70.0, 30.0]")
    assert_refused(
        folder, r"measurement ti .*center \(70, 30\) lies outside", commands=PIXELS
    )


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (('background = "annulus"', 'annulus_inner = "0.7 mm"'), "set annulus_inner lower"),
        (('background = "surface"', 'annulus_inner = "0.8 mm"'), "annulus_inner|photons"),
    ],
)
def test_a_background_that_cannot_be_had_names_its_measurement(folder, lines, words):
    (folder / "campaign.toml").write_text(setup_with(*lines))
    assert_refused(folder, "measurement ti .*background", words, commands=PIXELS)


def test_letters_beyond_ascii_in_headers_are_one_warning_in_our_own_words(folder):
    for name in ("ti-1", "ti-2"):
        path = folder / f"frames/{name}.fits"
        data = fits.getdata(path)
        fits.writeto(
            path, data, fits.Header([("OBSERVER", "Jose", "5 um")]), overwrite=True
        )
        path.write_bytes(path.read_bytes().replace(b"Jose", b"Jos\xe9"))
    words = (
        "warning: frames/ti-1.fits and 1 more: card OBSERVER: found characters that are "
        "not ASCII; .*\n"
    )
    for name, options in COMMANDS.items():
        with warnings.catch_warnings(record=True) as others:
            warnings.simplefilter("always")
            done = command(name, folder, *options)
        assert done.exit_code == 0, name
        assert [str(other.message) for other in others] == []
        if name == "reduce":
            assert re.fullmatch(words, done.stderr)
        else:
            assert done.stderr == ""
        if name == "inspect":
            assert re.search(words, done.stdout)


def test_a_card_that_does_not_follow_fits_spoils_nothing_else(folder):
    path = folder / "frames/ti-1.fits"
    header = fits.Header([("OBSERVER", "Jose"), ("SITE", "hall")])
    fits.writeto(path, fits.getdata(path), header, overwrite=True)
    content = path.read_bytes().replace(b"'Jose    '", b"'Jose \n   ")
    path.write_bytes(content.replace(b"'hall    '", b"hall'    '"))
    done = command("reduce", folder, *COMMANDS["reduce"])
    assert done.exit_code == 0
    assert done.stderr.count("warning: ") == 1
