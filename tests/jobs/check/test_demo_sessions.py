"""The main job on the demo sessions, whose truth follows from geometry (checked in ``test_demo_truth``)."""

import functools
import json

import pytest
from places import DEMO_AUDIO

import polaritykit
from polaritykit.jobs.check.document import build_document

DEMO = DEMO_AUDIO
SESSIONS = ("drum_kit", "stereo_pair", "leaky_vocal")
#: What is asked of the main job: about two samples at 44.1 kHz.
TOLERANCE_MS = 0.05
#: The one track that is wired right and reads inverted: it hears the other side of its drum.
OTHER_SIDE = {"03_snare_bottom"}


@functools.cache
def truth_of(session):
    """Read what a perfect measurement would find."""
    return json.loads((DEMO / session / "truth.json").read_text(encoding="utf-8"))


@functools.cache
def report_of(session):
    """Run the main job once for all tests."""
    opened = polaritykit.open_session([DEMO / session])
    return build_document(polaritykit.analyse(opened.recording), opened, curves=False)


def matched_pairs(session):
    """Found and true entries of every pair."""
    found = {(pair["reference"], pair["other"]): pair for pair in report_of(session)["pairs"]}
    return [(found[pair["reference"], pair["other"]], pair) for pair in truth_of(session)["pairs"]]


def is_home_of(track, source):
    """Whether a track's name speaks of a source: ``02_snare_top`` of ``snare``."""
    return source in track


@pytest.mark.parametrize("session", SESSIONS)
def test_every_planted_inversion_and_no_other(session):
    """Tracks wired backwards are flipped; of the others only the one on the drum's other side."""
    backwards = {track["name"] for track in truth_of(session)["tracks"] if track["wired"] == "backwards"}
    flipped = {track["name"] for track in report_of(session)["corrections"]["tracks"] if track["invert"]}

    assert flipped - OTHER_SIDE == backwards


@pytest.mark.parametrize("session", SESSIONS)
def test_polarity_of_every_pair(session):
    """No pair reads against the truth, and none that has an answer is left open."""
    wrong = {
        (true["reference"], true["other"]): (found["polarity"], true["polarity"])
        for found, true in matched_pairs(session)
        if true["polarity"] in ("same", "inverted") and found["polarity"] != true["polarity"]
    }

    assert wrong == {}


@pytest.mark.parametrize("session", SESSIONS)
def test_offset_of_the_dominant_source(session):
    """Where the source that is loudest in both tracks is answered, its offset is right."""
    wrong = {}
    for found, true in matched_pairs(session):
        answers = [
            source["offset_ms"]
            for source in found["sources"]
            if true["dominant_source"]
            and is_home_of(source["home"], true["dominant_source"])
            and source["offset_ms"] is not None
        ]
        if answers and abs(answers[0] - true["offset_ms"]) > TOLERANCE_MS:
            wrong[true["reference"], true["other"]] = (round(answers[0], 3), true["offset_ms"])

    assert wrong == {}


@pytest.mark.parametrize("session", SESSIONS)
def test_offset_of_the_pair_is_that_of_the_source_it_names(session):
    """A pair's own offset is true for the source behind it, dominant or not."""
    wrong = {}
    for found, true in matched_pairs(session):
        if found["offset_ms"] is None:
            continue
        home = found["sources"][0]["home"]
        offsets = [source["offset_ms"] for source in true["sources"] if is_home_of(home, source["source"])]
        if offsets and min(abs(found["offset_ms"] - offset) for offset in offsets) > TOLERANCE_MS:
            wrong[true["reference"], true["other"]] = (home, round(found["offset_ms"], 3), offsets)

    assert wrong == {}


def test_most_pairs_of_the_kit_are_answered():
    """An estimator that is never wrong because it never answers would be of no use."""
    heard = [found for found, true in matched_pairs("drum_kit") if true["polarity"] in ("same", "inverted")]

    assert sum(found["offset_ms"] is not None for found in heard) >= 0.9 * len(heard)


def test_close_mics_are_delayed_to_an_overhead_by_their_own_source():
    """A desk can set these delays: each is the time from the close mic to the mean of the two overheads.

    Where a sum close by is fuller, the reason says so and the delay stays within 1.5 ms (`decide.choice`).
    """
    report = report_of("drum_kit")
    anchor = report["corrections"]["anchor"]
    overheads = ("07_overhead_left", "08_overhead_right")
    to_overheads = {
        (pair["reference"], source["source"], pair["other"]): source["offset_ms"]
        for pair in truth_of("drum_kit")["pairs"]
        if pair["other"] in overheads
        for source in pair["sources"]
    }
    delays = {track["name"]: track["delay_ms"] for track in report["corrections"]["tracks"]}
    reasons = {track["name"]: track["reason"] for track in report["corrections"]["tracks"]}
    heard = {source["home"]: source["arrivals"] for source in report["sources"]}

    assert anchor in ("07_overhead_left", "08_overhead_right")
    assert delays["07_overhead_left"] == delays["08_overhead_right"] == delays["09_room"] == 0.0
    for name, source in (("01_kick", "kick"), ("05_tom_high", "tom_high"), ("06_tom_low", "tom_low")):
        moved = reasons[name] == "fuller"
        there = {a["track"]: a["offset_ms"] for a in heard[name] if a["offset_ms"] is not None}
        found = [track for track in overheads if track in there]
        mean = sum(to_overheads[name, source, track] for track in found) / len(found)
        assert delays[name] == pytest.approx(mean, abs=1.5 if moved else TOLERANCE_MS)
        assert there[anchor] == pytest.approx(to_overheads[name, source, anchor], abs=TOLERANCE_MS)


def test_a_stereo_pair_is_not_delayed_against_itself():
    """Its time difference is the image."""
    tracks = report_of("stereo_pair")["corrections"]["tracks"]

    assert [track["delay_ms"] for track in tracks] == [0.0, 0.0]


def test_both_directions_of_the_leak_are_told_apart():
    """The voice reaches the guitar's mic later, the guitar reaches the voice's mic later: opposite signs."""
    pair = report_of("leaky_vocal")["pairs"][0]
    offsets = {source["home"]: source["offset_ms"] for source in pair["sources"]}

    assert offsets["01_voice"] > 0 > offsets["02_guitar"]
