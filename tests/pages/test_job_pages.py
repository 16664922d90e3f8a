"""The pages of the smaller jobs: figures equal the documents', also in a browser."""

import json
import re

import headless
import made_report
import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from polaritykit.base.air import speed_of_sound
from polaritykit.base.wording import number
from polaritykit.commands.bleed import command as bleed
from polaritykit.commands.comb import command as comb
from polaritykit.commands.layout import command as layout
from polaritykit.commands.pair import command as pair
from polaritykit.commands.pulse import command as pulse
from polaritykit.commands.recheck import command as recheck
from polaritykit.spectra.comb import comb_response_db

RATE = 48_000
JOBS = ("pair", "bleed", "comb", "pulse", "layout", "recheck")
HOSTILE = "<img src=x onerror=alert(1)>"


def _write(path, samples):
    soundfile.write(path, samples, RATE, subtype="PCM_24")
    return str(path)


def _run(command, *arguments):
    result = CliRunner().invoke(command, arguments, catch_exceptions=False)
    assert result.exit_code == 0, result.output


@pytest.fixture(scope="module")
def reports(tmp_path_factory):
    """Job -> its report folder, made by the commands from invented sound."""
    place = tmp_path_factory.mktemp("jobs")
    rng = np.random.default_rng(8)
    noise = 0.1 * rng.standard_normal(4 * RATE)
    left = _write(place / f"{HOSTILE}.wav", noise)
    right = _write(place / "right.wav", -0.7 * np.roll(noise, 9))
    _run(pair, left, right, "--out", str(place / "pair"), "--audio")
    one, two = 0.1 * rng.standard_normal((2, 8 * RATE))
    on = (np.arange(8 * RATE) // (2 * RATE)) % 2
    one, two = one * on, two * (1 - on)
    main = _write(place / "main.wav", one + 0.2 * np.roll(two, 96) + 1e-5 * rng.standard_normal(len(one)))
    leaky = _write(place / "leaky.wav", two + 0.2 * np.roll(one, 96) + 1e-5 * rng.standard_normal(len(one)))
    _run(bleed, main, leaky, "--out", str(place / "bleed"), "--plots", "png", "--audio")
    _run(comb, "--delay", "1 ms", "--level-difference", "6", "--out", str(place / "comb"))
    _run(pulse, "make", str(place / "pulse.wav"))
    signal, _ = soundfile.read(place / "pulse.wav")
    recorded = np.stack([signal, -0.5 * signal], axis=1)
    recorded[:, 1] = np.roll(recorded[:, 1], 24)
    wired = _write(place / "wired.wav", np.concatenate([np.zeros((480, 2)), recorded]))
    _run(pulse, "read", wired, "--out", str(place / "pulse"))
    plan = CliRunner().invoke(layout, ["--template", "ortf"], catch_exceptions=False).output
    (place / "plan.toml").write_text(plan, encoding="utf-8")
    _run(layout, str(place / "plan.toml"), "--out", str(place / "layout"))
    _two_checks(place)
    _run(recheck, str(place / "old"), str(place / "new"), "--out", str(place / "recheck"))
    return {job: place / job for job in JOBS}


def _two_checks(place):
    """Write reports of one set-up, in the second of which b has turned."""
    for folder, polarity in (("old", "same"), ("new", "inverted")):
        (place / folder).mkdir()
        tracks = [made_report.track(name) for name in "abc"]
        pairs = [
            made_report.pair(a, b, polarity=polarity if "b" in (a, b) else "same", offset_ms=1.0)
            for a, b in ("ab", "ac", "bc")
        ]
        document = made_report.made_report(tracks=tracks, pairs=pairs)
        (place / folder / "report.json").write_text(json.dumps(document), encoding="utf-8")


def _words(folder):
    text = (folder / "report.html").read_text(encoding="utf-8")
    body = re.sub(r"<(script|style).*?</\1>", "", text, flags=re.DOTALL)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", body))


def _document(folder):
    return json.loads((folder / "report.json").read_text(encoding="utf-8"))


def test_pair_page_shows_the_documents_octaves(reports):
    """Each octave's level, coherence, phase and both sums stand in its row, rounded; verdict first."""
    words = _words(reports["pair"])
    document = _document(reports["pair"])["pair"]

    assert document["flip"] is not None
    assert (
        words.index("(ø): its wiring is inverted") < words.index("Measured") < words.index("Octave by octave")
    )
    for octave in document["octaves"]:
        cells = [
            number(octave["level_difference_db"], 1, signed=True),
            number(octave["coherence"], 2),
            number(octave["phase_deg"], 0, signed=True),
            number(octave["correlation"], 2, signed=True),
            number(-octave["mono_sum_loss_db"], 1, signed=True),
            number(-octave["mono_sum_loss_flipped_db"], 1, signed=True),
        ]
        assert re.search(r"\s+".join(map(re.escape, cells)), words)
    assert "<img" not in (reports["pair"] / "report.html").read_text(encoding="utf-8")


def test_bleed_page_shows_both_polarities(reports):
    """Isolation per octave, as recorded and flipped, with its uncertainty; the places it was measured at."""
    words = _words(reports["bleed"])
    document = _document(reports["bleed"])["bleed"]

    for band in document["bands"]:
        if band["reliable"]:
            for name in ("as_recorded", "flipped"):
                value, std = band["isolation_db"][name], band["isolation_std_db"][name]
                assert f"{number(value, 1, signed=True)} ± {number(std, 1)}" in words
    assert document["passages"]["main_alone_s"]
    start, end = document["passages"]["main_alone_s"][0]
    assert f"{number(start, 1)} to {number(end, 1)}" in words
    assert list(reports["bleed"].glob("figure_*.png"))


def test_comb_page_shows_the_notch(reports):
    """1 ms, same polarity: first notch at 1/(2·1 ms) = 500 Hz (textbook)."""
    assert "500.0 Hz" in _words(reports["comb"])


def test_recheck_page_tells_the_tracks_first(reports):
    """Dates of both reports, then the track that turned; its pairs are folded."""
    words = _words(reports["recheck"])

    assert "2026-01-01 against 2026-01-01" in words
    assert words.index("b neutral turned") < words.index("Show: 2 pairs changed")


def test_pulse_page_names_the_inverted_channel(reports):
    """The second channel was turned over; latency 10 ms is only stated where it is known."""
    words = _words(reports["pulse"])

    assert "Inverted: wired.R." in words
    for channel in _document(reports["pulse"])["channels"]:
        assert f"{channel['name']} {channel['polarity']}" in words
    late = [channel["later_ms"] for channel in _document(reports["pulse"])["channels"]]
    assert late == pytest.approx([0.0, 0.5], abs=0.02)  # 24 samples at 48 kHz


@pytest.mark.parametrize("inputs", [(0.3439867, 20, 6, False), (1.2, 5, 0.5, True)])
def test_live_comb_is_the_closed_form(reports, browser, inputs):
    """The script's curve and delay equal Python's; 1 ms is 0.344 m at 20 °C (Cramer, 1993)."""
    path, celsius, level, inverted = inputs
    browser.get((reports["comb"] / "report.html").as_uri())
    delay, curve, frequency, words = browser.execute_script(
        "const c = document.getElementById('live').comb;"
        "for (const [name, value] of Object.entries(arguments[0])) c.field(name).value = value;"
        "c.inverted = arguments[1]; c.show();"
        "const words = c.box.querySelector('.live-words').textContent;"
        "return [c.delay, c.chart.spec.series[0].y, live.frequency_hz, words]",
        {"path_m": path, "temperature_c": celsius, "level_db": level},
        inverted,
    )
    speed = speed_of_sound(temperature_c=celsius, humidity_percent=50).speed_mps
    expected = comb_response_db(np.array(frequency), path / speed * 1e3, level, inverted)

    assert delay == pytest.approx(path / speed * 1e3, rel=1e-5)
    assert np.maximum(curve, -25) == pytest.approx(np.maximum(expected, -25), abs=0.05)
    assert ("the low end cancels" in words) == inverted
    if not inverted:
        assert delay == pytest.approx(1.0, abs=1e-4)
        assert "first notch 500 Hz" in words


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    """Start a headless Chromium with an empty profile."""
    yield from headless.browser(tmp_path_factory.mktemp("profile"))


@pytest.mark.parametrize("job", JOBS)
def test_opens_in_a_browser(reports, browser, job):
    """No request but the file, nothing on the console, nothing wider than a phone, every chart drawn."""
    browser.get("about:blank")
    browser.get_log("browser")
    browser.get_log("performance")
    address = (reports[job] / "report.html").as_uri()
    browser.get(address)
    urls = [
        json.loads(entry["message"])["message"]["params"]["request"]["url"]
        for entry in browser.get_log("performance")
        if json.loads(entry["message"])["message"]["method"] == "Network.requestWillBeSent"
    ]
    drawn = browser.execute_script(
        "return [...document.querySelectorAll('[data-chart]')]"
        ".map((figure) => figure.querySelector('path.l0').getAttribute('d').length > 0)"
    )

    # What starts with "data:" is in the page, or the drawing of the browser's own controls.
    assert [url for url in urls if url != address and not url.startswith("data:")] == []
    assert browser.get_log("browser") == []
    assert all(drawn)
    assert len(drawn) >= {"pair": 6, "bleed": 3, "comb": 1, "layout": 1}.get(job, 0)
    for width in (1440, 320):
        browser.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 600},
        )
        assert browser.execute_script("return document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("job", JOBS)
def test_no_accessibility_finding(reports, browser, job):
    """axe-core's rules, best practices and the visible label included."""
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    browser.get((reports[job] / "report.html").as_uri())

    assert headless.axe(browser, headless.ALL_RULES) == []


@pytest.mark.parametrize(("flip", "delay"), [(False, 0.0), (True, 0.0), (True, -9 / 48)])
def test_bench_of_a_pair_is_the_comb(reports, browser, flip, delay):
    """Right is left, 9 samples late, at 0.7 and inverted: |1 ± 0.7 e^{jωτ}|² / 1.49 (closed form)."""
    browser.get((reports["pair"] / "report.html").as_uri())
    level, frequency, delay_set = browser.execute_script(
        "const {bench} = document.querySelector('#try .bench');"
        "bench.set({delay: arguments[0], invert: arguments[1]});"
        "return [bench.sumChart.spec.series[0].y, curves.bands.centre_hz, bench.delay]",
        delay,
        flip,
    )
    frequency, level = np.array(frequency), np.array(level)
    left = 9 / 48 + delay_set
    wave = 1 + (1 if flip else -1) * 0.7 * np.exp(-2e-3j * np.pi * frequency * left)
    expected = 10 * np.log10(np.abs(wave) ** 2 / 1.49)
    low = (frequency > 40) & (frequency < 1500)  # narrow bands: smoothing over a 24th of an octave is nothing

    assert level[low] == pytest.approx(expected[low], abs=0.15)


@pytest.mark.parametrize("job", ["pair", "bleed"])
def test_bench_of_two_tracks_plays(reports, browser, job):
    """The switch, both waves and the sound are there; the sum is heard from the page alone."""
    browser.get((reports[job] / "report.html").as_uri())
    browser.find_element("css selector", "#try .play").click()
    state, waves = browser.execute_script(
        "const {bench} = document.querySelector('#try .bench');"
        "const found = [bench.listening.context.state, bench.waveChart.waves.length];"
        "stopAll(); return found"
    )

    assert state == "running"
    assert waves == 2


@pytest.mark.parametrize(("job", "names"), [("pair", 2), ("bleed", 2)])
def test_sums_play_from_the_page_without_a_network(reports, job, names):
    """Every player names a file beside the page, under a caution about hearing (NIOSH 98-126)."""
    page = (reports[job] / "report.html").read_text(encoding="utf-8")
    files = re.findall(r'<audio[^>]* src="([^"]+)"', page)

    assert len(files) >= names
    assert all((reports[job] / file).is_file() and "/" not in file for file in files)
    assert "85 dB(A)" in page
    assert "<audio" not in (reports["comb"] / "report.html").read_text(encoding="utf-8")


def test_a_sum_is_really_heard_in_the_browser(reports, browser):
    """The page's own policy lets the file beside it load: its length is that of the take (4 s)."""
    browser.get((reports["pair"] / "report.html").as_uri())
    length = browser.execute_async_script(
        "const done = arguments[0], sound = document.querySelector('audio');"
        "sound.onerror = () => done('refused'); sound.onloadedmetadata = () => done(sound.duration);"
        "sound.preload = 'metadata'; sound.load();"
    )

    assert length == pytest.approx(4.0, abs=0.01)
