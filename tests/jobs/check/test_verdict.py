"""Sentences of the summary, from findings made up for them."""

from types import SimpleNamespace

from polaritykit.decide.findings import Apart, OctaveLoss, ServedSource, TrackCorrection
from polaritykit.jobs.check.verdict import (
    _loss_sentences,
    _open_sentences,
    _staying_sentences,
    _unheard_sentences,
)


def served(home, residual_ms):
    """Make a source that stays apart from the anchor in its own mic."""
    return ServedSource(home=home, together=(), apart=(Apart(track=home, residual_ms=residual_ms),))


def test_a_drum_with_two_homes_is_told_once():
    """Its mic on top and its mic below are homes of strokes; a home found twice is one."""
    tracks = [SimpleNamespace(name="tom", shift_ms=3.2)]
    findings = SimpleNamespace(
        corrections=SimpleNamespace(anchor="oh", tracks=tracks),
        served=(
            served("snare_top", -2.0),
            served("snare_bottom", -1.5),
            served("snare_top", -2.1),
            served("tom", 1.0),
        ),
    )

    (told,) = _staying_sentences(findings, ())
    assert told == (
        "The snare stays 2.00 ms before oh in snare_top and 1.50 ms before oh in snare_bottom: "
        "lining it up would not help."
    )
    assert _staying_sentences(findings, ("snare_top", "snare_bottom")) == []


def test_a_loss_of_a_drum_with_two_homes_is_told_once():
    """The greater one of an octave, and none that only may be."""
    lossy = [
        OctaveLoss(home="snare_top", octave_hz=250.0, db=-1.5, std_db=0.5, where="all"),
        OctaveLoss(home="snare_bottom", octave_hz=250.0, db=-2.5, std_db=0.5, where="all"),
        OctaveLoss(home="kick", octave_hz=63.0, db=-0.5, std_db=0.9, where="all"),
        *(OctaveLoss(home=f"tom_{k}", octave_hz=63.0, db=-1.0 - k, std_db=0.5, where="own") for k in (1, 2)),
    ]
    tracks = [SimpleNamespace(name="tom", losses=lossy)]

    assert _loss_sentences(SimpleNamespace(corrections=SimpleNamespace(tracks=tracks))) == [
        "With all settings the snare loses 2.5 dB around 250 Hz in the sum of all tracks, mostly by tom.",
        "With all settings the tom loses 2.0 dB around 63 Hz in its own mics, mostly by tom.",
        "With all settings the tom loses 3.0 dB around 63 Hz in its own mics, mostly by tom.",
    ]


def test_what_was_not_told_apart_is_named_where_something_is_shifted():
    """A tom that no source is at home on; a snare's top whose drum is at home on the bottom is not named."""
    tracks = [
        SimpleNamespace(name="kick", reason="coincide", shift_ms=4.0),
        SimpleNamespace(name="tom_1", reason="no_arrival", shift_ms=0.0),
        SimpleNamespace(name="snare_top", reason="no_arrival", shift_ms=0.0),
    ]
    sources = [SimpleNamespace(home="kick"), SimpleNamespace(home="snare_bottom")]

    def found(tracks, by_own_strokes=()):
        corrections = SimpleNamespace(tracks=tracks, by_own_strokes=by_own_strokes)
        return SimpleNamespace(corrections=corrections, sources=sources)

    findings, still = found(tracks), found(tracks[1:])

    (told,) = _unheard_sentences(findings)
    assert told.startswith("What is played into tom_1 was not told apart")
    assert _unheard_sentences(still) == []
    # Strokes that are its own tell what it loses.
    assert _unheard_sentences(found(tracks, ("tom_1",))) == []


def test_a_bus_is_told_with_its_parts():
    """Apart from the tracks of which nothing is known."""
    bus = TrackCorrection(
        name="drums",
        invert=False,
        delay_ms=0.0,
        delay_samples=0.0,
        late_ms=None,
        reason="bus",
        sum_of=("snare", "tom"),
        late_samples=256.0,
    )
    findings = SimpleNamespace(corrections=SimpleNamespace(tracks=(bus,), by_own_strokes=()), sources=())

    assert _open_sentences(findings) == [
        "drums is the sum of snare and tom, 256 samples late: left; once these are set, print it again."
    ]
