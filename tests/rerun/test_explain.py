"""A number is followed back to the frames that it was made from."""

import hashlib
import json
import re

import pytest

from beamreduce.errors import ResultsError
from beamreduce.rerun import explain_text, read_story
from tests.reduction.runs import command


def test_a_measured_number_comes_from_its_frames_and_their_masters(kept):
    story = read_story(kept / "out ü")
    sources = story.sources_of("results/ti/hpd_measured_arcsec")
    frames = {one.path: one.role for one in sources if one.role != "table"}
    assert frames == {
        "frames/ti-1.fits": "beam",
        "frames/ti-2.fits": "beam",
        "frames/off-1.fits": "background",
        "frames/off-2.fits": "background",
        "frames/bias-1.fits": "bias",
        "frames/bias-2.fits": "bias",
        "frames/dark-1.fits": "dark",
        "frames/dark-2.fits": "dark",
    }
    for one in sources:
        bytes_of = (kept / "c é" / one.path).read_bytes()
        if one.by_lines:
            bytes_of = b"\n".join(sorted(bytes_of.splitlines()))
        assert one.sha256 == hashlib.sha256(bytes_of).hexdigest()


def test_an_area_comes_from_the_direct_beam_too(kept):
    story = read_story(kept / "out ü")
    frames = [s.path for s in story.sources_of("results/ti/effective_area_measured_cm2")]
    assert "frames/open-1.fits" in frames


def test_steps_lead_from_the_number_to_the_frames(kept):
    steps = read_story(kept / "out ü").steps_to("results/ti/hpd_measured_arcsec")
    assert [step.name for step in steps] == [
        "encircled-energy/ti",
        "background-and-center/ti",
        "read-campaign",
        "calibrate-image/ti",
        "calibrate-background-image/ti",
    ]


def test_the_command_tells_number_steps_and_checksums(kept):
    result = command(
        "explain", kept / "out ü", "--id", "ti", "--value", "hpd_measured_arcsec"
    )
    assert result.exit_code == 0
    stored = json.loads((kept / "out ü" / "results.json").read_text())
    hpd = stored["measurements"][0]["hpd_measured_arcsec"]
    first, *rest = result.stdout.splitlines()
    assert first.startswith(f"hpd_measured_arcsec of ti = {hpd['value']:.6g} ± ")
    text = "\n".join(rest)
    assert "1. encircled-energy/ti  →  results/ti/hpd_measured_arcsec" in text
    digest = hashlib.sha256((kept / "c é/frames/ti-1.fits").read_bytes()).hexdigest()
    assert f"  {digest}  frames/ti-1.fits  (beam)" in text
    assert "astropy" in text


def test_a_null_number_says_why(kept):
    text = explain_text(kept / "out ü", "hpd_infinity_arcsec", "ti")
    assert text.startswith("hpd_infinity_arcsec of ti is null: ")
    assert "frames/ti-1.fits" in text


def test_a_file_without_an_id(kept):
    assert "frames/ti-2.fits" in explain_text(kept / "out ü", "report.html")


@pytest.mark.parametrize(
    ("identity", "value", "words"),
    [
        ("ti", "hpd_measured_arcse", "did you mean 'hpd_measured_arcsec'?"),
        ("ta", "hpd_measured_arcsec", "there are ti"),
        (None, "result.json", "did you mean 'results.json'?"),
    ],
)
def test_a_name_that_is_not_there(kept, identity, value, words):
    with pytest.raises(ResultsError, match=re.escape(words)):
        explain_text(kept / "out ü", value, identity)


@pytest.mark.parametrize("content", [None, "{", "[]", '{"entity": {}}'])
def test_provenance_that_is_missing_or_damaged(archive, content):
    path = archive / "provenance.json"
    path.unlink() if content is None else path.write_text(content)
    result = command("explain", archive, "--value", "report.html")
    assert result.exit_code == 1
    assert "provenance.json: found" in result.stderr


def test_a_folder_that_is_not_there(tmp_path):
    result = command("explain", tmp_path / "none", "--value", "report.html")
    assert result.exit_code == 1
    assert "found no folder" in result.stderr
