"""Codes in words: every code has them, and they name what the code speaks of."""

from dataclasses import replace
from typing import get_args

import pytest

from polaritykit.changes.motion import Change, Motion, Step
from polaritykit.decide.findings import (
    Advice,
    AdviceReason,
    CauseCode,
    Corrections,
    OctaveLoss,
    Outvoted,
    PairCause,
    PairCopy,
    PairFinding,
    Rather,
    TrackCorrection,
)
from polaritykit.decide.setting import FlipReason, ShiftReason
from polaritykit.evidence.plan_limits import BeyondPlan
from polaritykit.jobs.check import reasons

TRACK = TrackCorrection(
    name="snare",
    invert=False,
    delay_ms=0.0,
    delay_samples=0.0,
    late_ms=None,
    about="snare",
    own_late_ms=2.5,
    gain_db=1.25,
    loss=OctaveLoss(home="kick", octave_hz=125.0, db=-4.6),
)
PAIR = PairFinding(
    reference="snare",
    other="over",
    related=True,
    relation="acoustic",
    offset_ms=2.5,
    offset_std_ms=0.01,
    polarity="same",
    confidence=0.9,
    grade=None,
    method=None,
    sources=(),
    level_difference_db=None,
    notches_hz=(),
    notch_depth_db=None,
    drift_ppm=None,
    changes=(),
    advice=Advice(action="leave", invert=False, delay_ms=0.0, gain_db=0.0, homes=("hat", "kick")),
    gains=None,
)


def corrections(*tracks):
    """Put some settings together."""
    return Corrections(anchor="over", tracks=tracks, groups=(), outvoted=(), loops=())


def test_every_cause_has_words_of_its_own():
    """None is left out, none is told as another."""
    told = [
        reasons.cause_words(PairCause(code=code, home="hat", against="kick")) for code in get_args(CauseCode)
    ]

    assert len(set(told)) == len(told)
    assert all(words and "None" not in words for words in told)


@pytest.mark.parametrize("name", ["{home}", "{0}", "a; b", "hat! %"])
def test_names_are_put_in_as_they_are(name):
    """Whatever they hold: nothing takes a sentence apart again."""
    said = reasons.cause_words(PairCause(code="sources_disagree", home=name, against="kick"))

    assert said == f"two sources disagree: the {name} says same polarity, the kick says inverted"


def test_every_advice_has_words_of_its_own():
    """The session's setting tells both tracks."""
    told = {}
    for code in get_args(AdviceReason):
        pair = replace(PAIR, advice=replace(PAIR.advice, reason=code, would_gain_db=2.0))
        told[code] = reasons.advice_words(pair, corrections(TRACK, replace(TRACK, name="over")))

    assert len(set(told.values())) == len(told)
    assert "the hat and the kick arrive with different offsets" in told["two_offsets"]
    assert told["session"].startswith("as the whole session is set; snare: ")


def test_every_setting_has_words_but_those_that_need_none():
    """A track that keeps its timing has nothing to tell."""
    for code in get_args(ShiftReason):
        told = reasons.correction_words(replace(TRACK, reason=code), corrections())
        assert (told == "nothing to correct") == (code in ("anchor", "together")), code
    for code in get_args(FlipReason):
        flipped = replace(TRACK, invert=True, flip_reason=code, flip_against=3, flip_about="hat")
        assert reasons.flip_words(flipped)
        assert reasons.flip_words(replace(flipped, invert=False)) == ""
    loss = reasons.correction_words(replace(TRACK, reason="harm"), corrections())
    assert "kick loses 4.6 dB around 125 Hz" in loss


def test_a_copy_is_told_before_all_else():
    """With its lateness, and why the sign of the pair stays open all the same."""
    copy = PairCopy(copy="dup", original="snare", late_samples=64.0, filtered=True, inverted=True)
    pair = replace(PAIR, relation="copy", copy=copy, cause=PairCause(code="no_shared_sound"))

    assert reasons.pair_words(pair) == (
        "dup is snare again, 64 samples late, as a processed duplicate is, filtered, turned over"
    )
    assert reasons.pair_words(replace(pair, copy=None)) == "one track is a copy of the other"
    assert reasons.pair_words(PAIR) is None


def test_what_a_pair_would_rather_have():
    """Which of the two, by how much, and for what gain."""
    rather = Rather(invert=True, shift_ms=-1.0, gain_db=3.0)
    pair = replace(PAIR, advice=replace(PAIR.advice, rather=rather))

    said = reasons.note_words(pair)
    assert said is not None
    assert "would rather flip one of the two and delay snare by 1.00 ms (+3.0 dB)" in said
    assert reasons.note_words(PAIR) is None


def test_words_of_a_change():
    """Side, size and track; both where both happened."""
    change = Change(
        time_s=1.0, track="kick", turned=True, later_ms=0.5, offset_before_ms=None, offset_after_ms=None
    )
    notes = reasons.motion_notes(
        ("kick", "snare"),
        [
            Motion(track=1, rate=-2e-5, rate_std=1e-7, duration_s=60),
            Motion(track=0, steps=(Step(time_s=2.0, jump_s=0.0, flip=True),), duration_s=10),
        ],
    )

    assert reasons.change_words(change).startswith("kick changed polarity and kick became 0.50 ms later")
    assert "snare runs on another clock than the others: it gets earlier by 20.00 ± 0.10 ppm" in notes[0]
    assert "(1.20 ms a minute)" in notes[0]
    assert "at 2.0 s kick changed polarity" in notes[1]
    assert "holds from 2.0 s to 10.0 s" in notes[1]


def test_other_words_name_their_tracks():
    """What a plan forbids, and who is outvoted."""
    beyond = reasons.beyond_note(BeyondPlan(track="far", dropped=3, measured=4))
    outvoted = reasons.outvoted_words(
        Outvoted(reference="a", other="b", homes=("hat", "kick"), polarity="inverted")
    )

    assert beyond.startswith("far: 3 of 4 measured offsets are larger than the plan's distances allow")
    assert outvoted.startswith("the hat and the kick are heard inverted here")
