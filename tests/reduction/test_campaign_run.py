import errno
import os
import pickle
import shutil

import numpy as np
import pytest
from astropy.io import fits

from beamreduce.errors import BeamreduceError, MeasurementError, OutputError
from beamreduce.record import atomic
from beamreduce.reduction import campaign_run
from tests.folders import SHAPE, changed, default_rows, row, write_campaign, write_rows
from tests.reduction.conftest import ROWS
from tests.reduction.runs import (
    QUICK,
    contents,
    numbers,
    reduced,
    setup_with,
    snapshot,
)
from tests.reduction.schema import check_results


@pytest.fixture
def own(campaign, tmp_path):
    """A copy of the campaign that a test may change."""
    return shutil.copytree(campaign, tmp_path / "c")


@pytest.fixture
def done(results, tmp_path):
    """A copy of the results, beside the copy of the campaign."""
    return shutil.copytree(results, tmp_path / "out")


def shifted(path, dx, dy):
    """Move the image in a frame by whole pixels."""
    with fits.open(path, mode="update") as content:
        content[0].data = np.roll(content[0].data, (dy, dx), axis=(0, 1))
        content[0].add_checksum()


def test_the_campaign_is_not_touched(campaign, tmp_path):
    before = snapshot(campaign.parent)
    reduced(campaign, tmp_path / "out")
    assert snapshot(campaign.parent) == before


def test_the_order_of_rows_does_not_change_a_byte(own, results, tmp_path):
    table = own / "exposures.ecsv"
    lines = table.read_text("utf-8").splitlines()
    head, rows = lines[: -len(ROWS)], lines[-len(ROWS) :]
    order = np.random.default_rng(7).permutation(len(rows))
    table.write_text("\n".join([*head, *(rows[i] for i in order)]) + "\n", "utf-8")
    reduced(own, tmp_path / "out")
    there = {**contents(results), "settings.toml": b""}
    assert {**contents(tmp_path / "out"), "settings.toml": b""} == there


def test_the_order_of_columns_changes_the_record_of_the_table_alone(own, results, tmp_path):
    """Another text of the table is another input, though it says the same."""
    write_rows(own, ROWS[::-1])
    reduced(own, tmp_path / "out")
    there = {**contents(results), "settings.toml": b"", "provenance.json": b""}
    found = {**contents(tmp_path / "out"), "settings.toml": b"", "provenance.json": b""}
    assert found == there


def test_the_number_of_processes_does_not_change_a_byte(own, results, tmp_path):
    reduced(own, tmp_path / "out", jobs=2)
    found, wanted = contents(tmp_path / "out"), contents(results)
    assert found.pop("settings.toml").count(b'campaign_folder = "../c"') == 1
    wanted.pop("settings.toml")  # the campaign lies elsewhere as seen from there
    assert found == wanted


def test_an_interrupted_run_goes_on_where_it_was(own, results, tmp_path, monkeypatch):
    """It is stopped after the first of three measurements."""

    def stop(what, done, total):
        if (what, done) == ("measurements", 1):
            assert total == 3
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        campaign_run.reduce_campaign(
            own,
            tmp_path / "out",
            options=campaign_run.RunOptions(figures=False),
            progress=stop,
        )
    assert not (tmp_path / "out").exists()
    partial = tmp_path / "out.partial"
    kept = (partial / "net_al.fits").stat().st_mtime_ns

    def never(*_):
        raise AssertionError("centers are known from the first run")

    monkeypatch.setattr(campaign_run, "locate", never)
    run = reduced(own, tmp_path / "out")
    assert run.reused == ()  # nothing was folded yet
    assert not partial.exists()
    assert (tmp_path / "out" / "net_al.fits").stat().st_mtime_ns == kept
    found, wanted = contents(tmp_path / "out"), contents(results)
    del found["settings.toml"], wanted["settings.toml"]
    assert found == wanted


@pytest.mark.parametrize("damage", ["{", "[1, 2]"])
def test_damaged_notes_of_a_broken_run_are_done_again(own, results, tmp_path, damage):
    notes = tmp_path / "out.partial" / ".done"
    notes.mkdir(parents=True)
    for name in ("al", "q1", "ti", "al+center", "q1+center", "ti+center"):
        (notes / f"{name}.json").write_text(damage)
    run = reduced(own, tmp_path / "out")
    assert run.reused == ()
    assert contents(run.folder)["results.json"] == contents(results)["results.json"]


def test_files_of_a_broken_run_of_another_campaign_do_not_stay(own, results, tmp_path):
    partial = tmp_path / "out.partial"
    partial.mkdir()
    for name in ("net_gone.fits", "eef_gone.ecsv", "image_gone.png", "growth_ti.svg"):
        (partial / name).write_text("old")
    reduced(own, tmp_path / "out")
    assert set(contents(tmp_path / "out")) == set(contents(results))


def test_an_update_without_change_does_nothing(own, done, tmp_path):
    reduced(own, done, update=True)  # settings.toml names another place
    before = snapshot(done)
    run = reduced(own, done, update=True)
    assert run.reused == ("al", "q1", "ti")
    assert run.before is None
    assert snapshot(done) == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["c", "out", "out.before-1"]


@pytest.fixture
def measured(monkeypatch):
    """Ids of what is measured, as it happens, in runs of one process."""
    ids, whole = [], campaign_run.measure

    def measure(request, masters, directs):
        ids.append(request.inputs.id)
        return whole(request, masters)

    monkeypatch.setattr(campaign_run, "measure", measure)
    return ids


@pytest.mark.parametrize(
    ("frame", "redone"),
    [
        ("ti-2", {"ti"}),
        ("open-1", {"ti", "q1"}),  # a direct frame of their energy
        ("dark-1", {"al", "q1", "ti"}),
    ],
)
def test_an_update_redoes_what_depends_on_a_changed_frame(
    own, done, measured, tmp_path, frame, redone
):
    """The reference radius is fixed: otherwise it could move and change all.

    What is of one configuration, al and ti, is folded again together.
    """
    text = (own / "campaign.toml").read_text() + '\nreference_radius = "0.5 mm"\n'
    (own / "campaign.toml").write_text(text)
    first = reduced(own, done, update=True)
    path = own / "frames" / f"{frame}.fits"
    with fits.open(path, mode="update") as content:
        content[0].data[5, 5] += 40
        content[0].add_checksum()
    measured.clear()
    run = reduced(own, done, update=True)
    assert set(measured) == redone
    assert set(run.reused) == ({"al", "ti"} if "ti" not in redone else {"q1"} - redone)
    assert run.before == tmp_path / "out.before-2"
    assert first.before == tmp_path / "out.before-1"
    old, new = contents(run.before), contents(run.folder)
    for name in ("al", "q1", "ti"):
        same = old[f"net_{name}.fits"] == new[f"net_{name}.fits"]
        # A direct frame does not enter the net image.
        assert same == (name not in redone or frame == "open-1")
    fresh = reduced(own, tmp_path / "fresh")
    found, wanted = contents(run.folder), contents(fresh.folder)
    assert found == wanted


def test_masters_of_an_earlier_run_are_not_used_again(tmp_path):
    """In one process, as in a notebook: bias frames are replaced between two runs."""
    folder = write_campaign(tmp_path / "c", setup=QUICK)
    reduced(folder, tmp_path / "before")
    for name in ("bias-1", "bias-2"):
        path = folder / "frames" / f"{name}.fits"
        data = fits.getdata(path)
        data[20:30, 20:30] += 300  # half a photon a pixel
        fits.writeto(path, data, overwrite=True)
    reduced(folder, tmp_path / "after")
    before, after = numbers(tmp_path / "before")["ti"], numbers(tmp_path / "after")["ti"]
    # Taken off the beam and the beam-off frames alike, but scaled by the dark's time too:
    # what matters is that the net image is another one.
    images = [fits.getdata(tmp_path / name / "net_ti.fits") for name in ("before", "after")]
    assert before["inputs"] != after["inputs"]
    assert np.abs(images[0] - images[1])[20:30, 20:30].mean() > 1e-3


@pytest.mark.parametrize(
    "lost", ["eef_ti.ecsv", "net_ti.fits", "rings_ti.fits", "measured_ti.json"]
)
def test_lost_files_are_made_again(own, done, results, measured, lost):
    (done / lost).unlink()
    run = reduced(own, done, update=True)
    assert measured == ["ti"]
    assert run.reused == ("q1",)
    assert contents(done)[lost] == contents(results)[lost]


@pytest.mark.parametrize("damage", ["{", '{"measurements": [3, {"id": "ti"}]}'])
def test_damaged_results_are_made_again(own, done, results, damage):
    (done / "results.json").write_text(damage)
    run = reduced(own, done, update=True)
    assert run.reused == ()
    assert (run.before / "results.json").read_text() == damage
    assert contents(done)["results.json"] == contents(results)["results.json"]


def test_figures_that_were_not_drawn_before_are_drawn(own, done, monkeypatch):
    drawn = []

    def draw(folder, measured):
        drawn.append(measured.measurement.id)
        for kind in ("png", "svg"):
            (folder / f"image_{measured.measurement.id}.{kind}").write_text("drawn")

    monkeypatch.setattr("beamreduce.reduction.draw.draw_measurement", draw)
    options = campaign_run.RunOptions(update=True)
    campaign_run.reduce_campaign(own, done, options=options)
    assert drawn == ["al", "q1", "ti"]
    run = campaign_run.reduce_campaign(own, done, options=options)
    assert run.reused == ("al", "q1", "ti")
    assert len(drawn) == 3


@pytest.mark.parametrize("at", ["eef_q1.ecsv", "q1.json"])
def test_a_full_disk_leaves_nothing_half_written(own, tmp_path, measured, monkeypatch, at):
    """The write of one file fails half-way; what was finished before is kept."""
    before = snapshot(own)
    refusal = f"{at}: found No space left on device.*free space"
    with monkeypatch.context() as disk:
        stop_writing(disk, at)
        with pytest.raises(OutputError, match=refusal):
            reduced(own, tmp_path / "out")
    measured.clear()
    assert not (tmp_path / "out").exists()
    names = {p.name for p in (tmp_path / "out.partial").rglob("*")}
    assert at not in names
    assert not any(name.startswith(".writing") for name in names)
    assert snapshot(own) == before
    run = reduced(own, tmp_path / "out")
    assert measured == (["q1", "ti"] if at == "eef_q1.ecsv" else [])
    assert set(check_results(run.folder)) == {"al", "q1", "ti"}


def stop_writing(monkeypatch, at):
    """Let the disk be full when a file of that name is half written."""
    whole = atomic.write_whole

    def write_whole(path, write):
        def half(temporary):
            temporary.write_bytes(b"half")
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        whole(path, half if path.name == at else write)

    for place in (
        "beamreduce.record.atomic.write_whole",
        "beamreduce.reduction.products.write_whole",
        "beamreduce.reduction.results_files.write_whole",
    ):
        monkeypatch.setattr(place, write_whole)


def test_names_may_be_long_and_have_dots(tmp_path):
    """Also such as look like files of another measurement."""
    names = ["m", "m.center", "m.json", "..", "n" * 64]
    rows = [*default_rows()[2:], *(row(name, "beam") for name in names)]
    for cells in rows:
        if cells["exposure"] == "..":
            cells["file"] = "frames/dots.fits"
    folder = write_campaign(tmp_path / "c", setup=QUICK, rows=rows)
    run = reduced(folder, tmp_path / "out")
    assert set(check_results(run.folder)) == set(names)
    for name in names:
        assert fits.getval(run.folder / f"net_{name}.fits", "MEASID") == name
        assert (run.folder / f"eef_{name}.ecsv").is_file()
    again = reduced(folder, tmp_path / "out", update=True)
    assert set(again.reused) == set(names)


def test_the_default_reference_radius_is_one_for_all(tmp_path):
    """The largest circle about every center, in micrometres rounded down."""
    rows = [*default_rows(), row("al", "beam", energy=1.487)]
    folder = write_campaign(tmp_path / "c", setup=QUICK, rows=rows)
    shifted(folder / "frames/al.fits", -6, 3)
    found = check_results(reduced(folder, tmp_path / "out").folder)
    ny, nx = SHAPE
    largest = []
    for m in found.values():
        x, y = m["center_pixel"]
        largest.append(0.02 * min(x + 0.5, nx - 0.5 - x, y + 0.5, ny - 0.5 - y))
    radii = {m["reference_radius_mm"] for m in found.values()}
    assert len(radii) == 1
    (radius,) = radii
    assert radius * 1000 == pytest.approx(round(radius * 1000), abs=1e-6)
    # The rule centers once more with the circle known; that moves little.
    assert min(largest) - 0.002 < radius <= min(largest) + 1e-9
    assert np.argmin(largest) == list(found).index("al")


def test_a_given_reference_radius_is_used_as_it_is(own, tmp_path):
    text = (own / "campaign.toml").read_text() + '\nreference_radius = "0.0005123 m"\n'
    (own / "campaign.toml").write_text(text)
    for m in check_results(reduced(own, tmp_path / "out").folder).values():
        assert m["reference_radius_mm"] == pytest.approx(0.5123, rel=1e-12)


def test_warnings_of_the_campaign_are_handed_on(tmp_path):
    setup = QUICK.replace("bootstrap_replicates", "bootstrap_replicate")
    folder = write_campaign(tmp_path / "c", setup=setup)
    monitor = [str(w) for w in reduced(folder, tmp_path / "out").warnings]
    assert len(monitor) == 1
    assert "reduction.bootstrap_replicate: found an unknown key" in monitor[0]
    assert "did you mean 'bootstrap_replicates'?" in monitor[0]


def test_one_measurement_that_fails_names_itself(tmp_path):
    """The shutter was closed: the beam frame shows what the beam-off frames show."""
    rows = [*default_rows(), row("shut", "background")]
    folder = write_campaign(tmp_path / "c", setup=QUICK, rows=rows)
    rows = [*default_rows(), row("shut", "beam")]
    write_rows(folder, rows)
    with pytest.raises(
        MeasurementError, match=r"^measurement shut \(frames/shut.fits\): the net"
    ):
        reduced(folder, tmp_path / "out")
    write_rows(folder, changed(rows, "shut", file="frames/ti-1.fits"))
    assert reduced(folder, tmp_path / "out").measurements[0]["id"] == "shut"


@pytest.mark.parametrize("kind", BeamreduceError.__subclasses__())
def test_an_error_from_another_process_is_the_same_error(kind):
    error = pickle.loads(pickle.dumps(kind("frames/a.fits: found nothing")))
    assert type(error) is kind
    assert str(error) == "frames/a.fits: found nothing"


def test_background_may_differ_from_row_to_row(tmp_path):
    """Beam-off frames for one energy only: the other measurement takes its wing."""
    rows = changed(default_rows(), "off-1", energy=4.511)
    rows = changed(rows, "off-2", energy=4.511)
    rows.append(row("al", "beam", energy=1.487))
    folder = write_campaign(tmp_path / "c", setup=setup_with(), rows=rows)
    found = check_results(reduced(folder, tmp_path / "out").folder)
    used = {name: m["conventions"]["background"] for name, m in found.items()}
    assert used == {"ti": "exposure", "al": "wings"}
