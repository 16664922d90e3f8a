"""The report page as text: escaping, self-containment, figures equal to the document's, size."""

import base64
import hashlib
import html
import json
import re
from html.parser import HTMLParser

import page_fixture
import pytest

from polaritykit.base.wording import measured, number, percent
from polaritykit.jobs.check import page
from polaritykit.jobs.check.document import CURVE_BYTES


@pytest.fixture(scope="module")
def document():
    """Return the invented session's document."""
    return page_fixture.make_document()


@pytest.fixture(scope="module")
def text(document):
    """Return its page."""
    return page.report_page(document)


class _Reader(HTMLParser):
    """Collects elements with attributes, and the text of some."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.elements = []
        self.inside = []
        self.raw = {"script": [], "style": []}
        self.words = []

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        self.inside.append(tag)

    def handle_endtag(self, tag):
        while self.inside and self.inside.pop() != tag:
            pass

    def handle_data(self, data):
        if self.inside and self.inside[-1] in self.raw:
            self.raw[self.inside[-1]].append(data)
        else:
            self.words.append(data)


@pytest.fixture(scope="module")
def read(text):
    """Return the page as the standard library's parser reads it."""
    reader = _Reader()
    reader.feed(text)
    return reader


def test_nothing_is_fetched(read):
    """No element refers to anything outside the file, and the policy forbids it too."""
    for tag, attributes in read.elements:
        for name in ("src", "href", "action", "data", "poster", "srcset"):
            value = attributes.get(name, "#")
            assert value.startswith("#") or value == "data:,", (tag, value)
        assert not [name for name in attributes if name.startswith("on")], tag
        assert "style" not in attributes, tag
    assert not re.search(r"@import|url\(", "".join(read.raw["style"]))


def test_policy_names_exactly_the_script_and_style_of_the_file(read):
    """Content Security Policy Level 3: a hash source is the base64 of the SHA-256 of the element's text."""
    policy = next(
        attributes["content"]
        for tag, attributes in read.elements
        if tag == "meta" and attributes.get("http-equiv") == "Content-Security-Policy"
    )

    def hashed(content):
        return "'sha256-" + base64.b64encode(hashlib.sha256(content.encode()).digest()).decode() + "'"

    script = read.raw["script"][-1]
    assert f"script-src {hashed(script)};" in policy
    assert f"style-src {hashed(''.join(read.raw['style']))};" in policy
    assert policy.startswith("default-src 'none';")
    assert "unsafe" not in policy


@pytest.mark.parametrize("name", list(page_fixture.TRACKS))
def test_hostile_names_are_text(read, name):
    """Every name appears as text; none makes an element or ends the script."""
    assert any(name in words for words in read.words)
    assert not [tag for tag, _ in read.elements if tag == "img"]
    assert sum(tag == "script" for tag, _ in read.elements) == 2
    assert "49" not in [words.strip() for words in read.words]  # {{ 7*7 }} is not evaluated


def test_embedded_data_equals_the_document(read, document):
    """What the script draws from is the document's own curves and numbers."""
    data = json.loads(read.raw["script"][0])

    assert data["curves"] == document["curves"]
    related = [pair for pair in document["pairs"] if pair["related"]]
    assert [pair["offset_ms"] for pair in data["pairs"]] == [pair["offset_ms"] for pair in related]
    for pair in data["pairs"]:
        entry = data["curves"]["pairs"][pair["curve"]]
        assert (entry["reference"], entry["other"]) == (pair["reference"], pair["other"])


def test_every_pair_shows_the_documents_figures(text, document):
    """Offset, confidence, polarity, gain and reason of each pair stand in its panel, rounded."""
    panels = re.findall(
        r'<details class="pair[^>]*data-index="(\d+)".*?</details>\s*</details>', text, re.DOTALL
    )
    related = [k for k, pair in enumerate(document["pairs"]) if pair["related"]]
    assert sorted(map(int, panels)) == related
    for found in re.finditer(
        r'<details class="pair[^>]*data-index="(\d+)".*?</details>\s*</details>', text, re.DOTALL
    ):
        panel, pair = found[0], document["pairs"][int(found[1])]
        words = html.unescape(re.sub(r"<[^>]+>", "", panel))
        assert measured(pair["offset_ms"], pair["offset_std_ms"], "ms", signed=True) in words
        if pair["polarity"] == "unclear":  # no polarity, no confidence in it
            assert percent(pair["confidence"]) not in words
        else:
            assert percent(pair["confidence"]) in words
        assert f"polarity {pair['polarity']}" in words
        assert pair["advice"]["why"] in words
        if pair["advice"]["gain_db"]:
            assert number(pair["advice"]["gain_db"], 1, signed=True) + " dB" in words
        if pair["reason"]:
            assert pair["reason"] in words
        for source in pair["sources"]:
            assert measured(source["offset_ms"], source["offset_std_ms"], "ms", signed=True) in words


def test_map_holds_both_directions_of_every_pair(document, text):
    """A cell links to its pair; seen from the other side the offset is negated."""
    related = sum(pair["related"] for pair in document["pairs"])
    cells = re.findall(
        r'<td class="(\w+)" data-left="\w+"><a href="#pair-(\d+)"><span class="now" aria-hidden="true">'
        r"<b>(.)</b> ([^<]*)<",
        text,
    )
    assert len(cells) == 2 * related
    for pair in document["pairs"]:
        index = str(document["pairs"].index(pair))
        shown = sorted(float(cell[3].replace("−", "-")) for cell in cells if cell[1] == index)
        if pair["related"]:
            assert shown == pytest.approx(sorted([pair["offset_ms"], -pair["offset_ms"]]), abs=0.0051)


def test_levels_equal_the_documents(text, document):
    """Every level of every track, to a tenth; what is not known is a dash."""
    table = text[text.index('<table class="plain levels">') :]
    rows = re.findall(r"<tr><td>.*?</tr>", table[: table.index("</table>")], re.DOTALL)
    for row, track in zip(rows, document["tracks"], strict=True):
        cells = re.findall(r'<td class="num">(.*?)</td>', row)
        expected = [number(track[key], 1) for key in ("peak_dbfs", "true_peak_dbtp", "rms_dbfs")]
        assert cells[:3] == expected
        assert cells[3] == number(track["noise_floor_dbfs"], 0)


@pytest.mark.parametrize(
    ("std", "shown"), [(0.2, "2.6 ± 0.2 ms"), (0.011, "2.57 ± 0.01 ms"), (3.0, "3 ± 3 ms")]
)
def test_no_more_digits_than_the_uncertainty_supports(document, std, shown):
    """GUM 7.2.6 (JCGM 100:2008): the result is given to the digits of its uncertainty (one digit here)."""
    pair = dict(next(pair for pair in document["pairs"] if pair["related"]))
    pair |= {"offset_ms": 2.5713, "offset_std_ms": std, "sources": []}
    changed = page.report_page(dict(document, pairs=[pair]))

    assert f"+{shown}" in changed
    if std != 0.011:
        shown_text = re.sub(r"<[^>]+>", "", changed.split('<script type="application/json"')[0])
        assert "2.57" not in shown_text


def test_page_without_findings_still_renders(document):
    """Unknown everywhere: null offsets, no advice, no curves, no corrections."""
    bare = dict(next(pair for pair in document["pairs"] if pair["related"]))
    bare |= {"offset_ms": None, "offset_std_ms": None, "offset_samples": None, "polarity": "unclear"}
    bare |= {"confidence": None, "advice": None, "sources": [], "notches_hz": None, "reason": "too few hits"}
    curves = dict(document["curves"], pairs=[], tracks={})
    corrections = {"anchor": None, "tracks": [], "groups": [], "outvoted": [], "loops": []}
    made = page.report_page(dict(document, pairs=[bare], curves=curves, corrections=corrections))

    assert "offset unclear" in made
    assert "too few hits" in made
    assert "None" not in re.sub(r"<script.*?</script>", "", made, flags=re.DOTALL)


def test_missing_field_is_an_error_not_a_blank(document):
    """Strict templates: a document that lacks a field is refused."""
    from jinja2 import UndefinedError

    with pytest.raises(UndefinedError, match="headline"):
        page.report_page(dict(document, summary={"sentences": [], "counts": {}}))


def test_not_a_number_is_refused(document):
    """JSON has no NaN (RFC 8259); a page with one would not open."""
    broken = dict(document, curves=dict(document["curves"], floor_db=float("nan")))

    with pytest.raises(ValueError, match="JSON"):
        page.report_page(broken)


def test_a_large_session_stays_under_five_megabytes(document):
    """24 tracks, 276 related pairs, as many curves as a document keeps (5 MB is the promise)."""
    names = [f"{k:02d}_track" for k in range(24)]
    pair = next(pair for pair in document["pairs"] if pair["related"])
    pairs = [dict(pair, reference=a, other=b) for k, a in enumerate(names) for b in names[k + 1 :]]
    auto = next(iter(document["curves"]["tracks"].values()))
    entry = document["curves"]["pairs"][0]
    per_pair = len(entry["cross"]) + len(entry["correlation"])
    curves = dict(
        document["curves"],
        tracks=dict.fromkeys(names, auto),
        pairs=[
            dict(entry, reference=p["reference"], other=p["other"]) for p in pairs[: CURVE_BYTES // per_pair]
        ],
    )
    tracks = [dict(document["tracks"][0], name=name) for name in names]
    settings = [dict(document["corrections"]["tracks"][0], name=name) for name in names]
    corrections = dict(document["corrections"], tracks=settings)
    made = page.report_page(
        dict(document, tracks=tracks, pairs=pairs, curves=curves, corrections=corrections)
    )

    assert len(made.encode()) < 5e6
