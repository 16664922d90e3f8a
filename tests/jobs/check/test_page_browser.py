"""The report in a real browser: opens, shows, prints and can be used by everybody."""

import json

import headless
import pytest
from opened_page import open_pair, wait

from polaritykit.jobs.check.page import report_page


def test_opens_without_a_request_or_a_complaint(opened, address):
    """The only thing loaded is the file itself; the console stays empty, with a panel open and played."""
    for kind in ("browser", "performance"):
        opened.get_log(kind)
    opened.get(address)
    open_pair(opened).find_element("css selector", ".play").click()
    requests = [
        json.loads(entry["message"])["message"]["params"]["request"]["url"]
        for entry in opened.get_log("performance")
        if json.loads(entry["message"])["message"]["method"] == "Network.requestWillBeSent"
    ]

    assert [url for url in requests if url not in (address, "data:,")] == []
    assert opened.get_log("browser") == []
    assert opened.title == "invented kit – microphone check"  # no hostile name ran


def test_ticks_are_kept_and_counted(opened, address):
    """What is ticked stays ticked when the page is opened again."""
    opened.execute_script("localStorage.clear()")
    opened.get(address)
    opened.find_element("css selector", ".tick input").click()
    counted = opened.find_element("css selector", ".done-count").text
    opened.get(address)
    kept = opened.execute_script("return [...document.querySelectorAll('.tick input')].map((t) => t.checked)")

    assert counted.startswith("1 of ")
    assert kept[0]
    assert not any(kept[1:])


def test_links_open_rows_and_back_closes_them(opened):
    """From the settings to the pair with the session's setting, and back to where one was."""
    link = opened.find_element("css selector", "a.hear")
    target = link.get_attribute("href").split("#")[1]
    opened.execute_script("arguments[0].click()", link)
    wait(opened, f"return document.getElementById('{target}').open")
    opened.back()
    wait(opened, f"return !document.getElementById('{target}').open")


def test_closing_stops_the_sound(opened):
    """A row that is closed is silent; one thing sounds at a time."""
    panel = open_pair(opened)
    panel.find_element("css selector", ".play").click()
    playing = "return Boolean(panel.querySelector('.bench').bench.listening.context)"
    assert opened.execute_script(playing)
    opened.find_element("css selector", "#session-sound .play").click()
    assert not opened.execute_script(playing)
    panel.find_element("css selector", ".play").click()
    opened.execute_script("panel.open = false")
    wait(opened, playing.replace("Boolean", "!"))


def test_session_plays_three_ways_without_a_gap(opened, document):
    """One graph for all ways; a switch fades gains, and the gains are the document's."""
    opened.find_element("css selector", "#session-sound .play").click()
    session = document["audio"]["session"]
    read = (
        "const s = document.getElementById('session-sound').sound;"
        "return [s.buses.map((b) => b.gain.value), s.tracks.length, s.context.state]"
    )

    def heard(way):
        opened.execute_script(f"document.querySelector('[data-way={way}]').click()")
        k = ("recorded", "flips", "all").index(way)
        others = " && ".join(f"g[{m}] < 1e-3" for m in range(3) if m != k)
        wanted = 10 ** (session.get(f"{way}_gain_db", 0.0) / 20)
        wait(
            opened,
            f"{read.replace('return', 'const [g] =')}; return Math.abs(g[{k}] - {wanted}) < 1e-2 && {others}",
        )
        return opened.execute_script(read)

    tracks = len(session["sounds"])
    assert {tuple(heard(way)[1:]) for way in ("flips", "all", "recorded")} == {(tracks, "running")}
    graph = "return document.getElementById('session-sound').sound.tracks[0].level.gain.value"
    opened.execute_script("document.querySelector('.mutes input').click()")
    wait(opened, graph + " < 1e-4")
    opened.execute_script("stopAll()")


def test_says_where_there_is_no_sound(opened, browser, document, tmp_path):
    """Of a pair beyond the limit, and of a page without any."""
    panel = open_pair(opened, ("01_kick", "02_snare_top"))
    assert "limit of size" in panel.find_element("css selector", ".silent").text
    (tmp_path / "report.html").write_text(report_page(dict(document, audio=None)), encoding="utf-8")
    browser.get((tmp_path / "report.html").as_uri())
    panel = open_pair(browser)

    assert "--audio" in panel.find_element("css selector", ".silent").text
    assert not panel.find_element("css selector", ".play").is_displayed()


def test_map_after_the_settings(opened, document):
    """What is left of each pair: offsets and signs less the settings."""
    opened.execute_script("document.querySelector('button.after').click()")
    cells = opened.execute_script(
        "return [...document.querySelectorAll('.map td[data-left] a')].map((a) =>"
        " [Number(a.hash.slice(6)), a.closest('td').className, a.querySelector('.left').textContent])"
    )
    settings = {track["name"]: track for track in document["corrections"]["tracks"]}
    for index, kind, text in cells:
        pair = document["pairs"][index]
        a, b = settings[pair["reference"]], settings[pair["other"]]
        turned = {"same": "inverted", "inverted": "same", "unclear": "unclear"}
        expected = turned[pair["polarity"]] if a["invert"] != b["invert"] else pair["polarity"]
        assert expected in kind.split()
        left = pair["offset_ms"] + b["delay_ms"] - a["delay_ms"]
        assert abs(float(text.split()[1].replace("−", "-"))) == pytest.approx(abs(left), abs=0.0051)


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
    acting = [k for k, pair in enumerate(pairs) if pair["related"] and "delay" in pair["advice"]["action"]]

    def in_order(found, key):
        # What acts and what is left as it is are two lists, one after the other.
        keys = [key(pairs[k]) for k in found]
        first = len(acting)
        assert set(found[:first]) == set(acting)
        assert keys[:first] == sorted(keys[:first])
        assert keys[first:] == sorted(keys[first:])

    in_order(shown(sort="gain"), lambda pair: -pair["advice"]["gain_db"])
    in_order(shown(sort="offset"), lambda pair: abs(pair["offset_ms"]))
    assert {pairs[k]["polarity"] for k in shown(show="unclear")} == {"unclear"}
    mine = shown(show="all", track="<IMG")
    assert len(mine) == sum("<img" in pair["reference"] + pair["other"] for pair in related)
    spaced = shown(track="snare top")  # found as 02_snare_top
    assert len(spaced) == sum("02_snare_top" in (pair["reference"], pair["other"]) for pair in related)
    assert shown(track="no such mic") == []
    assert "No pair fits “no such mic”" in opened.find_element("css selector", ".nothing").text


@pytest.mark.parametrize(
    ("scheme", "rules"), [("light", headless.ALL_RULES), ("dark", headless.CONTRAST)], ids=["light", "dark"]
)
def test_no_accessibility_finding(small, scheme, rules):
    """axe-core's rules, best practices and the visible label included; in the dark those on contrast."""
    small.execute_cdp_cmd(
        "Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    )
    small.execute_script("document.querySelectorAll('details').forEach((each) => (each.open = true))")
    wait(small, "return Boolean(document.querySelector('.bench').bench)")

    assert headless.axe(small, rules) == []


@pytest.mark.parametrize(("width", "height"), [(1440, 900), (390, 844), (320, 700)])
def test_nothing_is_wider_than_the_screen(opened, width, height):
    """Only the marked regions scroll sideways; on a phone the settings begin high and fingers find all."""
    opened.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600},
    )
    try:
        open_pair(opened)
        assert opened.execute_script("return document.documentElement.scrollWidth") <= width
        if width == 390:
            top, small = opened.execute_script(
                "const from = (e) => e.getBoundingClientRect().top + scrollY;"
                "const seen = [...document.querySelectorAll('button, input, select, summary, .hear')].filter("
                "(e) => e.offsetParent && !e.closest('.map'));"
                "const label = (e) => e.closest('label') || e;"
                "const low = seen.filter((e) => Math.max(e.getBoundingClientRect().height,"
                " label(e).getBoundingClientRect().height) < 43.5);"
                "return [from(document.querySelector('.set tbody')), low.map((e) => e.outerHTML)]"
            )
            assert top < 350
            assert small == []
    finally:
        opened.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def test_settings_sum_and_map_print_on_one_sheet(opened):
    """A4 (ISO 216: 210 x 297 mm) with margins of 1 cm at 96 dots to the inch: 718 x 1047."""
    opened.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": 718, "height": 1047, "deviceScaleFactor": 1, "mobile": False},
    )
    opened.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        bottom, shown, fill = opened.execute_script(
            "const seen = (e) => e.getBoundingClientRect().height > 0;"
            "return [document.querySelector('#map').getBoundingClientRect().bottom,"
            " ['.set', '.kit', '.map'].every((name) => seen(document.querySelector(name))),"
            " getComputedStyle(document.documentElement).printColorAdjust]"
        )
        assert bottom <= 1047
        assert shown
        assert fill == "exact"
    finally:
        opened.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
        opened.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
