"""A real browser, without a network."""

import shutil

import pytest


@pytest.fixture(scope="session")
def chromium():
    """The Chromium of the system, driven headless."""
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        pytest.skip("no Chromium on this machine: the report is not looked at in a browser")
    from playwright.sync_api import sync_playwright  # noqa: PLC0415

    with sync_playwright() as driver:
        # As root, as in continuous integration, there is no sandbox to be had.
        browser = driver.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield browser
        browser.close()
