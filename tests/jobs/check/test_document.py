"""The document of a check: every promised field with its type, and what must hold whatever was measured."""

import csv
import io
import json
import math
from types import NoneType

import numpy as np
import pytest
import soundfile

import polaritykit
from polaritykit.jobs.check.document import build_document
from polaritykit.jobs.check.page import report_page
from polaritykit.jobs.check.text import corrections_csv, pairs_csv, summary_text

RATE = 48_000
HOSTILE = "<img src=x onerror=alert(1)>"
FORMULA = '=1+1,"quoted"'

NUMBER = (int, float)
MAYBE = (int, float, NoneType)
POLARITY = {"same", "inverted", "unclear"}
FAULTS = {
    "clipped",
    "true_peak_over",
    "silent",
    "dc_offset",
    "duplicate",
    "hum",
    "unreadable",
    "not_finite",
    "too_short",
}
#: The contract (DEVELOPERS.md): dict = exactly these keys, list = every item, tuple = types, set = values.
PAIR_SOURCE = {
    "home": (str,),
    "kind": {"hits", "continuous"},
    "hits": (int,),
    "offset_ms": MAYBE,
    "offset_std_ms": MAYBE,
    "polarity": POLARITY,
    "confidence": NUMBER,
    "level_db": NUMBER,
    "dissents": (bool,),
    "band_hz": [NUMBER],
    "level_difference_db": NUMBER,
    "sum_effect_db": MAYBE,
    "sum_effect_aligned_db": MAYBE,
}
PAIR = {
    "reference": (str,),
    "other": (str,),
    "related": (bool,),
    "relation": {"acoustic", "crosstalk", "hum", "copy", None},
    "offset_ms": MAYBE,
    "offset_std_ms": MAYBE,
    "offset_samples": MAYBE,
    "polarity": POLARITY,
    "confidence": NUMBER,
    "grade": {"strong", "single-source", None},
    "method": {"hits", "continuous", None},
    "reason": (str, NoneType),
    "sources": [PAIR_SOURCE],
    "level_difference_db": MAYBE,
    "notches_hz": [NUMBER],
    "notch_depth_db": MAYBE,
    "gain_db": {"flipped": NUMBER, "aligned": NUMBER, "aligned_flipped": NUMBER},
    "drift_ppm": MAYBE,
    "changes": [
        {"time_s": NUMBER, "what": (str,), "offset_before_ms": MAYBE, "offset_after_ms": MAYBE},
    ],
    "advice": {
        "action": {"leave", "flip", "delay", "flip_and_delay", "listen", "move"},
        "invert": (bool,),
        "delay_ms": NUMBER,
        "gain_db": NUMBER,
        "why": (str,),
    },
}
TRACK = {
    "name": (str,),
    "file": (str,),
    "file_base64": (type(None),),
    "channel": (int,),
    "faults": [FAULTS],
    "peak_dbfs": MAYBE,
    "true_peak_dbtp": MAYBE,
    "rms_dbfs": MAYBE,
    "crest_db": MAYBE,
    "noise_floor_dbfs": MAYBE,
    "dc_offset": NUMBER,
    "clipped_runs": (int,),
    "clipped_samples": (int,),
    "clip_dbfs": MAYBE,
    "hum_hz": MAYBE,
    "hum_dbfs": MAYBE,
    "duplicate_of": (str, NoneType),
    "linked_with": (str, NoneType),
    "remarks": [(str,)],
}
DOCUMENT = {
    "schema_version": (int,),
    "program": {"name": (str,), "version": (str,)},
    "command": {"check"},
    "created": (str,),
    "session": {
        "name": (str,),
        "folder": (str,),
        "folder_base64": (type(None),),
        "start_times_ignored": (bool,),
        "duration_s": NUMBER,
        "n_samples": (int,),
        "purpose": {"kit", "pair", "general"},
    },
    "sample_rate": (int,),
    "notes": [(str,)],
    "summary": {
        "headline": (str,),
        "sentences": [(str,)],
        "counts": {
            "pairs": (int,),
            "related": (int,),
            "decided": (int,),
            "inverted": (int,),
            "flips": (int,),
            "delays": (int,),
        },
    },
    "files": [
        {
            "file": (str,),
            "file_base64": (type(None),),
            "size_bytes": (int,),
            "sample_rate": (int,),
            "channels": (int,),
            "frames": (int,),
            "start_samples": (int, type(None)),
            "audio_sha256": (str,),
        }
    ],
    "tracks": [TRACK],
    "sources": [
        {
            "id": (str,),
            "name": (str,),
            "home": (str,),
            "kind": {"hits", "continuous"},
            "hits": (int,),
            "times_s": [NUMBER],
            "arrivals": [
                {"track": (str,), "offset_ms": MAYBE, "offset_std_ms": MAYBE, "level_db": NUMBER},
            ],
        }
    ],
    "pairs": [PAIR],
    "corrections": {
        "anchor": (str, NoneType),
        "tracks": [
            {
                "name": (str,),
                "invert": (bool,),
                "delay_ms": NUMBER,
                "delay_samples": NUMBER,
                "late_ms": MAYBE,
                "why": (str,),
                "rule": (str, type(None)),
            },
        ],
        "groups": [[(str,)]],
        "outvoted": [{"reference": (str,), "other": (str,), "why": (str,)}],
        "loops": [{"tracks": [(str,)], "residual_ms": NUMBER}],
    },
    "kit_sum": {"centre_hz": [NUMBER], "before_db": [NUMBER], "after_db": [NUMBER]},
    "served": [
        {
            "home": (str,),
            "together": [(str,)],
            "apart": [{"track": (str,), "residual_ms": NUMBER}],
        }
    ],
    "sum_peak": {"dbtp": NUMBER, "is_bound": (bool,)},
    "levels_advice": [(str,)],
    "curves": {
        "frequency_hz": [NUMBER],
        "lag_ms": {"start": NUMBER, "step": NUMBER, "count": (int,)},
        "floor_db": NUMBER,
        "bands": {"centre_hz": [NUMBER], "first": [(int,)], "last": [(int,)]},
        "tracks": (dict,),
        "pairs": [
            {
                "reference": (str,),
                "other": (str,),
                "aligned_ms": NUMBER,
                "cross": (str,),
                "correlation": (str,),
            },
        ],
    },
    "settings": (dict,),
}
#: Fields that may be null as a whole.
OPTIONAL = {"gain_db", "band_hz", "curves", "sum_peak"}


def faults_in(value, wanted, place="document"):
    """Places where a value departs from the contract."""
    if value is None and place.rsplit(".", 1)[-1] in OPTIONAL:
        return []
    match wanted:
        case dict():
            right = isinstance(value, dict) and set(value) == set(wanted)
            inside = [(value[key], wanted[key], f"{place}.{key}") for key in wanted] if right else []
        case list():
            right = isinstance(value, list)
            inside = [(item, wanted[0], f"{place}[{n}]") for n, item in enumerate(value)] if right else []
        case set():
            right, inside = value in wanted, []
        case _:
            right, inside = isinstance(value, wanted) and (bool in wanted or not isinstance(value, bool)), []
    here = [] if right else [f"{place}: {sorted(value) if isinstance(value, dict) else value!r}"]
    return here + [fault for part in inside for fault in faults_in(*part)]


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


def test_every_field_is_there_with_its_type(document):
    """Neither a field less nor one that nobody described."""
    assert faults_in(document, DOCUMENT) == []


def test_tracks_from_arrays_have_no_file(documents):
    """The same contract for arrays, but for the places of files."""
    faults = faults_in(documents[1], DOCUMENT)

    assert {fault.split(".")[-1] for fault in faults} == {"file: None", "folder: None"}


def test_json_survives_without_nan(document):
    """JSON knows no NaN or infinity; what is written is what is read."""
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert all(math.isfinite(number) for number in numbers_in(document))


def test_a_number_that_is_not_finite_is_refused():
    """Better a fault than a report that no reader can parse."""
    findings = polaritykit.analyse_arrays({"a": sustained(1), "b": sustained(2)}, sample_rate_hz=RATE)
    broken = {"loops": [{"tracks": ("a", "b", "a"), "residual_ms": float("nan")}]}
    from polaritykit.jobs.check import document as module

    with pytest.raises(ValueError, match="not finite"):
        module._json_safe(broken)
    assert build_document(findings)["session"]["name"] == "arrays"


def test_every_pair_of_usable_tracks_once_in_session_order(document):
    """Unrelated pairs too; the unreadable file is a track with a fault and in no pair."""
    names = [track["name"] for track in document["tracks"] if "unreadable" not in track["faults"]]
    pairs = [(pair["reference"], pair["other"]) for pair in document["pairs"]]

    assert pairs == [(a, b) for index, a in enumerate(names) for b in names[index + 1 :]]
    assert [t["name"] for t in document["tracks"] if "unreadable" in t["faults"]] == ["rubbish"]
    assert document["summary"]["counts"]["pairs"] == len(pairs) == 10


def test_the_planted_pair_is_measured(document):
    """96 samples at 48 kHz are 2 ms; the sign was turned; the level is 0.7 (-3.1 dB)."""
    pair = pair_of(document, HOSTILE, FORMULA)
    sign = 1 if pair["other"] == FORMULA else -1

    assert sign * pair["offset_ms"] == pytest.approx(2.0, abs=0.002)
    assert sign * pair["offset_samples"] == pytest.approx(96, abs=0.1)
    assert sign * pair["level_difference_db"] == pytest.approx(20 * np.log10(0.7), abs=0.1)
    assert (pair["polarity"], pair["relation"]) == ("inverted", "acoustic")
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
