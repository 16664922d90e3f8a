"""Figures: what is drawn equals what was computed; hostile names and other formats draw without a warning."""

import io

import numpy as np
import page_fixture
import pytest

from polaritykit.jobs.check.plots import pair_panel, session_map
from polaritykit.spectra.pair_sum import log_bands, summed_response
from polaritykit.spectra.stored import decode, encode


@pytest.fixture(scope="module")
def document():
    """Return the invented session's document."""
    return page_fixture.make_document()


def test_pair_panel_draws_the_measured_curves(document):
    """The recorded curve comes from the signals' spectra; the correlation peaks at the true delay."""
    a, b = "02_snare_top", "07_oh_left"
    figure = pair_panel(document, a, b)
    response, correlation = figure.axes[0], figure.axes[1]
    measured = page_fixture.pair_spectra(a, b)
    bands = log_bands(measured.frequency_hz)
    frequency, level = response.lines[0].get_data()
    drawn = np.interp(np.log(bands.centre_hz), np.log(frequency), level)
    off = np.abs(drawn - summed_response(measured, bands))

    assert np.max(off[bands.centre_hz < 2000]) < 0.01  # single bins there; single precision in between
    assert np.percentile(off, 95) < 0.5  # bins are stored in groups
    curve = correlation.lines[0]
    assert curve.get_xdata()[np.argmax(curve.get_ydata())] == pytest.approx(123.4 / 48, abs=0.5 / 48)


def test_inverted_pair_peaks_downwards(document):
    """03_snare_bottom is wired backwards in the signals."""
    curve = pair_panel(document, "02_snare_top", "03_snare_bottom").axes[1].lines[0]

    assert np.argmax(np.abs(curve.get_ydata())) == np.argmin(curve.get_ydata())


def test_map_shows_both_directions(document):
    """Seen from the other track the offset is negated and the polarity kept."""
    texts = [text.get_text() for text in session_map(document).axes[0].texts]

    assert "ø +1.98\n97 %" in texts
    assert "ø −1.98\n97 %" in texts
    related = sum(pair["related"] for pair in document["pairs"])
    assert len(texts) == 2 * related


@pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
def test_hostile_names_are_drawn_in_every_format(document, kind):
    """No formula is set from dollar signs and no missing glyph warns (warnings are errors here)."""
    text = dict(document, tracks=[dict(track) for track in document["tracks"]])
    text["tracks"][-1]["name"] = r"$\frac{1}$ 太鼓 \x00"
    buffer = io.BytesIO()
    session_map(text).savefig(buffer, format=kind)
    pair_panel(document, page_fixture.EMOJI, page_fixture.RIGHT_TO_LEFT).savefig(buffer, format=kind)

    assert buffer.tell() > 5000


def test_a_given_figure_is_drawn_on(document):
    """The caller's own figure is used and returned."""
    from matplotlib.figure import Figure

    figure = Figure()

    assert session_map(document, figure) is figure
    assert len(figure.axes) == 1


def test_pair_without_curves_is_refused(document):
    """Only the pairs worth looking at have curves."""
    with pytest.raises(KeyError):
        pair_panel(document, "01_kick", page_fixture.EMOJI)


def test_arrays_survive_as_text():
    """Little-endian float32 as numpy itself reads it."""
    values = np.array([0.5, -1.25, 3e-8])
    pair = np.array([1 + 2j, -3.5 - 0.25j])

    assert decode(encode(values)) == pytest.approx(values, rel=1e-7)
    assert decode(encode(pair)).tolist() == [1.0, 2.0, -3.5, -0.25]
