"""CSV read back by the csv module, and the terminal summary at several widths with hostile names."""

import csv
import io
import re
import unicodedata

import page_fixture
import pytest

from polaritykit.jobs.check.text import _costs, corrections_csv, pairs_csv, summary_text


@pytest.fixture(scope="module")
def document():
    """Return the invented session's document."""
    return page_fixture.make_document()


def _rows(text):
    return list(csv.DictReader(io.StringIO(text)))


def test_pairs_csv_holds_every_pair_and_its_numbers(document):
    """Read back (RFC 4180 quoting by the standard library), every number equals the document's."""
    rows = _rows(pairs_csv(document))

    assert len(rows) == len(document["pairs"])
    for row, pair in zip(rows, document["pairs"], strict=True):
        assert (row["reference"], row["other"]) == (pair["reference"], pair["other"])
        assert row["related"] == ("true" if pair["related"] else "false")
        assert row["offset_ms"] == ("" if pair["offset_ms"] is None else repr(pair["offset_ms"]))
        assert row["polarity"] == pair["polarity"]
        assert row["advice_action"] == (pair["advice"]["action"] if pair["advice"] else "")


def test_corrections_csv_keeps_hostile_names_whole(document):
    """Quotes, markup, right-to-left and 200 characters come back as they went in."""
    rows = _rows(corrections_csv(document))

    assert [row["name"] for row in rows] == [track["name"] for track in document["corrections"]["tracks"]]
    assert {row["anchor"] for row in rows} == {"07_oh_left"}
    assert {row["name"] for row in rows if row["invert"] == "true"} == {
        "03_snare_bottom",
        page_fixture.QUOTES,
    }


@pytest.mark.parametrize("width", [40, 80, 160])
def test_summary_fits_the_terminal(document, width):
    """No line is wider than the terminal, counted as Unicode Standard Annex 11 counts columns."""
    for line in summary_text(document, width=width).splitlines():
        columns = sum(2 if unicodedata.east_asian_width(char) in "WF" else 1 for char in line)
        assert columns <= width


def test_summary_answers_first(document):
    """The headline is the first line; what to set comes before what is unclear; reasons are given."""
    text = summary_text(document)

    assert text.startswith(document["summary"]["headline"])
    assert text.index("Set this") < text.index("Unclear") < text.index("Levels and files")
    assert "flip polarity, delay 8.17 ms (392 samples)" in text
    assert "two lobes of opposite sign" in text
    assert "silent" in text


def test_summary_without_emphasis_has_no_control_codes(document):
    """Plain text only, whatever the names hold; with emphasis only bold on and off."""
    hostile = dict(document, notes=["a name with \x1b[31m, \x07 and \u202e in it"])
    plain = summary_text(hostile)
    bold = summary_text(hostile, emphasis=True)

    assert not [char for char in plain if char != "\n" and unicodedata.category(char) == "Cc"]
    assert "\u202e" not in plain
    assert set(re.findall(r"\x1b\[\d+m", bold)) == {"\x1b[1m", "\x1b[0m"}


def test_long_lists_are_cut_and_say_so(document):
    """A session of many unclear pairs still fits on a screen."""
    unclear = next(pair for pair in document["pairs"] if pair["related"] and pair["polarity"] == "unclear")
    many = dict(document, pairs=[dict(unclear, other=f"track {k}") for k in range(100)])
    text = summary_text(many)

    assert text.count("two lobes") == 1  # a reason is said once
    assert "100 pairs" in text
    assert "96 more" in text
    different = dict(many, pairs=[dict(pair, reason=f"reason {k}") for k, pair in enumerate(many["pairs"])])
    assert "90 more pairs in the report" in summary_text(different)


def test_what_does_not_fit_is_said_once_a_reason(document):
    """Fifteen pairs of one track with one sentence are one line: the sentence, and the tracks."""
    outvoted = [
        {"reference": "snare", "other": f"mic {k}", "why": "hat is heard inverted here"} for k in range(15)
    ]
    text = summary_text(dict(document, corrections=dict(document["corrections"], outvoted=outvoted)))

    assert text.count("hat is heard inverted here") == 1
    assert "15 pairs" in text
    assert "snare with mic 0, mic 1, mic 2, mic 3 and 11" in " ".join(text.split())


def test_nothing_to_set_leaves_no_empty_heading(document):
    """A clean session gets no empty lists."""
    clean = dict(
        document,
        pairs=[],
        tracks=[],
        notes=[],
        corrections={"anchor": None, "tracks": [], "groups": [], "outvoted": [], "loops": []},
    )

    assert "Set this" not in summary_text(clean)
    assert "Unclear" not in summary_text(clean)


def test_a_session_fits_a_screen(document):
    """Forty lines of eighty columns (common practice, no source), every setting in them; -v tells all."""
    busy = dict(
        document, notes=[f"{name}.wav was left out: it cannot be read. " * 3 for name in "abcdefghij"]
    )
    brief = summary_text(busy, verbose=False)
    told = summary_text(busy)

    assert len(brief.splitlines()) <= 40 < len(told.splitlines())
    assert "flip polarity, delay 8.17 ms (392 samples)" in brief
    assert "7 more remarks in the report, and here with -v." in brief
    assert "with -v" not in told


def test_what_a_setting_costs_is_told_without_a_sign():
    """A loss of -1.3 dB costs 1.3 dB, of the source by its own name."""
    lossy = [{"home": "03_tom.L", "octave_hz": 250.0, "db": -1.3, "where": "all"}]

    assert _costs({"losses": lossy}) == "; costs the tom 1.3 dB around 250 Hz in the sum of all tracks"
    assert _costs({"losses": []}) == ""
    two = [
        {**lossy[0], "home": home, "db": db}
        for home, db in (("02_snare_top", -1.2), ("03_snare_bottom", -2.0))
    ]
    assert _costs({"losses": two}) == "; costs the snare 2.0 dB around 250 Hz in the sum of all tracks"


def test_the_worst_losses_are_told_and_the_others_counted():
    """Three of them; what is sure before what may be, however large."""
    lossy = [{"home": "tom", "octave_hz": 63.0 * 2**k, "db": -1.0 - k, "where": "all"} for k in range(4)]
    lossy.append({"home": "kick", "octave_hz": 63.0, "db": -0.4, "std_db": 20.0, "where": "all"})
    told = _costs({"losses": lossy})

    assert told.startswith("; costs the tom 4.0 dB around")
    assert told.count("the tom") == 3
    assert told.endswith("; 2 more in the report")


def test_what_may_be_lost_is_told_as_that():
    """0.4 dB ± 1.2 may be 1.6 dB (one standard deviation); 1.3 ± 0.5 is a loss."""
    lossy = [
        {"home": "kick", "octave_hz": 63.0, "db": -0.4, "std_db": 1.2, "where": "all"},
        {"home": "snare", "octave_hz": 250.0, "db": -1.3, "std_db": 0.5, "where": "own"},
    ]

    assert _costs({"losses": lossy}) == (
        "; costs the snare 1.3 dB around 250 Hz in its own mics"
        "; may cost the kick up to 1.6 dB around 63 Hz in the sum of all tracks"
    )
