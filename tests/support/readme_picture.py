"""Make the README's picture of the demo kit's report again: settings, sum and map in a real browser.

Run: ``python tests/support/readme_picture.py`` (needs Chromium, as the tests of the page do).
"""

import base64
import tempfile
from pathlib import Path

import headless

WIDTH = 1120
DEMO = Path(__file__).parents[2] / "demo_audio"


def main() -> None:
    """Check the demo kit and photograph its page down to the end of the map."""
    from click.testing import CliRunner

    from polaritykit.commands.check import command

    with tempfile.TemporaryDirectory() as place:
        report = Path(place) / "drum_kit_report"
        CliRunner().invoke(command, [str(DEMO / "drum_kit"), "--out", str(report)], catch_exceptions=False)
        browsers = headless.browser(Path(place) / "profile")
        browser = next(browsers)
        size = {"width": WIDTH, "height": 1200, "deviceScaleFactor": 1, "mobile": False}
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        browser.get((report / "report.html").as_uri())
        bottom = browser.execute_script(
            "return document.getElementById('map').getBoundingClientRect().bottom"
        )
        clip = {"x": 0, "y": 0, "width": WIDTH, "height": bottom + 12, "scale": 1}
        shot = browser.execute_cdp_cmd(
            "Page.captureScreenshot", {"clip": clip, "captureBeyondViewport": True}
        )
        browsers.close()
    (DEMO / "report.png").write_bytes(base64.b64decode(shot["data"]))


if __name__ == "__main__":
    main()
