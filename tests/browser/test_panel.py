"""The inspection panel in JupyterLab, in a real browser, without a network."""

import math
import os
import re
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import nbformat
import pytest

from beamreduce.campaign import read_campaign, read_decisions
from beamreduce.panel import open_again, open_measurement, read_about
from tests.folders import write_campaign

pytest.importorskip("ipympl")

NOTEBOOK = Path(__file__).parents[2] / "notebooks" / "13_inspect_one_measurement.ipynb"
HPD = re.compile(r"HPD ([\d.]+) ± ([\d.]+) arcsec")
CENTER = re.compile(r"center \(([-\d.]+), ([-\d.]+)\)")
TOKEN = "for-this-test"
WAIT_MS = 60_000
# A canvas that was drawn on holds dark ink.
DRAWN = """() => {
  const canvas = document.querySelector('.jupyter-matplotlib-canvas-div canvas');
  if (!canvas || !canvas.width) return false;
  const ink = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
  for (let i = 0; i < ink.length; i += 4) if (ink[i + 3] > 200 && ink[i] < 80) return true;
  return false;
}"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return write_campaign(tmp_path_factory.mktemp("panel") / "campaign", shape=(256, 256))


@pytest.fixture(scope="module")
def lab(folder, tmp_path_factory):
    """JupyterLab on a copy of the notebook; returns its address and its folder."""
    work = tmp_path_factory.mktemp("lab")
    notebook = nbformat.read(NOTEBOOK, as_version=4)
    (cell,) = [c for c in notebook.cells if "parameters" in c.metadata.get("tags", ())]
    cell.source = (
        f"campaign_folder = {str(folder)!r}\nmeasurement = 'ti'\n"
        f"decisions_file = 'decisions.ecsv'\nperson = 'A. Shift'"
    )
    nbformat.write(notebook, work / "panel.ipynb")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    own = ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR", "IPYTHONDIR",
           "JUPYTERLAB_SETTINGS_DIR", "JUPYTERLAB_WORKSPACES_DIR")  # fmt: skip
    private = {name: str(work / "private" / name) for name in own}
    with (work / "lab.log").open("w") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "jupyter", "lab", "--no-browser", "--allow-root",
             f"--port={port}", "--ServerApp.ip=127.0.0.1",
             f"--IdentityProvider.token={TOKEN}", f"--ServerApp.root_dir={work}"],
            env={**os.environ, **private}, stdout=log, stderr=subprocess.STDOUT,
        )  # fmt: skip
    address = f"http://127.0.0.1:{port}"
    try:
        _wait_for(f"{address}/api?token={TOKEN}", process, work / "lab.log")
        yield address, work
    finally:
        process.terminate()
        process.wait(20)


def _wait_for(url, process, log):
    for _ in range(300):
        if process.poll() is not None:
            break
        try:
            with urllib.request.urlopen(url, timeout=2):
                return
        except (urllib.error.URLError, ConnectionError, TimeoutError):
            time.sleep(0.2)
    pytest.fail(f"JupyterLab did not start: {log.read_text()[-800:]}")


@pytest.fixture(scope="module")
def page(chromium, lab):
    """The notebook with all cells run; only the server itself may be asked for anything."""
    address, _ = lab
    context = chromium.new_context(viewport={"width": 1500, "height": 1250})
    page = context.new_page()
    page.set_default_timeout(WAIT_MS)
    page.refused = []

    def only_here(route):
        url = route.request.url
        if url.startswith((address, "data:", "blob:")):
            route.continue_()
        else:
            page.refused.append(url)
            route.abort()

    context.route("**/*", only_here)
    page.goto(f"{address}/doc/tree/panel.ipynb?token={TOKEN}")
    page.wait_for_selector(".jp-Notebook .jp-Cell")
    page.get_by_text("| Idle").wait_for()  # the kernel is there
    page.get_by_text("Run", exact=True).first.click()
    page.get_by_text("Run All Cells", exact=True).click()
    page.get_by_text("as reduce gives it").first.wait_for()
    page.get_by_text("decisions, for reduce").wait_for()  # the last cell
    yield page
    context.close()


def numbers(page, wanted):
    """Wait for the line of numbers to hold a word; return HPD, its ±, and the center."""
    line = page.locator("p[role=status]", has_text="HPD")
    line.filter(has_text=wanted).wait_for()
    text = line.inner_text()
    return [float(x) for x in (*HPD.search(text).groups(), *CENTER.search(text).groups())]


def picture(page):
    """Bring the pictures into view; return left, top, width and height of all three.

    JupyterLab scrolls by itself for a while after it has run the cells, so this waits until
    the pictures rest and the mouse would meet them.
    """
    page.wait_for_function(DRAWN)  # before, its axes are not yet where they will be
    pictures = page.locator(".jupyter-matplotlib-canvas-div")
    before = None
    for _ in range(100):
        pictures.scroll_into_view_if_needed()
        box = pictures.bounding_box()
        middle = [box["x"] + 0.165 * box["width"], box["y"] + 0.31 * box["height"]]
        met = page.evaluate(
            "([x, y]) => !!document.elementFromPoint(x, y)"
            "?.closest('.jupyter-matplotlib-canvas-div')",
            middle,
        )
        if met and box == before:
            return box["x"], box["y"], box["width"], box["height"]
        before = box
        page.wait_for_timeout(300)
    return pytest.fail(f"the pictures do not come to rest in view: {box}")


def test_the_panel_needs_no_network(page):
    assert page.refused == []
    assert "Not done" not in page.content()


def test_the_number_that_shows_is_that_of_the_functions(page, folder):
    hpd, spread, x, y = numbers(page, "as reduce gives it")
    opened = open_measurement(read_campaign(folder), "ti")
    assert (x, y) == pytest.approx(opened.located.center.xy, abs=0.006)
    radius = _radius(page)
    reading = read_about(opened, opened.located.center.xy, radius)
    assert hpd == pytest.approx(reading.hpd_arcsec.value, abs=0.06 * spread)
    assert spread == pytest.approx(reading.hpd_arcsec.uncertainty, rel=0.06)


def _radius(page):
    import astropy.units as u  # noqa: PLC0415

    return float(page.get_by_label("reference radius, mm").input_value()) * u.mm


def test_the_center_is_dragged_and_the_number_follows(page, folder):
    before, _, x0, y0 = numbers(page, "as reduce gives it")
    left, top, width, height = picture(page)
    # The image is the left of three, its middle at a sixth of the width.
    page.mouse.move(left + 0.15 * width, top + 0.33 * height)
    page.mouse.down()
    page.mouse.move(left + 0.16 * width, top + 0.34 * height, steps=4)
    page.mouse.move(left + 0.17 * width, top + 0.31 * height, steps=4)
    page.mouse.up()
    page.wait_for_function(
        "old => !document.body.innerText.includes(old)", arg=f"center ({x0:.2f}, {y0:.2f})"
    )
    hpd, spread, x, y = numbers(page, "as reduce gives it")
    assert (x, y) != (x0, y0)
    assert hpd != before
    opened = open_measurement(read_campaign(folder), "ti")
    method = opened.background_method
    again = open_again(
        opened, center_xy=(x, y), background=method, reference_radius=_radius(page)
    )
    reading = read_about(again, (x, y), _radius(page))
    # Two digits of the uncertainty are shown, and the center to a hundredth of a pixel.
    assert hpd == pytest.approx(reading.hpd_arcsec.value, abs=0.06 * spread)


def test_the_keyboard_moves_it_too(page, folder):
    x, y = open_measurement(read_campaign(folder), "ti").located.center.xy
    page.get_by_role("button", name="center as found").press("Space")
    _center(page, x, y)
    page.get_by_role("button", name="→ right").press("Space")
    _center(page, x + 1, y)
    field = page.get_by_label("center y, pixel")
    field.fill(f"{y + 2:.2f}")
    field.press("Enter")
    _center(page, x + 1, y + 2)
    # One click gives the picture the keyboard; the center goes where the click is.
    left, top, width, height = picture(page)
    page.mouse.click(left + 0.165 * width, top + 0.31 * height)
    page.wait_for_function(
        "old => !document.body.innerText.includes(old)",
        arg=f"center ({x + 1:.2f}, {y + 2:.2f})",
    )
    _, _, x, y = numbers(page, "as reduce gives it")
    page.keyboard.press("ArrowUp")
    _center(page, x, y + 1)
    page.keyboard.press("Shift+ArrowLeft")
    _center(page, x - 0.1, y + 1)


def _center(page, x, y):
    """Wait until all is worked out about a center, to the digits that are shown."""
    shown = [math.nan, math.nan]
    for _ in range(300):
        shown = numbers(page, "as reduce gives it")[2:]
        if max(abs(shown[0] - x), abs(shown[1] - y)) < 0.021:
            return
        page.wait_for_timeout(100)
    pytest.fail(f"the panel shows the center {shown}, not ({x:.2f}, {y:.2f})")


def test_what_cannot_be_is_one_sentence(page):
    field = page.get_by_label("reference radius, mm")
    before = field.input_value()
    field.fill("99")
    field.press("Enter")
    alert = page.locator("p[role=alert]")
    alert.wait_for()
    assert "beyond the frame" in alert.inner_text()
    assert "Traceback" not in page.content()
    field.fill(before)
    field.press("Enter")
    alert.wait_for(state="detached")


def test_a_decision_is_recorded(page, lab):
    page.get_by_label("why").fill("seen off its middle")
    page.get_by_role("button", name="record this center").press("Space")
    page.get_by_text("decision 1 in decisions.ecsv").wait_for()
    (one,) = read_decisions(lab[1] / "decisions.ecsv")
    x, y = (page.get_by_label(f"center {axis}, pixel").input_value() for axis in "xy")
    assert (one.person, one.item, one.action) == ("A. Shift", "ti", "center")
    assert [float(n) for n in one.value.split()] == [float(x), float(y)]


def test_an_independent_checker_finds_no_barrier_in_the_panel(page):
    from axe_playwright_python.sync_playwright import Axe  # noqa: PLC0415

    panel = ".widget-vbox"
    found = Axe().run(page, context=panel).response
    assert [(v["id"], [n["html"] for n in v["nodes"]]) for v in found["violations"]] == []
    assert {"label", "color-contrast"} <= {p["id"] for p in found["passes"]}
