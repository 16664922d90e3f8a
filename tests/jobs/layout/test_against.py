"""A session held against its plan: reversed pairs, latency, moved mics, wiring, levels, notches."""

import math

import numpy as np
import pytest
from made_plan import plan

from polaritykit.base.errors import InputError
from polaritykit.jobs.layout.against import compare
from polaritykit.jobs.layout.predict import predict_layout
from polaritykit.spectra.stored import encode


def report_for(layout, *, change=None, rate=48000):
    """Make a check's document that agrees with a plan; `change` alters (source, a, b, entry)."""
    pairs, homes = {}, {}
    for source in layout.plan.sources:
        heard = [item for item in layout.arrivals if item.source == source.name]
        homes[source.name] = min(heard, key=lambda item: item.distance_m).mic
    for pair in layout.pairs:
        entry = {
            "home": homes[pair.source],
            "hits": 20,
            "offset_ms": pair.offset_ms,
            "offset_std_ms": 0.005,
            "polarity": pair.polarity,
            "confidence": 0.98,
        }
        if change is not None:
            change(pair, entry)
        pairs.setdefault((pair.a, pair.b), []).append(entry)
    return {
        "schema_version": 1,
        "sample_rate": rate,
        "session": {"name": "take 1"},
        "tracks": [{"name": mic.track} for mic in layout.plan.mics],
        "sources": [],
        "pairs": [{"reference": a, "other": b, "sources": entries} for (a, b), entries in pairs.items()],
    }


def kit():
    """Four mics and three sources in general positions."""
    return predict_layout(plan(
        ("source", "snare", [0.25, 0, 0.65]), ("source", "kick", [0, 0.45, 0.3]),
        ("source", "tom", [-0.5, 0.1, 0.6]),
        ("mic", "top", [0.3, 0.05, 0.8]), ("mic", "out", [0, 0.9, 0.35]), ("mic", "rack", [-0.5, 0.2, 0.75]),
        ("mic", "over", [0.1, 0.1, 1.7]),
    ))  # fmt: skip


def test_a_session_that_agrees():
    """Nothing is named where measurement and plan are the same."""
    layout = kit()
    found = compare(layout, report_for(layout))

    assert {lag.verdict for lag in found.lags} == {"agrees"}
    assert all(pair.disagrees == () for pair in found.pairs)
    assert found.missing == ()


def test_reversed_pairs_are_turned():
    """The report's order of the two tracks does not matter."""
    layout = kit()
    report = report_for(layout)
    for pair in report["pairs"]:
        pair["reference"], pair["other"] = pair["other"], pair["reference"]
        for source in pair["sources"]:
            source["offset_ms"] = -source["offset_ms"]

    assert all(pair.disagrees == () for pair in compare(layout, report).pairs)


def test_latency_of_a_digital_link():
    """64 samples on one track, the same for every source: a latency, on that track only."""

    def change(pair, entry):
        entry["offset_ms"] += {pair.b: 1, pair.a: -1}.get("over", 0) * 64 / 48

    layout = kit()
    found = compare(layout, report_for(layout, change=change))
    (lag,) = [lag for lag in found.lags if lag.verdict != "agrees"]

    assert (lag.mic, lag.verdict) == ("over", "latency")
    assert lag.lag_samples == pytest.approx(64, abs=0.5)
    assert "64 samples" in lag.why
    assert all(("offset" in pair.disagrees) == ("over" in (pair.a, pair.b)) for pair in found.pairs)


def test_a_mic_that_moved():
    """The overhead hangs 25 cm from where it was planned: the sources change unequally."""
    layout = kit()
    place = [0.35, 0.1, 1.7]

    def change(pair, entry):
        source = next(s for s in layout.plan.sources if s.name == pair.source)
        mic = next(m for m in layout.plan.mics if m.name == "over")
        moved = (
            1000
            * (math.dist(place, source.position_m) - math.dist(mic.position_m, source.position_m))
            / 343.2
        )
        entry["offset_ms"] += {pair.b: 1, pair.a: -1}.get("over", 0) * moved

    (lag,) = [
        lag for lag in compare(layout, report_for(layout, change=change)).lags if lag.verdict != "agrees"
    ]

    assert (lag.mic, lag.verdict) == ("over", "moved")


def test_wiring_and_other_side():
    """All sources inverted at one mic: wiring; one source only: its other side."""
    layout = kit()
    flip = {"same": "inverted", "inverted": "same"}

    def wiring(pair, entry):
        if "rack" in (pair.a, pair.b):
            entry["polarity"] = flip[entry["polarity"]]

    def one_side(pair, entry):
        if "rack" in (pair.a, pair.b) and pair.source == "kick":
            entry["polarity"] = flip[entry["polarity"]]

    wired = [
        pair
        for pair in compare(layout, report_for(layout, change=wiring)).pairs
        if "polarity" in pair.disagrees
    ]
    sided = [
        pair
        for pair in compare(layout, report_for(layout, change=one_side)).pairs
        if "polarity" in pair.disagrees
    ]
    assert len(wired) == 9
    assert all("rack has the other polarity for every source" in pair.reasons[0] for pair in wired)
    assert len(sided) == 3
    assert all("other side" in pair.reasons[0] for pair in sided)


@pytest.mark.parametrize(
    ("step_db", "words"), [(10, "a pad of 10 dB"), (20.8, "a pad of 20 dB"), (6, "preamp gain")]
)
def test_level_steps(step_db, words):
    """Pads are 10 or 20 dB (common practice); other steps are gain."""
    layout = kit()
    report = report_for(layout)
    homes = {s["home"] for pair in report["pairs"] for s in pair["sources"]}
    home_of = {"top": "snare", "out": "kick", "rack": "tom"}
    for home in homes:
        arrivals = [
            {"track": item.mic, "level_db": item.level_db - 30 - (step_db if item.mic == "over" else 0)}
            for item in layout.arrivals
            if item.source == home_of[home]
        ]
        report["sources"].append({"home": home, "arrivals": arrivals})
    found = [pair for pair in compare(layout, report).pairs if "level" in pair.disagrees]

    assert len(found) == 9
    assert all(
        pair.b == "over" and words in pair.reasons[0] and "over is" in pair.reasons[0] for pair in found
    )


def spectra_report(layout, cross):
    """Make a report that keeps flat spectra and this cross-spectrum for the first pair."""
    report = report_for(layout)
    pair = layout.pairs[0]
    report["curves"] = {
        "frequency_hz": (5.0 * np.arange(len(cross))).tolist(),
        "lag_ms": {"start": 0.0, "step": 1.0, "count": 1},
        "tracks": {pair.a: encode(np.ones(len(cross))), pair.b: encode(np.ones(len(cross)))},
        "pairs": [{"reference": pair.a, "other": pair.b, "aligned_ms": 0.0, "cross": encode(cross),
                   "correlation": encode(np.zeros(1))}],
    }  # fmt: skip
    return report


def test_notches_of_the_measured_sum():
    """Two equal tracks a planned delay apart show the notches; a diffuse sum does not, and it is said."""
    layout = predict_layout(
        plan(("source", "s", [0, 0, 1]), ("mic", "a", [0, 1, 1]), ("mic", "b", [0, 1.5, 1]))
    )
    frequency = np.arange(0, 24000, 5.0)
    clean = np.exp(-2j * np.pi * frequency * layout.pairs[0].offset_ms / 1000)

    seen = compare(layout, spectra_report(layout, clean)).pairs[0]
    assert seen.seen_notches_hz == pytest.approx(seen.planned_notches_hz)
    filled = compare(layout, spectra_report(layout, 0.1 * clean)).pairs[0]
    assert filled.seen_notches_hz == ()
    assert "notches" in filled.disagrees
    assert "reflections" in filled.reasons[-1]


def test_missing_tracks():
    """What the report does not know is listed; nothing in common is refused."""
    layout = kit()
    report = report_for(layout)
    report["tracks"] = report["tracks"][:3]
    report["pairs"] = [pair for pair in report["pairs"] if "over" not in (pair["reference"], pair["other"])]

    assert compare(layout, report).missing == ("over",)
    with pytest.raises(InputError, match="fewer than two names in common"):
        compare(layout, report | {"tracks": [{"name": "x"}]})
