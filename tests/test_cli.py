"""The command line: exit codes, one message on stderr, quiet, light to start."""

import io
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from beamreduce import cli
from beamreduce.errors import FrameError
from beamreduce.progress_bar import ProgressBar
from tests.folders import write_campaign
from tests.reduction.runs import QUICK, command, draw_nothing

COMMANDS = {"inspect", "quicklook", "plan", "reduce", "reflectors", "simulate", "demo"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return write_campaign(tmp_path_factory.mktemp("cli") / "c", setup=QUICK)


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("beamreduce.reduction.draw.draw_measurement", draw_nothing)


def raising(error):
    def run(*_, **__):
        raise error

    return run


@pytest.mark.parametrize("option", ["-h", "--help"])
def test_help_lists_the_commands(option):
    done = command(option)
    assert (done.exit_code, done.stderr) == (0, "")
    listed = re.findall(r"^  ([a-z]+)  +\S", done.stdout, re.MULTILINE)
    assert set(listed) >= COMMANDS
    assert "Trusted numbers" in done.stdout


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_explains_itself_and_can_be_quiet(name):
    done = command(name, "--help")
    assert done.exit_code == 0
    assert "--quiet" in done.stdout
    assert re.search(r"\n\n  [A-Z][^.]+\.\n\n", done.stdout)  # one sentence


def test_the_version_is_told():
    done = command("--version")
    assert done.exit_code == 0
    assert re.fullmatch(r".*\d+\.\d+\.\d+.*\n", done.stdout)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((), "Usage: .*COMMAND"),
        (("frobnicate",), "No such command 'frobnicate'"),
        (("reduce",), "Missing argument 'CAMPAIGN'"),
        (("reduce", "c"), "Missing option '-o'"),
        (("reduce", "c", "-o", "out", "--frob"), "No such option:? '?--frob"),
        (("reduce", "c", "-o", "out", "--jobs", "0"), "'--jobs'.*0 is not in the range"),
        (("reduce", "c", "-o", "out", "--jobs", "two"), "'--jobs'.*'two' is not a valid"),
        (("reduce", "c", "d", "-o", "out"), "unexpected extra argument"),
        (("plan", "c"), "Missing option '--hpd'"),
        (("plan", "c", "--hpd", "much"), "--hpd must be a precision"),
        (("simulate", "small"), "Missing option '-o'"),
    ],
)
def test_a_wrong_command_line_is_two(arguments, message):
    done = command(*arguments)
    assert done.exit_code == 2
    assert re.search(message, done.stderr)
    assert done.stdout == ""
    assert list(Path().iterdir()) == []


def test_wrong_data_are_one(monkeypatch):
    monkeypatch.setattr(
        "beamreduce.campaign.inspect_campaign",
        raising(FrameError("frames/a.fits: found nothing; expected FITS; copy it again")),
    )
    done = command("inspect", "c")
    assert (done.exit_code, done.stdout) == (1, "")
    assert done.stderr == (
        "error: frames/a.fits: found nothing; expected FITS; copy it again\n"
    )


def test_a_fault_is_three_and_has_a_log(monkeypatch, tmp_path):
    """One line; the traceback in a file that lies not where the user stands."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "logs"))
    (tmp_path / "logs").mkdir()
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    monkeypatch.setattr(
        "beamreduce.campaign.inspect_campaign", raising(ZeroDivisionError("a\nb"))
    )
    done = command("inspect", "c")
    assert (done.exit_code, done.stdout) == (3, "")
    assert done.stderr.count("\n") == 1
    found = re.fullmatch(
        r"fault in the program: ZeroDivisionError: a b; details in (.*\.log)\n", done.stderr
    )
    text = Path(found[1]).read_text()
    assert text.startswith("Traceback")
    assert "ZeroDivisionError" in text
    assert list((tmp_path / "here").iterdir()) == []
    assert [str(path) for path in (tmp_path / "logs").iterdir()] == [found[1]]


def test_a_fault_without_room_for_a_log_is_three(monkeypatch):
    monkeypatch.setattr("beamreduce.campaign.inspect_campaign", raising(ValueError("x")))
    monkeypatch.setattr("tempfile.NamedTemporaryFile", raising(OSError("disk full")))
    done = command("inspect", "c")
    assert done.exit_code == 3
    assert "could not be written anywhere" in done.stderr


def test_an_interruption_is_130(monkeypatch):
    monkeypatch.setattr(
        "beamreduce.campaign.inspect_campaign", raising(KeyboardInterrupt())
    )
    done = command("inspect", "c")
    assert done.exit_code == 130
    assert done.stderr.strip() == "interrupted; finished parts are kept"


def test_inspect(folder):
    done = command("inspect", folder)
    assert (done.exit_code, done.stderr) == (0, "")
    assert "1 measurement, 9 usable frames, 0 errors, 0 warnings" in done.stdout
    quiet = command("inspect", folder, "--quiet")
    assert (quiet.exit_code, quiet.stdout, quiet.stderr) == (0, "", "")


def test_reduce(folder):
    done = command("reduce", folder, "-o", "out", "--jobs", 1)
    assert (done.exit_code, done.stderr) == (0, "")
    table = done.stdout.splitlines()
    assert table[0].split()[:3] == ["measurement", "keV", "aperture"]
    assert re.match(r"ti +4\.511  plate +7\.\d\d ± 0\.\d\d +1\d\.\d\d ± 0\.\d\d ", table[1])
    assert table[2].startswith("  ti: not seen from infinity: the open azimuths")
    assert table[3] == f"results in {Path('out').resolve()}"
    again = command("reduce", folder, "-o", "out", "--update", "--jobs", 1, "--quiet")
    assert (again.exit_code, again.stdout, again.stderr) == (0, "", "")
    assert sorted(path.name for path in Path().iterdir()) == ["out"]


def test_update_says_where_earlier_results_are(folder):
    Path("out").mkdir()
    Path("out/old.txt").write_text("old")
    done = command("reduce", folder, "-o", "out", "--update", "--jobs", 1)
    assert done.exit_code == 0
    before = Path("out.before-1").resolve()
    assert f"earlier results moved to {before}" in done.stdout
    assert (before / "old.txt").read_text() == "old"


def test_simulate(monkeypatch):
    asked = []

    def simulate(scenario, output, *, progress):
        progress("frames", 1, 1)
        asked.append((scenario, output))

    monkeypatch.setattr("beamreduce.simulate.simulate_campaign", simulate)
    done = command("simulate", "small", "-o", "made")
    assert (done.exit_code, done.stderr) == (0, "")
    assert done.stdout == "campaign in made, truth in made.truth.json\n"
    quiet = command("simulate", "small", "-o", "made", "--quiet")
    assert (quiet.exit_code, quiet.stdout, quiet.stderr) == (0, "", "")
    assert asked == [("small", Path("made"))] * 2


@pytest.mark.parametrize("scenario", ["nothing", "nothing.toml", "bad.toml"])
def test_simulate_a_scenario_that_cannot_be_read(scenario):
    Path("bad.toml").write_text("format = ")
    done = command("simulate", scenario, "-o", "made")
    assert (done.exit_code, done.stdout) == (1, "")
    assert done.stderr.startswith("error: ")
    assert scenario in done.stderr
    assert [path.name for path in Path().iterdir()] == ["bad.toml"]


def test_simulate_does_not_write_over_a_folder(folder):
    Path("made").mkdir()
    Path("made/mine.txt").write_text("mine")
    done = command("simulate", "small", "-o", "made")
    assert (done.exit_code, done.stdout) == (1, "")
    assert re.match("error: .*made: found ", done.stderr)
    assert [path.name for path in Path("made").iterdir()] == ["mine.txt"]
    assert [path.name for path in Path().iterdir()] == ["made"]


def test_demo_may_be_repeated(monkeypatch):
    asked = []

    def run_demo(folder, *, options, progress):
        asked.append((folder, options.update, options.jobs))
        return "a table"

    monkeypatch.setattr("beamreduce.simulate.demo.run_demo", run_demo)
    done = command("demo", "--jobs", 3, "--quiet")
    assert (done.exit_code, done.stdout, done.stderr) == (0, "a table\n", "")
    assert asked == [(Path("demo_run"), True, 3)]


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.mark.parametrize("quiet", [False, True])
def test_a_terminal_shows_a_bar(monkeypatch, quiet):
    monkeypatch.setattr(sys, "stderr", Terminal())
    with ProgressBar(quiet) as tell:
        for done in (1, 2):
            tell("frames", done, 2)
        tell("centers", 1, 1)
    shown = sys.stderr.getvalue()
    assert ("frames: 100%" in shown, "centers: 100%" in shown) == (not quiet, not quiet)


def test_elsewhere_there_is_no_bar(monkeypatch):
    monkeypatch.setattr(sys, "stderr", io.StringIO())
    with ProgressBar(quiet=False) as tell:
        tell("frames", 1, 2)
    assert sys.stderr.getvalue() == ""


def test_a_name_that_is_no_text_is_a_name(folder, tmp_path):
    """Linux allows any bytes in names; the results are made all the same."""
    campaign = tmp_path / os.fsdecode(b"beam\xe9")
    campaign.symlink_to(folder)
    done = command("reduce", campaign, "-o", os.fsdecode(b"out\xe9"), "--jobs", 1)
    assert (done.exit_code, done.stderr) == (0, "")
    assert (tmp_path / os.fsdecode(b"out\xe9") / "results.json").is_file()
    missing = command("inspect", os.fsdecode(b"none\xe9"))
    assert missing.exit_code == 1


def test_a_terminal_that_does_not_know_greek(folder):
    done = CliRunner(charset="iso8859-1").invoke(cli.main, ["quicklook", str(folder)])
    assert done.exit_code == 0
    assert "\\u03c3 against ti-1" in done.stdout


def test_it_starts_without_heavy_libraries():
    program = (
        "import sys, beamreduce.cli; "
        "print(sorted({'numpy', 'astropy', 'numba', 'scipy', 'tqdm'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True,
                          check=True)  # fmt: skip
    assert done.stdout == "[]\n"


def test_a_reader_that_goes_away_is_no_fault(folder):
    """Such as ``| head``: no traceback, no word."""
    reading, writing = os.pipe()
    os.close(reading)
    try:
        done = subprocess.run(
            [sys.executable, "-m", "beamreduce.cli", "inspect", folder],
            stdout=writing,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
            timeout=120,
        )
    finally:
        os.close(writing)
    assert done.stderr == ""
    assert done.returncode == 1
