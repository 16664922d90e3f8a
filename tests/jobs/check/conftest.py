"""The report of an invented session, opened in a real browser from disk with the network shut off.

Skipped where no Chromium is found; ``POLARITYKIT_BROWSER_REQUIRED=1`` turns the skip into a failure.
"""

import headless
import page_fixture
import pytest

from polaritykit.jobs.check.page import report_page


@pytest.fixture(scope="module")
def document():
    """Return the invented session's document, excerpts included."""
    return page_fixture.make_document(audio=True)


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    """Start a headless Chromium with an empty profile."""
    yield from headless.browser(tmp_path_factory.mktemp("profile"))


@pytest.fixture(scope="module")
def address(document, tmp_path_factory):
    """Write the report; its address on disk."""
    path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_text(report_page(document), encoding="utf-8", newline="\n")
    return path.as_uri()


@pytest.fixture
def opened(browser, address):
    """Open the report afresh."""
    browser.get("about:blank")
    browser.get(address)
    return browser


@pytest.fixture(scope="module")
def small_address(document, tmp_path_factory):
    """Write the report of few tracks: every kind of element, in a quarter of the time."""
    document = dict(document, corrections=dict(document["corrections"]))
    kept = {"02_snare_top", "03_snare_bottom", "07_oh_left", page_fixture.CLOSING}
    document["tracks"] = [track for track in document["tracks"] if track["name"] in kept]
    document["pairs"] = [p for p in document["pairs"] if {p["reference"], p["other"]} <= kept]
    settings = document["corrections"]["tracks"]
    document["corrections"]["tracks"] = [track for track in settings if track["name"] in kept]
    path = tmp_path_factory.mktemp("small") / "report.html"
    path.write_text(report_page(document), encoding="utf-8", newline="\n")
    return path.as_uri()


@pytest.fixture
def small(browser, small_address):
    """Open the small report."""
    browser.get(small_address)
    return browser
