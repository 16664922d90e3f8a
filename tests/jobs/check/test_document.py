"""The document of a check: what must hold whatever was measured."""

import csv
import io
import json
import math
from dataclasses import replace

import numpy as np
import pytest
import soundfile

import polaritykit
from polaritykit.decide.findings import SumPeak
from polaritykit.jobs.check.document import build_document
from polaritykit.jobs.check.page import report_page
from polaritykit.jobs.check.text import corrections_csv, pairs_csv, summary_text

RATE = 48_000
HOSTILE = "<img src=x onerror=alert(1)>"
FORMULA = '=1+1,"quoted"'

NUMBER = (int, float)


def numbers_in(value):
    """Every number of a document."""
    if isinstance(value, dict):
        return [number for item in value.values() for number in numbers_in(item)]
    if isinstance(value, list):
        return [number for item in value for number in numbers_in(item)]
    return [value] if isinstance(value, NUMBER) and not isinstance(value, bool) else []


def sustained(seed, n=4 * RATE):
    """Noise that swells and fades."""
    noise = np.random.default_rng(seed).standard_normal(n)
    return 0.1 * noise * (1.2 + np.sin(2 * np.pi * 1.7 * np.arange(n) / RATE))


@pytest.fixture(scope="module")
def documents(tmp_path_factory):
    """Check a session with one of everything: a late inverted pair, a stranger, silence, a copy, rubbish."""
    folder = tmp_path_factory.mktemp("session")
    shared, own = sustained(1), sustained(2)
    rng = np.random.default_rng(3)
    made = {
        HOSTILE: shared[96:],
        FORMULA: -shared[:-96] * 0.7 + 1e-3 * rng.standard_normal(len(shared) - 96),
        "stranger": own[96:],
        "silent": np.zeros(len(shared) - 96),
        "copy of stranger": own[96:] * 0.5,
    }
    for name, samples in made.items():
        soundfile.write(folder / f"{name}.wav", samples, RATE, subtype="FLOAT")
    (folder / "rubbish.wav").write_bytes(b"RIFF, but nothing that follows")
    session = polaritykit.open_session([folder])
    findings = polaritykit.analyse(session.recording)
    return build_document(findings, session), build_document(findings)


@pytest.fixture(scope="module")
def document(documents):
    """Return the document of a session of files."""
    return documents[0]


def pair_of(document, reference, other):
    """Return one pair."""
    return next(p for p in document["pairs"] if {p["reference"], p["other"]} == {reference, other})


def test_tracks_from_arrays_have_no_file(documents):
    """The same document for arrays, but for the places of files."""
    files, arrays = documents

    assert arrays.keys() == files.keys()
    assert arrays["session"]["folder"] is None
    assert {track["file"] for track in arrays["tracks"]} == {None}
    assert None not in {track["file"] for track in files["tracks"]}


def test_json_survives_without_nan(document):
    """JSON knows no NaN or infinity; what is written is what is read."""
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert all(math.isfinite(number) for number in numbers_in(document))


def test_a_number_that_is_not_finite_is_refused():
    """Better a fault than a report that no reader can parse."""
    findings = polaritykit.analyse_arrays({"a": sustained(1), "b": sustained(2)}, sample_rate_hz=RATE)
    broken = replace(findings, sum_peak=SumPeak(dbtp=math.nan, is_bound=False))

    with pytest.raises(ValueError, match="not finite"):
        build_document(broken)
    assert build_document(findings)["session"]["name"] == "arrays"


def test_every_pair_of_usable_tracks_once_in_session_order(document):
    """Unrelated pairs too; the unreadable file is a track with a fault and in no pair."""
    names = [track["name"] for track in document["tracks"] if "unreadable" not in track["faults"]]
    pairs = [(pair["reference"], pair["other"]) for pair in document["pairs"]]

    assert pairs == [(a, b) for index, a in enumerate(names) for b in names[index + 1 :]]
    assert [t["name"] for t in document["tracks"] if "unreadable" in t["faults"]] == ["rubbish"]
    assert document["summary"]["counts"]["pairs"] == len(pairs) == 10


def test_the_planted_pair_is_measured(document):
    """96 samples at 48 kHz are 2 ms; the sign was turned; the level is 0.7 (-3.1 dB): a copy."""
    pair = pair_of(document, HOSTILE, FORMULA)
    sign = 1 if pair["other"] == FORMULA else -1

    assert sign * pair["offset_ms"] == pytest.approx(2.0, abs=0.002)
    assert sign * pair["offset_samples"] == pytest.approx(96, abs=0.1)
    assert sign * pair["level_difference_db"] == pytest.approx(20 * np.log10(0.7), abs=0.1)
    assert (pair["polarity"], pair["relation"]) == ("inverted", "copy")
    assert "96 samples late" in pair["reason"]
    # Inverted and 2 ms late: notches at multiples of 500 Hz, 0 Hz included (closed form).
    assert pair["notches_hz"][:4] == pytest.approx([0, 500, 1000, 1500], abs=1)


def test_silence_strangers_and_copies_are_named(document):
    """Each in its own words: a fault of the track, a relation or a reason of the pair."""
    faults = {track["name"]: track["faults"] for track in document["tracks"]}
    copy = pair_of(document, "stranger", "copy of stranger")
    apart = pair_of(document, HOSTILE, "stranger")

    assert "silent" in faults["silent"]
    assert sum("duplicate" in found for found in faults.values()) == 1
    assert (copy["related"], copy["relation"]) == (True, "copy")
    assert (apart["related"], apart["offset_ms"], apart["polarity"]) == (False, None, "unclear")
    assert apart["reason"]


def test_what_is_not_known_has_a_reason(document):
    """None is never left alone."""
    for pair in document["pairs"]:
        assert pair["polarity"] != "unclear" or pair["reason"]
        assert pair["related"] or pair["offset_ms"] is None
        assert (pair["offset_ms"] is None) == (pair["offset_std_ms"] is None)
        assert (pair["grade"] is None) == (pair["polarity"] == "unclear")
        assert 0.5 <= pair["confidence"] <= 1.0


def test_delays_can_be_set_on_a_desk(document):
    """None is negative, and the latest track sets zero."""
    delays = [track["delay_ms"] for track in document["corrections"]["tracks"]]

    assert min(delays) == 0.0
    assert all(pair["advice"]["delay_ms"] >= 0 for pair in document["pairs"])


def test_the_other_order_negates_the_offset_and_keeps_the_polarity():
    """The same two tracks named in the other order."""
    shared = sustained(1)
    a, b = shared[96:], -shared[:-96]
    there = polaritykit.analyse_arrays({"a": a, "b": b}, sample_rate_hz=RATE)
    back = polaritykit.analyse_arrays({"b": b, "a": a}, sample_rate_hz=RATE)
    one, two = build_document(there)["pairs"][0], build_document(back)["pairs"][0]

    assert two["offset_ms"] == pytest.approx(-one["offset_ms"], abs=1e-3)
    assert two["polarity"] == one["polarity"] == "inverted"
    assert two["level_difference_db"] == pytest.approx(-one["level_difference_db"], abs=1e-6)
    assert two["gain_db"] == pytest.approx(one["gain_db"], abs=0.01)


def test_hostile_names_stay_names(document):
    """No markup in the page; tables and JSON hold them as they stand, commas and quotes included."""
    names = {track["name"] for track in document["tracks"]}
    corrections = list(csv.DictReader(io.StringIO(corrections_csv(document))))
    pairs = list(csv.DictReader(io.StringIO(pairs_csv(document))))

    assert {HOSTILE, FORMULA} <= names
    assert HOSTILE not in report_page(document)
    assert {HOSTILE, FORMULA} <= {cell for row in corrections for cell in row.values()}
    assert {HOSTILE, FORMULA} <= {cell for row in pairs for cell in row.values()}
    assert HOSTILE in summary_text(document)
