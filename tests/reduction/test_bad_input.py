"""Every kind of bad input through the command: one clear message, nothing touched.

Each case says what is done to a sound campaign and what the message has to name: file,
row, card or key; what was found; what to do.
"""

import errno
import gzip
import os
import re
import shutil
import subprocess
import sys

import numpy as np
import pytest
from astropy.io import fits

from tests.folders import (
    SHAPE,
    changed,
    default_rows,
    write_campaign,
    write_rows,
)
from tests.reduction.runs import QUICK, command, setup_with, snapshot
from tests.reduction.schema import check_results
from tests.reduction.test_campaign_run import stop_writing

COMMANDS = {
    "reduce": ("-o", "out", "--jobs", "1"),
    "inspect": (),
    "quicklook": (),
    "plan": ("--hpd", "1%"),
}
READING = tuple(COMMANDS)  # what a folder's tables say, every command has to notice
PIXELS = ("reduce",)  # what only pixels show


@pytest.fixture(scope="module")
def template(tmp_path_factory):
    return write_campaign(tmp_path_factory.mktemp("bad") / "c", setup=QUICK)


@pytest.fixture
def folder(template, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("beamreduce.reduction.draw.draw_measurement", draw_nothing)
    return shutil.copytree(template, tmp_path / "c")


def draw_nothing(folder, measured):
    """Stand for the figures, which take longer than all the rest."""
    for kind in ("png", "svg"):
        (folder / f"image_{measured.measurement.id}.{kind}").write_text("a figure")


def text_of(done):
    """The words a user sees: inspect reports on stdout, the others on stderr."""
    return done.stdout + done.stderr


def assert_refused(folder, *words, commands=READING):
    """Exit code 1, all the words, nothing left behind and nothing touched."""
    before = snapshot(folder.parent)
    for name in commands:
        done = command(name, folder, *COMMANDS[name])
        assert done.exit_code == 1, (name, text_of(done))
        if name != "inspect":
            assert done.stdout == ""
            assert done.stderr.startswith("error: ")
        for word in words:
            assert re.search(word, text_of(done)), (name, word, text_of(done))
        assert snapshot(folder.parent) == before, name
    # The last of them once more: being quiet does not hide what is wrong.
    quiet = command(name, folder, *COMMANDS[name], "--quiet")
    assert quiet.exit_code == 1
    assert all(re.search(word, text_of(quiet)) for word in words)


def edit_setup(folder, old, new):
    text = (folder / "campaign.toml").read_text()
    assert old in text
    (folder / "campaign.toml").write_text(text.replace(old, new))


# ---- the folder


@pytest.mark.parametrize(
    ("make", "found"),
    [
        (lambda path: None, "no such folder"),
        (lambda path: path.write_text("x"), "a file"),
        (lambda path: path.mkdir(), "neither campaign.toml nor exposures.ecsv"),
        (lambda path: path.symlink_to("nowhere"), "no such folder"),
    ],
)
def test_no_campaign_folder(tmp_path, monkeypatch, make, found):
    monkeypatch.chdir(tmp_path)
    make(tmp_path / "c")
    assert_refused(tmp_path / "c", f"c: found .*{found}", "check the path")


def test_a_path_that_is_too_long(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert_refused(tmp_path / ("n" * 300), "nnn: found .*[Nn]ame too long")


@pytest.mark.parametrize("name", ["campaign.toml", "exposures.ecsv"])
def test_a_folder_without_one_of_its_tables(folder, name):
    (folder / name).unlink()
    assert_refused(folder, f"{name}: found no such file", "put .* into the folder")


# ---- campaign.toml


def test_a_toml_syntax_error_names_the_line(folder):
    edit_setup(folder, 'mode = "integrating"', 'mode = "integrating')
    line = (folder / "campaign.toml").read_text().split("mode")[0].count("\n") + 1
    assert_refused(folder, rf"campaign.toml: line {line}, column \d+: found a TOML syntax")


@pytest.mark.parametrize(
    ("old", "new", "key", "expected"),
    [
        ('"5.2 m"', '"5.2"', "mirror.focal_length", "unit that converts to m"),
        ('"5.2 m"', "5.2", "mirror.focal_length", "unit that converts to m"),
        ('"5.2 m"', '"5.2 s"', "mirror.focal_length", "unit that converts to m"),
        ('"5.2 m"', '"-5.2 m"', "mirror.focal_length", "above zero"),
        ('"5.2 m"', '"nan m"', "mirror.focal_length", "length above zero"),
        ('"86 m"', '"inf m"', "facility.source_distance", "length above zero"),
        ('"86 m"', '"0 m"', "facility.source_distance", "above zero"),
        ('"20 um"', '"-20 um"', "detector.pixel_size", "above zero"),
        ('"5 mm"', '"-5 mm"', "facility.source_distance_uncertainty", "zero or more"),
        ('"integrating"', '"adding"', "detector.mode", '"integrating", "counting"'),
        ('"2.0 electron/adu"', '"2.0 mm"', "detector.gain", "converts to electron / adu"),
        ('mode = "integrating"', "", "detector.mode", "add the key"),
        ("= 60", '= 60\ncenter = "middle"', "reduction.center", "one of centroid"),
        ("= 60", '= 60\nbackground = "sky"', "reduction.background", '"exposure"'),
        ("= 60", "= 1", "reduction.bootstrap_replicates", "2 or more"),
        ("= 60", "= 60.0", "reduction.bootstrap_replicates", "whole number"),
        ("= 60", "= true", "reduction.bootstrap_replicates", "whole number"),
        ("= 60", '= 60\nreference_radius = "6"', "reduction.reference_radius", "to mm"),
        ("beamreduce-campaign/1", "beamreduce-campaign/2", "format", "campaign/1"),
    ],
)
def test_a_bad_value_is_named_by_its_key(folder, old, new, key, expected):
    edit_setup(folder, old, new)
    assert_refused(folder, rf"campaign.toml: {key}: found .*; expected .*{expected}")


def test_a_source_nearer_than_a_focal_length(folder):
    edit_setup(folder, '"86 m"', '"5.1 m"')
    assert_refused(
        folder,
        r"campaign.toml: facility.source_distance: found 5.1 m, 0.981 focal lengths",
        "check source_distance and mirror.focal_length",
    )


def test_a_source_nearer_than_four_focal_lengths_is_a_warning(folder):
    """The image is then at f L/(L - f) = 7.026 m."""
    edit_setup(folder, '"86 m"', '"20 m"')
    rows = [
        {**cells, "detector_distance": 7026.0} if "energy" in cells else cells
        for cells in default_rows()
    ]
    write_rows(folder, rows)
    done = command("reduce", folder, *COMMANDS["reduce"])
    assert done.exit_code == 0
    assert re.match(
        r"warning: campaign.toml: facility.source_distance: found 20 m, 3.85 focal lengths",
        done.stderr,
    )
    assert check_results(folder.parent / "out")["ti"]["hpd_measured_arcsec"] is not None
    assert command("inspect", folder).exit_code == 0


def test_an_unknown_key_is_a_warning(folder):
    edit_setup(folder, "bootstrap_replicates", "bootstrap_replicate")
    edit_setup(folder, "bootstrap_replicate =", "bootstrap_replicates = 60\nreplicates =")
    done = command("reduce", folder, *COMMANDS["reduce"], "--quiet")
    assert done.exit_code == 0
    assert done.stdout == ""
    assert re.match("warning: campaign.toml: reduction.replicates: found an unknown key",
                    done.stderr)  # fmt: skip


# ---- exposures.ecsv


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        ({"kind": "beem"}, ["column kind: found 'beem'", "did you mean 'beam'"]),
        ({"exposure": "TI-1"}, ["column exposure: found 'TI-1'", "row 1", "rename"]),
        ({"exposure": "a b"}, ["column exposure: found 'a b'", "rename it"]),
        ({"exposure": "n" * 65}, ["column exposure", "1 to 64 of the characters"]),
        ({"energy": 4.6}, ["column energy: found 4.6 keV in the beam group ti",
                           "another group"]),
        ({"aperture": "Q1"}, ["column aperture: found Q1 in the beam group ti"]),
        ({"detector_distance": 5500.0}, ["detector_distance: found 5500.0 mm in the beam"]),
        ({"energy": -4.5}, ["column energy: found -4.5 keV", "above zero", "correct"]),
        ({"energy": np.nan}, ["column energy: found an empty cell", "fill it in"]),
        ({"detector_distance": np.nan}, ["column detector_distance: found an empty cell"]),
        ({"detector_distance": -5534.0}, ["detector_distance: found -5534 mm"]),
        ({"detector_distance": 91_000.0}, ["reference plane, not from the source"]),
        ({"exposure_time": 0.0}, ["exposure_time: found 0 s", "above zero"]),
        ({"exposure_time": -1.0}, ["exposure_time: found -1 s", "above zero"]),
        ({"exposure_time": np.nan}, ["exposure_time: found an empty cell"]),
        ({"background": "off-3"}, ["column background: found 'off-3', which is no row"]),
        ({"detector": "other"}, ["column detector: found 'other'"]),
        ({"file": "frames/gone.fits"}, ["column file: found no such file", "correct its"]),
        ({"file": "../ti-2.fits"}, ["leaves the campaign folder", "relative to it"]),
        ({"file": "frames/../../ti-2.fits"}, ["leaves the campaign folder"]),
        ({"file": "/etc/passwd"}, ["leaves the campaign folder", "put the file into"]),
        ({"file": "frames"}, ["column file: found 'frames', which is no file"]),
        ({"file": "f" * 300}, ["column file: found .*[Nn]ame too long"]),
        ({"file": "frames/ti-1.fits"}, ["found 'frames/ti-1.fits', which row 1"]),
    ],
    ids=lambda value: str(next(iter(value)))[:20] if isinstance(value, dict) else "",
)  # fmt: skip
def test_a_bad_cell_is_named_by_row_and_column(folder, cells, words):
    write_rows(folder, changed(default_rows(), "ti-2", **cells))
    assert_refused(folder, "exposures.ecsv: (row 2|exposure)", *words)


def test_a_missing_dark_is_told(folder):
    rows = [cells for cells in default_rows() if cells["kind"] not in ("bias", "dark")]
    write_rows(folder, rows)
    assert_refused(
        folder,
        "exposures off-1, off-2, open-1, ti-1, ti-2: found no dark and no bias frames",
        'set dark = "none"',
    )


def test_a_campaign_without_beam(folder):
    write_rows(folder, [c for c in default_rows() if c["kind"] != "beam"])
    assert_refused(folder, "exposures.ecsv: column kind: found no beam row", "add the")


def test_all_problems_come_at_once(folder):
    edit_setup(folder, '"5.2 m"', '"5.2"')
    rows = changed(default_rows(), "ti-1", kind="beem")
    write_rows(folder, changed(rows, "off-1", file="../off.fits"))
    (folder / "frames/dark-1.fits").write_bytes(b"")
    assert_refused(
        folder,
        "mirror.focal_length",
        r"row 1 \(exposure ti-1\), column kind",
        r"row 4 \(exposure off-1\), column file",
        "frames/dark-1.fits: found an empty file",
    )


# ---- frames


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
        (lambda path: path.unlink(), ["found no such file", "correct its path"]),
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
    ids=["missing", "link", "empty", "cut", "header", "text", "3d", "no-image", "shape"],
)  # fmt: skip
def test_a_file_that_is_no_frame_is_named(folder, spoil, words):
    spoil(folder / "frames/ti-2.fits")
    where = "frames/ti-2.fits: |exposure ti-2"
    assert_refused(folder, where, *words)


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


# ---- the output


def test_results_that_are_there_are_kept(folder):
    out = folder.parent / "out"
    assert command("reduce", folder, *COMMANDS["reduce"]).exit_code == 0
    assert_refused(folder, f"{out}: found earlier results", "--update", commands=PIXELS)
    done = command("reduce", folder, *COMMANDS["reduce"], "--update")
    assert done.exit_code == 0
    assert "1 of 1 were up to date" in done.stdout


def test_a_folder_in_use_is_kept(folder):
    out = folder.parent / "out"
    out.mkdir()
    (out / "thesis.txt").write_text("years")
    assert_refused(folder, f"{out}: found files in it", "another -o", commands=PIXELS)


def test_a_file_in_the_way(folder):
    (folder.parent / "out").write_text("mine")
    assert_refused(folder, "out: found a file; expected a folder", commands=PIXELS)


@pytest.mark.parametrize("place", ["c", "c/results", "c/frames/out", ".", "./c/../c"])
@pytest.mark.parametrize("update", [(), ("--update",)])
def test_results_do_not_go_into_the_campaign(folder, place, update):
    before = snapshot(folder.parent)
    done = command("reduce", folder, "-o", place, "--jobs", 1, *update)
    assert done.exit_code == 1
    assert "found a place inside the campaign folder" in done.stderr
    assert "choose another -o" in done.stderr
    assert snapshot(folder.parent) == before


def test_a_place_below_a_file(folder):
    (folder.parent / "file").write_text("")
    before = snapshot(folder.parent)
    done = command("reduce", folder, "-o", "file/out", "--jobs", 1)
    assert done.exit_code == 1
    assert "file/out.partial: found Not a directory" in done.stderr
    assert "check permissions and free space" in done.stderr
    assert snapshot(folder.parent) == before


def test_a_place_without_permission(folder, monkeypatch):
    """Root may write anywhere, so the refusal is that of the system call."""

    def refuse(path, *_, **__):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))

    before = snapshot(folder.parent)
    monkeypatch.setattr("pathlib.Path.mkdir", refuse)
    done = command("reduce", folder, *COMMANDS["reduce"])
    assert done.exit_code == 1
    assert "out.partial: found Permission denied" in done.stderr
    assert "check permissions" in done.stderr
    assert snapshot(folder.parent) == before


@pytest.mark.parametrize("at", ["net_ti.fits", "ti.json", "results.ecsv"])
def test_a_full_disk(folder, monkeypatch, at):
    before = snapshot(folder)
    with monkeypatch.context() as patch:
        stop_writing(patch, at)
        done = command("reduce", folder, *COMMANDS["reduce"])
    assert done.exit_code == 1
    assert re.search(f"error: .*{at}: found No space left on device", done.stderr)
    assert "check free space" in done.stderr
    assert snapshot(folder) == before
    assert not (folder.parent / "out").exists()
    assert not list(folder.parent.rglob(".writing-*"))
    assert command("reduce", folder, *COMMANDS["reduce"]).exit_code == 0


def test_two_runs_at_once(folder):
    program = (
        "import sys; from pathlib import Path\n"
        "from beamreduce.reduction.output_folder import open_output\n"
        "with open_output(Path(sys.argv[1]), update=False):\n"
        "    print(flush=True); sys.stdin.read()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, folder.parent / "out"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as other:
        other.stdout.readline()
        assert_refused(
            folder,
            rf"out.partial: found a run at work on it \(process {other.pid} on ",
            "wait for it to end or choose another -o",
            commands=PIXELS,
        )
        other.stdin.close()
