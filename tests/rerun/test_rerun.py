"""An archived run is done again: what comes back, and what does not is named."""

import json
import os
import re
import shutil
import sys

import numpy as np
import pytest
from astropy.io import fits

from beamreduce.campaign.decisions import add_decision
from beamreduce.errors import OutputError, ResultsError
from beamreduce.reduction.output_folder import open_output
from beamreduce.rerun import RerunOptions, fresh, rerun_archive, rerun_text
from tests.folders import default_rows, row, write_campaign
from tests.reduction.runs import QUICK, command, numbers, reduced, snapshot


def again(archive, **how):
    return rerun_archive(archive, options=RerunOptions(**how))


def states(done):
    return {s.source.path: s.state for s in done.inputs if s.state != "unchanged"}


def differing(done):
    return {one.item for one in done.findings if not one.comes_back}


def test_everything_comes_back_and_nothing_is_written(place, archive):
    before = snapshot(place)
    result = command("rerun", archive, "--jobs", 1)
    assert result.exit_code == 0, result.stdout
    assert "verdict: everything comes back" in result.stdout
    after = snapshot(place)
    made = {name for name in after if not name.startswith("out ü.rerun")}
    assert {name: after[name][0] for name in made} == {k: v[0] for k, v in before.items()}
    stored = json.loads((place / "out ü.rerun" / "rerun.json").read_text())
    assert stored["comes_back"] is True
    assert stored["counts"]["differs"] == 0
    report = (place / "out ü.rerun" / "report.html").read_text(encoding="utf-8")
    assert "everything comes back" in report
    assert re.search(r'(src|href)="(https?:)?//', report) is None


def test_one_flipped_bit_is_caught_and_named(here, archive, campaign, tmp_path):
    path = campaign / "frames" / "ti-1.fits"
    content = bytearray(path.read_bytes())
    content[2880 + 2 * (64 * 31 + 31)] ^= 0b1000
    path.write_bytes(content)
    done = again(archive, output=tmp_path / "again")
    assert states(done) == {"frames/ti-1.fits": "changed"}
    # The frame carries checksums of its own, which hold no more.
    assert "frames/ti-1.fits" in done.fault
    assert "DATASUM" in done.fault
    assert not done.comes_back


def test_one_changed_pixel_is_traced_to_its_numbers(here, archive, campaign, tmp_path):
    path = campaign / "frames" / "ti-1.fits"
    data = fits.getdata(path)
    data[31, 31] += 1000  # adu, some two photons more
    fits.writeto(path, data, overwrite=True, checksum=True)
    done = again(archive, output=tmp_path / "again")
    assert states(done) == {"frames/ti-1.fits": "changed"}
    assert not done.comes_back
    assert "ti/hpd_measured_arcsec" in differing(done)
    (one,) = [d for d in done.divergences if d.item == "results.json: ti/net_photons"]
    assert one.because == ("frames/ti-1.fits",)
    assert one.step == "background-and-center/ti"
    moved = next(f for f in done.findings if f.item == "ti/net_photons")
    assert 0 < moved.sigmas < 1
    text = rerun_text(done)
    assert "input frames/ti-1.fits: changed" in text
    assert "depends on frames/ti-1.fits" in text


def test_a_changed_header_is_told_from_changed_pixels(here, archive, campaign, tmp_path):
    path = campaign / "frames" / "ti-1.fits"
    data = fits.getdata(path)
    header = fits.getheader(path)
    header["OBSERVER"] = "A. Shift"
    fits.writeto(path, data, header, overwrite=True, checksum=True)
    done = again(archive, output=tmp_path / "again")
    assert states(done) == {"frames/ti-1.fits": "changed in its header only"}
    assert all(one.comes_back for one in done.findings)
    assert not done.comes_back  # the input is not the archived one


def test_inputs_that_have_moved(here, place, archive, campaign, tmp_path):
    moved = tmp_path / "elsewhere" / "ä b"
    moved.parent.mkdir()
    shutil.move(campaign, moved)
    with pytest.raises(ResultsError, match=r"found no folder of inputs.*--inputs"):
        again(archive)
    (moved / "frames" / "more.fits").write_bytes(b"not used")
    done = again(archive, inputs=moved)
    assert done.comes_back
    assert done.unknown == ("frames/more.fits",)
    assert done.folder == place / "out ü.rerun"


def test_a_partial_rerun_says_so(here, archive, campaign, tmp_path):
    (campaign / "frames" / "open-1.fits").unlink()
    done = again(archive, output=tmp_path / "again")
    assert done.partial
    assert states(done) == {"frames/open-1.fits": "missing"}
    assert not done.comes_back
    lost = "results.json: ti/effective_area_within_reference_measured_cm2"
    assert done.left_out[lost] == "frames/open-1.fits"
    compared = {one.item: one for one in done.findings}
    assert compared["ti/hpd_measured_arcsec"].state == "identical"
    assert differing(done) == set()
    assert "a partial rerun" in done.verdict


def test_a_partial_rerun_keeps_the_radius_that_all_frames_gave(here, tmp_path):
    # Without a set value it is the largest circle about every center; the image of the
    # second line, moved, lies nearer to the edge.
    rows = [*default_rows(), row("al-1", "beam", group="al", energy=1.487)]
    folder = write_campaign(tmp_path / "c", setup=QUICK, rows=rows)
    moved = folder / "frames" / "al-1.fits"
    with fits.open(moved, mode="update", checksum=True) as file:
        file[0].data = np.roll(file[0].data, 5, axis=1)
        file[0].add_checksum()
    reduced(folder, tmp_path / "out")
    before = numbers(tmp_path / "out")["ti"]
    moved.unlink()
    done = again(tmp_path / "out", output=tmp_path / "again")
    assert done.partial
    now = numbers(tmp_path / "again" / "results")["ti"]
    assert now["reference_radius_mm"] == before["reference_radius_mm"]
    assert now["hpd_measured_mm"] == before["hpd_measured_mm"]
    found_again = reduced(folder, tmp_path / "anew", decisions=_without(tmp_path, "al-1"))
    (alone,) = found_again.measurements
    assert alone["reference_radius_mm"] > before["reference_radius_mm"]


def _without(folder, exposure):
    """Write the decision to leave an exposure out."""
    path = folder / "decisions.ecsv"
    add_decision(path, (exposure, "exclude", ""), person="A", reason="not there")
    return path


def test_without_the_only_measurement_nothing_can_be_run(here, archive, campaign, tmp_path):
    for name in ("ti-1", "ti-2"):
        (campaign / "frames" / f"{name}.fits").unlink()
    done = again(archive, output=tmp_path / "again")
    assert "found no beam row" in done.fault
    assert done.verdict.startswith("the run could not be done again: ")


def test_without_its_tables_nothing_can_be_run(here, archive, campaign):
    (campaign / "campaign.toml").unlink()
    result = command("rerun", archive)
    assert result.exit_code == 1
    assert "campaign.toml: found it missing" in result.stderr


def test_an_unreadable_frame_is_left_out_and_named(here, archive, campaign, tmp_path):
    path = campaign / "frames" / "open-1.fits"
    path.write_bytes(path.read_bytes()[:3000])
    done = again(archive, output=tmp_path / "again")
    assert states(done) == {"frames/open-1.fits": "unreadable"}
    assert not done.comes_back


def test_edited_results_are_found_twice(here, archive, tmp_path):
    path = archive / "results.json"
    stored = json.loads(path.read_text())
    stored["measurements"][0]["hpd_measured_arcsec"]["value"] *= 0.9
    path.write_text(json.dumps(stored))
    done = again(archive, output=tmp_path / "again")
    assert done.damage == ("results.json: changed since the archive was made",)
    assert differing(done) == {"ti/hpd_measured_arcsec"}
    (one,) = done.divergences
    assert "no input of it has changed" in one.sentence


def test_an_archive_half_deleted(here, archive, tmp_path):
    for name in ("results.json", "eef_ti.ecsv", "net_ti.fits", "report.html"):
        (archive / name).unlink()
    done = again(archive, output=tmp_path / "again")
    assert "eef_ti.ecsv: missing from the archive" in done.damage
    made = {one.file for one in done.findings if one.state == "not in the archive"}
    assert made == {"results.json", "eef_ti.ecsv", "net_ti.fits", "report.html"}
    assert not done.comes_back


@pytest.mark.parametrize("name", ["settings.toml", "provenance.json"])
def test_what_an_archive_cannot_do_without(here, archive, name):
    (archive / name).unlink()
    result = command("rerun", archive)
    assert result.exit_code == 1
    assert f"{name}: found No such file or directory" in result.stderr


def test_a_command_that_is_not_known(here, archive):
    path = archive / "settings.toml"
    path.write_text(path.read_text().replace('"reduce"', '"stretch"', 1))
    with pytest.raises(ResultsError, match="found command = 'stretch'; expected one of"):
        again(archive)


def test_another_version_is_named(here, archive, tmp_path):
    path = archive / "versions.txt"
    path.write_text(re.sub(r"numpy==\S+", "numpy==1.0", path.read_text()))
    done = again(archive, output=tmp_path / "again")
    assert ("numpy", "1.0", np.__version__) in done.versions


def test_versions_that_cannot_be_installed(archive, tmp_path, monkeypatch):
    def refuse(step, **_):
        pip = "pip" in step
        message = "ERROR: No matching distribution found for numpy==1.0\n" if pip else ""
        return fresh.subprocess.CompletedProcess(step, int(pip), "", message)

    monkeypatch.setattr(fresh.subprocess, "run", refuse)
    with pytest.raises(
        ResultsError, match=r"No matching distribution found for numpy==1\.0"
    ):
        again(archive, output=tmp_path / "again", fresh_environment=True)


def test_a_process_that_is_killed(archive, tmp_path, monkeypatch):
    real = fresh.subprocess.Popen

    def dying(step, **how):
        kill = "import os, signal; os.kill(os.getpid(), signal.SIGKILL)"
        return real([sys.executable, "-c", kill], **how)

    monkeypatch.setattr(fresh.subprocess, "Popen", dying)
    done = again(archive, output=tmp_path / "again")
    assert "ended from outside (SIGKILL)" in done.fault
    assert not done.comes_back


def test_places_that_would_write_into_the_archive_are_refused(here, archive, campaign):
    places = {archive / "again": "archive", archive: "archive", campaign / "a": "inputs"}
    for inside, name in places.items():
        with pytest.raises(OutputError, match=f"inside the {name}"):
            again(archive, output=inside)


def test_a_read_only_archive(here, place, archive, tmp_path):
    for path in (*archive.rglob("*"), archive, place):
        path.chmod(0o555 if path.is_dir() else 0o444)
    try:
        assert again(archive, output=tmp_path / "again").comes_back
        if os.access(place, os.W_OK):
            return  # root may write anywhere
        with pytest.raises(OutputError, match="choose another -o"):
            again(archive)
    finally:
        place.chmod(0o755)
        archive.chmod(0o755)


def test_two_reruns_at_once(here, archive, tmp_path):
    with (
        open_output(tmp_path / "again", update=True),
        pytest.raises(OutputError, match="found a run at work on it"),
    ):
        again(archive, output=tmp_path / "again")


def test_clocks_mean_nothing(here, archive, campaign, tmp_path):
    for path in (*campaign.rglob("*"), *archive.rglob("*")):
        os.utime(path, (4e9, 4e9))  # in the year 2096
    assert again(archive, output=tmp_path / "again").comes_back
