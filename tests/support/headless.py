"""A headless Chromium without a network, for the tests of the pages.

Skips where none is found; ``POLARITYKIT_BROWSER_REQUIRED=1`` turns the skip into a failure.
"""

import os
import shutil
from pathlib import Path

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


#: What axe-core is asked for: all rules, experimental one on visible labels included; or contrast alone.
ALL_RULES = "{resultTypes: ['violations'], rules: {'label-content-name-mismatch': {enabled: true}}}"
CONTRAST = "{resultTypes: ['violations'], runOnly: ['color-contrast']}"


def axe(driver, rules):
    """Run axe-core on the open page: (rule, impact, elements) of every finding."""
    import axe_core_python

    script = Path(axe_core_python.__file__).parent / "axe.min.js"
    driver.execute_script(script.read_text(encoding="utf-8"))
    found = driver.execute_async_script(
        "const done = arguments[0];"
        f"axe.run({rules}).then((found) => done(found.violations)).catch((error) => done(String(error)))"
    )
    assert isinstance(found, list), found
    return [
        (rule["id"], rule["impact"], [node["html"][:200] for node in rule["nodes"][:3]]) for rule in found
    ]


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
