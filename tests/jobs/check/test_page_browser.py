"""The report in a real browser, opened from disk with the network shut off.

Skipped where no Chromium is found; ``POLARITYKIT_BROWSER_REQUIRED=1`` turns the skip into a failure.
"""

import json
import re
from pathlib import Path

import headless
import page_fixture
import pytest

from polaritykit.jobs.check.curves import stored_bands, stored_pair
from polaritykit.jobs.check.page import report_page
from polaritykit.spectra.pair_sum import band_phase_deg, sum_level_db, summed_response

PAIR = ("02_snare_top", "07_oh_left")


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
    browser.get_log("browser")
    browser.get_log("performance")
    browser.get(address)
    return browser


def _open_pair(browser, pair=PAIR):
    """Open a pair's panel; the panel's element."""
    browser.execute_script(
        "const names = arguments[0].join('\\n');"
        "const panel = [...document.querySelectorAll('details.pair')].find((p) => p.dataset.names === names);"
        "panel.open = true; panel.scrollIntoView(); window.panel = panel;",
        list(pair),
    )
    _wait(browser, "return Boolean(panel.querySelector('.bench').bench)")
    return browser.execute_script("return panel")


def _wait(browser, script):
    from selenium.webdriver.support.ui import WebDriverWait

    return WebDriverWait(browser, 5).until(lambda driver: driver.execute_script(script))


def _plotted(browser, chart):
    """Points of a chart's first line as drawn: frequency and level read back from the path's pixels."""
    path, box, x, y = browser.execute_script(
        "const chart = panel.querySelector('.bench').bench[arguments[0]];"
        "const path = chart.svg.querySelector('path.l0').getAttribute('d');"
        "return [path, chart.box, chart.spec.x, chart.spec.y]",
        chart,
    )
    points = [(float(a), float(b)) for a, b in re.findall(r"[ML]([-\d.]+) ([-\d.]+)", path)]
    across = [(px - box["left"]) / (box["right"] - box["left"]) for px, _ in points]
    up = [(box["bottom"] - py) / (box["bottom"] - box["top"]) for _, py in points]
    frequency = [x["min"] * (x["max"] / x["min"]) ** share for share in across]
    return frequency, [y["min"] + (y["max"] - y["min"]) * share for share in up]


def _stored(document, pair=PAIR):
    entry = next(
        entry for entry in document["curves"]["pairs"] if (entry["reference"], entry["other"]) == pair
    )
    return stored_pair(document["curves"], entry).spectra, stored_bands(document["curves"])


def test_opens_without_a_request_or_a_complaint(opened, address):
    """The only thing loaded is the file itself; the console stays empty, with a panel open and played."""
    _open_pair(opened).find_element("css selector", ".play").click()
    requests = [
        json.loads(entry["message"])["message"]["params"]["request"]["url"]
        for entry in opened.get_log("performance")
        if json.loads(entry["message"])["message"]["method"] == "Network.requestWillBeSent"
    ]

    assert [url for url in requests if url not in (address, "data:,")] == []
    assert opened.get_log("browser") == []
    assert opened.title == "invented kit – microphone check"  # no hostile name ran


@pytest.mark.parametrize(("delay", "flip"), [(0.0, False), (-2.571, False), (1.37, True), (-4.999, True)])
def test_curve_equals_pythons_at_every_point(opened, document, delay, flip):
    """Throw the switch and type a delay: the drawn curve is the Python curve within 0.05 dB."""
    from selenium.webdriver.common.keys import Keys

    panel = _open_pair(opened)
    if flip:
        panel.find_element("css selector", ".flip").click()
    typed = panel.find_element("css selector", ".delay")
    typed.send_keys(Keys.CONTROL, "a", Keys.NULL, str(delay), Keys.ENTER)
    frequency, level = _plotted(opened, "sumChart")
    spectra, bands = _stored(document)
    expected = summed_response(spectra, bands, delay_ms=delay, invert=flip)

    assert frequency == pytest.approx(bands.centre_hz, rel=1e-3)
    assert level == pytest.approx(expected, abs=0.05)
    for source in document["pairs"]:
        if (source["reference"], source["other"]) == PAIR:
            band = tuple(source["sources"][0]["band_hz"])
    now = panel.find_element("css selector", ".level-now").text.replace("−", "-").split()[0]
    assert float(now) == pytest.approx(
        sum_level_db(spectra, band_hz=band, delay_ms=delay, invert=flip), abs=0.051
    )
    phase = opened.execute_script(
        f"return panel.querySelector('.bench').bench.sound.phase({delay}, {str(flip).lower()})"
    )
    assert phase == pytest.approx(band_phase_deg(spectra, bands, delay_ms=delay, invert=flip), abs=0.05)


def test_recommended_and_as_recorded_are_one_press_away(opened, document):
    """The recommended setting is the advice: the early track is delayed; the gain shown is the document's."""
    panel = _open_pair(opened)
    panel.find_element("css selector", ".advised").click()
    pair = next(pair for pair in document["pairs"] if (pair["reference"], pair["other"]) == PAIR)
    change = panel.find_element("css selector", ".level-change").text

    assert change == f"+{pair['advice']['gain_db']:.1f} dB"
    assert "delay 02_snare_top by 2.571 ms (123.4 samples)" in panel.text  # b is late, so a is delayed
    panel.find_element("css selector", ".recorded").click()
    assert panel.find_element("css selector", ".level-change").text == "0.0 dB"


def test_source_tabs_change_the_band(opened, document):
    """Each source of a pair has its tab, its band and its own offset mark."""
    pair = next(pair for pair in document["pairs"] if len(pair["sources"]) > 1)
    panel = _open_pair(opened, (pair["reference"], pair["other"]))
    tabs = panel.find_elements("css selector", '[role="tab"]')
    assert [tab.text for tab in tabs] == [source["home"] for source in pair["sources"]]
    before = panel.find_element("css selector", ".band-words").text
    tabs[1].click()

    assert tabs[1].get_attribute("aria-selected") == "true"
    assert panel.find_element("css selector", ".band-words").text != before


def test_audio_graph_has_the_values_shown(opened):
    """Gain -1 and the delay typed, on the track that is delayed; quiet at the start."""
    panel = _open_pair(opened)
    panel.find_element("css selector", ".play").click()
    graph = (
        "const l = panel.querySelector('.bench').bench.listening;"
        "return [l.polarity.gain, l.delayA.delayTime, l.delayB.delayTime, l.master.gain].map((p) => p.value)"
    )
    _wait(opened, graph + "[3] > 0.02")
    polarity, delay_a, delay_b, master = opened.execute_script(graph)
    assert (polarity, delay_a, delay_b) == (1, 0, 0)
    assert master <= 10 ** (-30 / 20) * 1.001  # the level shown is -30 dB
    panel.find_element("css selector", ".flip").click()
    panel.find_element("css selector", ".advised").click()
    panel.find_element("css selector", ".flip").click()
    polarity, delay_a, delay_b, _ = opened.execute_script(graph)
    assert polarity == -1
    assert delay_a == pytest.approx(2.571e-3, abs=1e-8)  # single precision
    assert delay_b == 0


def test_level_matching_makes_every_setting_as_loud(opened, document):
    """The gain that is applied times the sum of the excerpts, made in Python, has one power."""
    import base64

    import numpy as np

    panel = _open_pair(opened)
    panel.find_element("css selector", ".play").click()
    sounds = {sound["track"]: sound for sound in document["audio"]["sounds"]}
    a, b = (
        np.frombuffer(base64.b64decode(sounds[name]["samples"]), "<i2") / 32768 * sounds[name]["gain"]
        for name in PAIR
    )
    powers = []
    for flip, shift in ((False, 0), (True, 0), (False, -123)):
        opened.execute_script(
            f"panel.querySelector('.bench').bench.set({{delay: {shift / 48}, invert: {str(flip).lower()}}})"
        )
        opened.execute_async_script("setTimeout(arguments[0], 400)")  # 20 time constants
        gain = opened.execute_script("return panel.querySelector('.bench').bench.listening.master.gain.value")
        heard = a + (-1 if flip else 1) * np.roll(b, shift)
        powers.append(gain**2 * np.mean(heard**2))
    assert powers == pytest.approx([powers[0]] * 3, rel=0.02)


def test_keyboard_only(opened):
    """Map by arrows, Enter opens the pair, then switch, slider and buttons by keys alone."""
    from selenium.webdriver import ActionChains
    from selenium.webdriver.common.keys import Keys

    def press(*keys):
        for key in keys:
            ActionChains(opened).send_keys(key).perform()

    def focused(script):
        return opened.execute_script(f"return document.activeElement.{script}")

    for _ in range(30):
        press(Keys.TAB)
        if focused("closest('.map td') !== null"):
            break
    first = focused("getAttribute('aria-label')")
    press(Keys.ARROW_RIGHT)
    second = focused("getAttribute('aria-label')")
    assert first != second
    assert second.startswith("03_snare_bottom against 01_kick: polarity inverted")
    press(Keys.ENTER)
    _wait(opened, "return document.activeElement.tagName === 'SUMMARY'")
    assert opened.execute_script("return document.activeElement.parentElement.open")
    opened.execute_script("window.panel = document.activeElement.parentElement")
    _wait(opened, "return Boolean(panel.querySelector('.bench').bench)")
    for _ in range(12):
        press(Keys.TAB)
        if focused("className") == "flip":
            break
    press(Keys.SPACE)
    assert focused("getAttribute('aria-pressed')") == "true"
    press(Keys.TAB, Keys.ARROW_RIGHT, Keys.ARROW_RIGHT, Keys.ARROW_RIGHT)
    state = opened.execute_script(
        "const {delay, invert} = panel.querySelector('.bench').bench; return [delay, invert]"
    )
    assert state == [0.03, True]  # three steps of 0.01 ms


def test_filter_and_sort(opened, document):
    """By unclear, by track, by offset."""
    related = [pair for pair in document["pairs"] if pair["related"]]

    def shown(**fields):
        opened.execute_script(
            "const form = document.querySelector('form.filter');"
            "for (const [name, value] of Object.entries(arguments[0])) form.elements[name].value = value;"
            "form.dispatchEvent(new Event('input'))",
            fields,
        )
        return opened.execute_script(
            "const panels = [...document.querySelectorAll('details.pair:not([hidden])')];"
            "return panels.map((p) => Number(p.dataset.index))"
        )

    pairs = document["pairs"]
    gains = [pairs[k]["advice"]["gain_db"] for k in shown(sort="gain")]
    assert gains == sorted(gains, reverse=True)
    offsets = [abs(pairs[k]["offset_ms"]) for k in shown(sort="offset")]
    assert offsets == sorted(offsets)
    assert {pairs[k]["polarity"] for k in shown(show="unclear")} == {"unclear"}
    mine = shown(show="all", track="<IMG")
    assert len(mine) == sum("<img" in pair["reference"] + pair["other"] for pair in related)


@pytest.mark.parametrize(
    ("scheme", "rules"), [("light", "{}"), ("dark", "{runOnly: ['color-contrast']}")], ids=["light", "dark"]
)
def test_no_serious_accessibility_finding(opened, scheme, rules):
    """axe-core's rules, best practices included, at serious or critical; in the dark those on contrast."""
    import axe_core_python

    opened.execute_cdp_cmd(
        "Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    )
    _open_pair(opened)
    opened.execute_script((Path(axe_core_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8"))
    result = opened.execute_async_script(
        "const done = arguments[0];"
        f"axe.run({rules}).then((found) => done(found.violations)).catch((error) => done(String(error)))"
    )

    assert isinstance(result, list), result
    serious = [
        (rule["id"], rule["impact"], [node["html"][:200] for node in rule["nodes"][:3]])
        for rule in result
        if rule["impact"] in ("serious", "critical")
    ]
    assert serious == []


@pytest.mark.parametrize(("width", "height"), [(1440, 900), (390, 844)])
def test_nothing_is_wider_than_the_screen(opened, width, height):
    """Only the marked regions scroll sideways."""
    opened.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600},
    )
    try:
        _open_pair(opened)
        assert opened.execute_script("return document.documentElement.scrollWidth") <= width
    finally:
        opened.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def test_slider_answers_and_page_paints_in_time(opened):
    """Median of 20 moves of the slider under 50 ms, layout included; first paint under 1 s (the promises)."""
    _open_pair(opened)
    times = opened.execute_script(
        "const slide = panel.querySelector('.slide'); const times = [];"
        "for (let k = 0; k < 20; k++) { const start = performance.now(); slide.value = k / 10;"
        "slide.dispatchEvent(new Event('input')); panel.getBoundingClientRect();"
        "times.push(performance.now() - start); }"
        "return times"
    )
    paint = opened.execute_script(
        "return performance.getEntriesByName('first-contentful-paint')[0].startTime"
    )

    assert sorted(times)[10] < 50
    assert paint < 1000
