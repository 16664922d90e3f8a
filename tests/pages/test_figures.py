"""Figures fit for print: resolution, fonts and names, read back from the files themselves."""

import io
import re

import pytest

from polaritykit.pages.figures import figure_name, image_bytes, job_figures
from polaritykit.pages.view import JobView, Section, ViewChart, octave_chart

CENTRES = [125.0, 250.0, 500.0]


@pytest.fixture(scope="module")
def figure():
    """Return one chart with uncertainties, from -7 to 4 dB."""
    spec = octave_chart(
        "dB",
        CENTRES,
        {"as recorded": [-7.0, None, 4.0], "flipped": [1.0, 2.0, 3.0]},
        tones={"as recorded": "recorded", "flipped": "inverted"},
        stds={"as recorded": [1.0, None, 0.5]},
    )
    section = Section(title="Sums", charts=(ViewChart(caption="Sum, dB", spec=spec),))
    view = JobView(job="", name="", facts="", headline="", sentences=(), sections=(section,), cautions=())
    (made,) = job_figures(view)
    return made


def test_png_has_300_dots_to_the_inch(figure):
    """PNG (ISO/IEC 15948), pHYs chunk: 300 / 0.0254 = 11811 dots to the metre."""
    data = image_bytes(figure, "png")
    place = data.index(b"pHYs") + 4

    assert int.from_bytes(data[place : place + 4]) == 11811


def test_pdf_embeds_truetype(figure):
    """PDF (ISO 32000-1, table 122): a TrueType program stands in FontFile2; Type 3 fonts are refused."""
    data = image_bytes(figure, "pdf")

    assert b"/FontFile2" in data
    assert b"/Type3" not in data


def test_svg_text_is_text(figure):
    """What is written can be searched and edited."""
    data = image_bytes(figure, "svg").decode()

    assert re.search(r"<text[^>]*>Sum, dB</text>", data)
    assert image_bytes(figure, "svg").decode() == data  # no time stamp, no random names


def test_zero_has_its_tick_and_bars_are_drawn(figure):
    """0 dB is among the ticks; the axis holds value and bar; unknown values leave a gap."""
    axes = figure.axes[0]
    low, high = axes.get_ylim()

    assert 0.0 in axes.get_yticks()
    assert low <= -8.0
    assert high >= 4.5
    assert len(axes.collections) == 1  # the bars of the one series that has them


def test_names_of_tracks_are_in_names_of_files():
    """No separator, no dot at the end, nothing empty; long ones are cut."""
    assert figure_name("pair_01", "../etc", "kick") == "pair_01_etc_kick"
    assert figure_name("x", "???") == "x_track"
    assert len(figure_name("x", "a" * 300)) < 50


def test_any_kind_is_whole(figure):
    """A picture of each kind begins as its format says."""
    assert image_bytes(figure, "png")[:8] == b"\x89PNG\r\n\x1a\n"
    assert io.BytesIO(image_bytes(figure, "pdf")).read(5) == b"%PDF-"
