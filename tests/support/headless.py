"""A headless Chromium without a network, for the tests of the pages.

Skips where none is found; ``POLARITYKIT_BROWSER_REQUIRED=1`` turns the skip into a failure.
"""

import os
import shutil

import pytest

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--window-size=1440,900",
)


def _program(*names):
    found = next(filter(None, map(shutil.which, names)), None)
    if found is None:
        message = f"no {names[0]} on this machine: install Debian's chromium and chromium-driver"
        if os.environ.get("POLARITYKIT_BROWSER_REQUIRED") == "1":
            pytest.fail(message)
        pytest.skip(message)
    return found


def browser(profile):
    """Start a Chromium with this empty profile; what it logs and requests is kept."""
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = _program("chromium", "chromium-browser", "google-chrome")
    for flag in (*FLAGS, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    service = webdriver.ChromeService(_program("chromedriver"))
    driver = webdriver.Chrome(options=options, service=service)
    driver.execute_cdp_cmd("Network.enable", {})
    driver.execute_cdp_cmd(
        "Network.emulateNetworkConditions",
        {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0},
    )
    yield driver
    driver.quit()
