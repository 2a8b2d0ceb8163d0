"""The report in a browser: opens without a network, shows all, reads well, prints.

The accessibility rules are those of axe-core (WCAG 2.1 A and AA), an independent checker.
"""

import re

import pytest

from beamreduce.report import campaign_report
from tests.report.made_results import FIGURES, FOLDS, measurement, write_results


@pytest.fixture(scope="session")
def report(tmp_path_factory):
    folder = tmp_path_factory.mktemp("report")
    refused = measurement("two", hpd_infinity_arcsec=None)
    write_results(folder, [measurement("one"), refused], figures=True)
    path = folder / "report.html"
    path.write_text(campaign_report(folder), "utf-8")
    return path


@pytest.fixture
def page(chromium, report):
    context = chromium.new_context(offline=True, viewport={"width": 1280, "height": 900})
    page = context.new_page()
    page.asked, page.said = [], []
    page.on("request", lambda request: page.asked.append(request.url))
    page.on("console", lambda message: page.said.append(message.text))
    page.goto(report.as_uri())
    yield page
    context.close()


def test_it_asks_for_nothing_and_shows_every_figure(page, report):
    assert [url for url in page.asked if not url.startswith("data:")] == [report.as_uri()]
    assert page.said == []
    widths = page.evaluate("[...document.images].map(i => i.complete ? i.naturalWidth : 0)")
    assert len(widths) == 2 * len(FIGURES) + len(FOLDS)
    assert min(widths) > 0


def test_an_independent_checker_finds_no_barrier(page):
    from axe_playwright_python.sync_playwright import Axe  # noqa: PLC0415

    found = Axe().run(page).response
    assert [(v["id"], [n["html"] for n in v["nodes"]]) for v in found["violations"]] == []
    # The checker did look: contrast and alternative texts are among what passed.
    assert {"color-contrast", "image-alt", "html-has-lang"} <= {
        p["id"] for p in found["passes"]
    }


def test_links_lead_to_what_they_name(page):
    page.get_by_role("link", name="two").first.click()
    assert page.evaluate("location.hash") == "#m-two"
    assert page.locator("#m-two h3").inner_text() == "two"
    top = page.locator("#m-two").bounding_box()["y"]
    assert -5 < top < 900


@pytest.mark.parametrize("width", [360, 800, 1280])
def test_no_page_is_wider_than_its_window(page, width):
    page.set_viewport_size({"width": width, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_it_prints(page):
    printed = page.pdf(prefer_css_page_size=True)
    assert printed.startswith(b"%PDF-")
    pages = len(re.findall(rb"/Type\s*/Page[^s]", printed))
    assert 4 <= pages <= 25
