import hashlib

import numpy as np
import pytest
from astropy.io import fits

from beamreduce.campaign import inspect_campaign
from beamreduce.campaign.inspect_text import names_in_short
from tests.folders import SETUP, changed, default_rows, row, write_campaign


def test_a_sound_campaign_has_no_problems(tmp_path):
    found = inspect_campaign(write_campaign(tmp_path))
    assert found.problems == ()
    assert found.usable
    assert found.frames == 9
    assert found.name == "small"


def test_checksums_are_those_of_the_bytes(tmp_path):
    folder = write_campaign(tmp_path)
    found = inspect_campaign(folder).checksums
    assert len(found) == 9
    for file, digest in found.items():
        assert digest == hashlib.sha256((folder / file).read_bytes()).hexdigest()


def test_rows_tell_which_frame_does_what(tmp_path):
    uses = inspect_campaign(write_campaign(tmp_path)).uses
    roles = {(use.role, use.exposure) for use in uses}
    assert roles == {
        ("beam", "ti-1"),
        ("beam", "ti-2"),
        ("background", "off-1"),
        ("background", "off-2"),
        ("direct", "open-1"),
        ("direct background", "off-1"),
        ("direct background", "off-2"),
        ("bias", "bias-1"),
        ("bias", "bias-2"),
        ("dark", "dark-1"),
        ("dark", "dark-2"),
    }
    assert {use.measurement for use in uses} == {"ti"}
    assert {use.file for use in uses if use.exposure == "ti-1"} == {"frames/ti-1.fits"}


def test_the_table_is_aligned_text(tmp_path):
    rows = [*default_rows(), row("al", "beam", energy=1.487, off_axis=2.0, azimuth=90.0)]
    lines = inspect_campaign(write_campaign(tmp_path, rows=rows)).as_text().splitlines()
    header = next(line for line in lines if line.startswith("measurement"))
    at = lines.index(header)
    start = header.index("beam")
    assert lines[at + 1].startswith("al")
    assert lines[at + 1][start:].startswith("al")
    assert "2' at 90°" in lines[at + 1]
    assert lines[at + 2][start:].startswith("ti-1 ti-2")
    assert lines[-1] == "2 measurements, 10 usable frames, 0 errors, 1 warning"


def test_every_problem_is_told_at_once(tmp_path):
    """A broken setting, a broken cell and five broken frames: seven problems, no more."""
    setup = SETUP.replace('"5.2 m"', '"5.2 s"')
    rows = changed(default_rows(), "open-1", energy=-1.0)
    folder = write_campaign(tmp_path, setup=setup, rows=rows)
    frames = folder / "frames"
    (frames / "ti-1.fits").write_bytes((frames / "ti-1.fits").read_bytes()[:5000])
    (frames / "ti-2.fits").write_bytes(b"")
    (frames / "off-1.fits").write_bytes(b"GIF89a")
    (frames / "off-2.fits").unlink()
    fits.writeto(frames / "dark-1.fits", np.zeros((2, 8, 8)), overwrite=True)
    found = inspect_campaign(folder)
    assert not found.usable
    text = found.as_text()
    for words in (
        "campaign.toml: mirror.focal_length",
        "row 3 (exposure open-1), column energy",
        "frames/ti-1.fits: found 5000 bytes",
        "frames/ti-2.fits: found an empty file",
        "frames/off-1.fits: found a file that is not FITS",
        "row 5 (exposure off-2), column file: found no such file",
        "frames/dark-1.fits: found an image of 3 dimensions",
    ):
        assert text.count(words) == 1
    assert len(found.errors) == 7


def test_a_broken_checksum_is_an_error(tmp_path):
    folder = write_campaign(tmp_path)
    path = folder / "frames" / "ti-1.fits"
    content = bytearray(path.read_bytes())
    content[-3000] ^= 1
    path.write_bytes(bytes(content))
    (problem,) = inspect_campaign(folder).errors
    assert problem.file == "frames/ti-1.fits"
    assert "DATASUM" in str(problem)


def test_frames_are_checked_though_the_settings_cannot_be_read(tmp_path):
    folder = write_campaign(tmp_path, setup="[campaign\n")
    (folder / "frames" / "ti-1.fits").write_bytes(b"")
    found = inspect_campaign(folder)
    assert {problem.file for problem in found.errors} == {
        "campaign.toml",
        "frames/ti-1.fits",
    }
    assert found.frames == 8
    assert "cannot be told" in found.as_text()


def test_the_settings_are_checked_though_there_is_no_table(tmp_path):
    folder = write_campaign(tmp_path, setup=SETUP.replace('"20 um"', "20"))
    (folder / "exposures.ecsv").unlink()
    found = inspect_campaign(folder)
    assert {problem.item for problem in found.errors} >= {"detector.pixel_size"}
    assert any(problem.file == "exposures.ecsv" for problem in found.errors)


def test_cards_fill_the_table_though_the_settings_are_broken(tmp_path):
    setup = SETUP.replace('"20 um"', "20") + '[cards]\nexposure_time = "EXPTIME"\n'
    rows = [
        {name: value for name, value in cells.items() if name != "exposure_time"}
        for cells in default_rows()[:1]
    ]
    folder = write_campaign(tmp_path, setup=setup, rows=rows, frames=False)
    image = fits.PrimaryHDU(np.zeros((4, 4), np.int16))
    image.header["EXPTIME"] = 3.0
    (folder / "frames").mkdir()
    image.writeto(folder / "frames" / "ti-1.fits")
    assert [p.item for p in inspect_campaign(folder).errors] == ["detector.pixel_size"]


def test_a_dark_that_is_missing_is_an_error(tmp_path):
    rows = [cells for cells in default_rows() if cells["kind"] not in ("bias", "dark")]
    (problem,) = inspect_campaign(write_campaign(tmp_path, rows=rows)).errors
    assert "no dark and no bias frames" in str(problem)


def test_a_dark_whose_row_is_broken_is_not_missed_a_second_time(tmp_path):
    rows = changed(default_rows(), "dark-1", exposure_time=-30.0)
    rows = [cells for cells in rows if cells["exposure"] != "dark-2"]
    (problem,) = inspect_campaign(write_campaign(tmp_path, rows=rows)).errors
    assert "(exposure dark-1), column exposure_time" in problem.item


def test_a_broken_beam_row_hides_no_other_problem(tmp_path):
    rows = [cells for cells in default_rows() if cells["kind"] not in ("bias", "dark")]
    rows = changed(rows, "ti-1", energy=-1.0)
    setup = SETUP.replace('"86 m"', '"5 m"')
    errors = inspect_campaign(write_campaign(tmp_path, setup=setup, rows=rows)).errors
    found = " ".join(str(problem) for problem in errors)
    assert "column energy" in found
    assert "no dark and no bias frames" in found
    assert "facility.source_distance" in found
    assert len(errors) == 3


def test_wrong_shape_in_a_group_is_an_error(tmp_path):
    folder = write_campaign(tmp_path)
    path = folder / "frames" / "ti-2.fits"
    fits.writeto(path, np.zeros((32, 64), np.uint16), overwrite=True)
    errors = [str(problem) for problem in inspect_campaign(folder).errors]
    assert any("frames/ti-2.fits: NAXIS1, NAXIS2: found 64 × 32" in e for e in errors)


def test_measurements_without_direct_beam_are_a_warning(tmp_path):
    rows = [cells for cells in default_rows() if cells["kind"] != "direct"]
    found = inspect_campaign(write_campaign(tmp_path, rows=rows))
    assert found.usable
    (problem,) = found.warnings
    assert problem.item == "measurement ti"
    assert "areas are null" in problem.found


def test_copies_of_a_frame_are_a_warning(tmp_path):
    folder = write_campaign(tmp_path)
    frames = folder / "frames"
    (frames / "ti-2.fits").write_bytes((frames / "ti-1.fits").read_bytes())
    found = inspect_campaign(folder)
    assert found.usable
    (problem,) = found.warnings
    assert "the same bytes as in frames/ti-1.fits" in problem.found


def test_a_row_that_serves_nothing_is_a_warning(tmp_path):
    rows = [*default_rows(), row("off-8", "background", energy=8.0)]
    found = inspect_campaign(write_campaign(tmp_path, rows=rows))
    (problem,) = found.warnings
    assert problem.item == "exposure off-8"


def test_a_raster_campaign_is_one_sentence(tmp_path):
    rows = changed(default_rows(), "ti-1", raster_x=1.0)
    folder = write_campaign(tmp_path, setup="[broken", rows=rows)
    (problem,) = inspect_campaign(folder).problems
    assert "pencil-beam raster" in str(problem)


def test_not_a_campaign_is_one_problem(tmp_path):
    found = inspect_campaign(tmp_path / "none")
    assert len(found.errors) == 1
    assert not found.usable


def test_progress_is_told_frame_by_frame(tmp_path):
    calls = []
    folder = write_campaign(tmp_path)
    inspect_campaign(folder, progress=lambda *call: calls.append(call))
    assert calls == [("frames", done, 9) for done in range(1, 10)]


@pytest.mark.parametrize(
    ("names", "text"),
    [
        ([], "–"),
        (["a", "b"], "a b"),
        (["one-of-a-long-name"], "one-of-a-long-name"),
        ([f"frame-{i:03d}" for i in range(200)], "frame-000…199 (200)"),
        (["first-of-two", "second-of-two"], "first-of-two…second-of-two (2)"),
    ],
)
def test_long_lists_of_names_are_shortened(names, text):
    assert names_in_short(names) == text


def test_adjusters_are_looked_through_with_the_rest(tmp_path):
    folder = write_campaign(tmp_path)
    names = "quadrant adjuster motion direction stage step travel_min travel_max"
    columns = [f"# - {{name: {name}, datatype: string}}\n" for name in names.split()]
    rows = (
        'Q1 x shift "0 deg" both "10" "-0.5 mm" "0.5 mm"\n'
        'Q9 y shove "0 deg" both "10 um" "-0.5 mm" "0.5 mm"\n'
    )
    (folder / "adjusters.ecsv").write_text(
        "# %ECSV 1.0\n# ---\n# datatype:\n" + "".join(columns) + names + "\n" + rows
    )
    found = inspect_campaign(folder)
    assert not found.usable
    assert {problem.file for problem in found.problems} == {"adjusters.ecsv"}
    text = found.as_text()
    for word in ("'Q9'", "Q1, Q2, Q3, Q4", "'shove'", "without a unit", "row 2"):
        assert word in text
    setup = folder / "campaign.toml"
    setup.write_text(setup.read_text().replace('"integrating"', '"sideways"'))
    files = {problem.file for problem in inspect_campaign(folder).errors}
    assert files == {"adjusters.ecsv", "campaign.toml"}


def _log(folder, *rows):
    names = "round action quadrant adjuster steps measurement"
    kinds = ("int64", "string", "string", "string", "int64", "string")
    columns = [
        f"# - {{name: {name}, datatype: {kind}}}\n"
        for name, kind in zip(names.split(), kinds, strict=True)
    ]
    (folder / "rounds.ecsv").write_text(
        "# %ECSV 1.0\n# ---\n# datatype:\n" + "".join(columns) + names + "\n"
        + "".join(f"{one}\n" for one in rows)
    )  # fmt: skip


def test_the_log_of_rounds_is_looked_through_too(tmp_path):
    rows = [
        {**one, "aperture": "Q1"} if one["kind"] == "beam" else one
        for one in default_rows()
    ]
    folder = write_campaign(tmp_path, rows=rows)
    _log(folder, '0 measured Q1 "" "" ti')
    assert not [p for p in inspect_campaign(folder).problems if p.file == "rounds.ecsv"]
    _log(folder, '0 measured Q1 "" "" ti', '2 done Q7 x 3 ""', '2 turned Q1 x 1 ""')
    found = inspect_campaign(folder)
    assert {problem.file for problem in found.errors} == {"rounds.ecsv"}
    text = found.as_text()
    for word in ("'Q7'", "'turned'", "measured, planned, done"):
        assert word in text
    # It names measurements: while those cannot be made out, nothing is said of it.
    setup = folder / "campaign.toml"
    setup.write_text(setup.read_text().replace('"integrating"', '"sideways"'))
    files = {problem.file for problem in inspect_campaign(folder).errors}
    assert files == {"campaign.toml"}
