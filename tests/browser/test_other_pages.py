"""Pages of other commands in a browser: no network, every image, read by all, printed."""

import re

import pytest

from beamreduce.reduction.comparison_run import compare_folders
from beamreduce.reduction.quadrants_run import run_quadrants
from beamreduce.reduction.reflectors_run import grade_reflectors
from beamreduce.reduction.responses_run import write_responses
from beamreduce.rerun import RerunOptions, rerun_archive
from tests.before_after.made_results import before_and_after
from tests.response.made_areas import write_areas

PAGES = ("compare", "quadrants", "reflectors", "responses", "rerun")


@pytest.fixture(scope="module")
def pages(tmp_path_factory, few_quadrants, few_maps):
    """The page of each command, from the least that it can be run on."""
    place = tmp_path_factory.mktemp("pages")
    compare_folders(*before_and_after(place), place / "compare")
    run_quadrants(few_quadrants, place / "quadrants")
    grade_reflectors(few_maps, place / "reflectors")
    write_responses(write_areas(place / "areas"), place / "responses")
    rerun_archive(place / "compare", options=RerunOptions(output=place / "rerun"))
    found = {}
    for name in PAGES:
        (found[name],) = (place / name).glob("*.html")
    return found


@pytest.fixture(params=PAGES)
def page(request, chromium, pages):
    context = chromium.new_context(offline=True, viewport={"width": 1280, "height": 900})
    page = context.new_page()
    page.asked, page.said, page.own = [], [], pages[request.param].as_uri()
    page.on("request", lambda asked: page.asked.append(asked.url))
    page.on("console", lambda message: page.said.append(message.text))
    page.goto(page.own)
    yield page
    context.close()


def test_it_asks_for_nothing_and_shows_every_image(page):
    assert [url for url in page.asked if not url.startswith("data:")] == [page.own]
    assert page.said == []
    widths = page.evaluate("[...document.images].map(i => i.complete ? i.naturalWidth : 0)")
    assert all(width > 0 for width in widths)
    assert bool(widths) == ("rerun" not in page.own)  # a rerun's page is all tables


def test_an_independent_checker_finds_no_barrier(page):
    from axe_playwright_python.sync_playwright import Axe  # noqa: PLC0415

    found = Axe().run(page).response
    assert [(v["id"], [n["html"] for n in v["nodes"]]) for v in found["violations"]] == []
    assert {"color-contrast", "html-has-lang"} <= {p["id"] for p in found["passes"]}


@pytest.mark.parametrize("width", [360, 1280])
def test_it_is_no_wider_than_its_window(page, width):
    page.set_viewport_size({"width": width, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_it_prints(page):
    printed = page.pdf(prefer_css_page_size=True)
    assert printed.startswith(b"%PDF-")
    assert 1 <= len(re.findall(rb"/Type\s*/Page[^s]", printed)) <= 40
