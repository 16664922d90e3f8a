"""Advice on one pair and settings of a session, from conclusions written by hand: each rule by itself."""

from dataclasses import replace

import numpy as np
import pytest

from polaritykit.base.hearing import AUDIBLE_DB
from polaritykit.decide.advice import advise
from polaritykit.decide.agreement import agree
from polaritykit.decide.conclusion import Conclusion
from polaritykit.decide.corrections import choose_anchor, corrections_of, flips_of
from polaritykit.decide.findings import PairCause, PairSource
from polaritykit.decide.setting import Shift
from polaritykit.jobs.check.reasons import correction_words, outvoted_words
from polaritykit.spectra.records import BandGains, BandLevels


def source(home="snare", *, offset_ms=2.0, polarity="same", level_db=0.0, dissents=False):
    """Make what one source says of a pair."""
    return PairSource(
        home=home,
        kind="hits",
        hits=20,
        offset_ms=offset_ms,
        offset_std_ms=0.01,
        offset_kind="first_arrival",
        polarity=polarity,
        confidence=0.98,
        level_db=level_db,
        level_difference_db=0.0,
        dissents=dissents,
        band_hz=(100.0, 500.0),
        sum_effect_db=0.0,
        sum_effect_aligned_db=0.0,
    )


def conclusion(offset_ms=2.0, polarity="same", *, sources=None, related=True, strong=True, cause=None):
    """Make what the evidence says of a pair."""
    sources = (source(offset_ms=offset_ms, polarity=polarity),) if sources is None else sources
    return Conclusion(
        related=related,
        relation="acoustic" if related else None,
        offset_s=None if offset_ms is None or not related else offset_ms * 1e-3,
        std_s=None if offset_ms is None or not related else 1e-5,
        offset_kind="first_arrival",
        polarity=polarity if related else "unclear",
        confidence=0.98,
        strong=strong,
        main=sources[0] if sources and related else None,
        sources=sources if related else (),
        cause=cause,
    )


def gains(flipped=0.0, aligned=0.0, both=0.0):
    """Predicted changes of the sum."""
    levels = BandLevels(as_recorded=0.0, flipped=flipped, aligned=aligned, aligned_flipped=both)
    return BandGains(level_db=levels, flipped_db=flipped, aligned_db=aligned, aligned_flipped_db=both)


def advice(found, predicted, *, linked=False):
    """Advise with the usual settings."""
    return advise(found, predicted, linked=linked)


def test_nothing_in_common_nothing_to_set():
    """Unrelated tracks are left, with the reason."""
    given = advice(conclusion(related=False, cause=PairCause(code="no_shared_sound")), None)

    assert (given.action, given.invert, given.delay_ms) == ("leave", False, 0.0)
    assert given.reason == "apart"


@pytest.mark.parametrize(
    ("found", "predicted", "expected"),
    [
        (conclusion(2.0), gains(aligned=2.5), ("delay", False, 2.0, 2.5)),
        (conclusion(-2.0), gains(aligned=2.5), ("delay", False, 2.0, 2.5)),
        (conclusion(0.02, "inverted"), gains(flipped=9.0), ("flip", True, 0.0, 9.0)),
        (conclusion(-1.5, "inverted"), gains(both=4.0), ("flip_and_delay", True, 1.5, 4.0)),
        (conclusion(0.02), gains(flipped=-9.0), ("leave", False, 0.0, 0.0)),
        (conclusion(2.0), gains(aligned=0.4), ("leave", False, 0.0, 0.0)),
    ],
)
def test_flip_delay_both_or_neither(found, predicted, expected):
    """Polarity decides the switch, the offset the delay, the predicted gain whether it is worth it."""
    given = advice(found, predicted)

    assert (given.action, given.invert) == expected[:2]
    assert (given.delay_ms, given.gain_db) == pytest.approx(expected[2:])


def test_a_change_that_gains_less_than_is_heard_is_never_advised():
    """Whatever polarity and offset say."""
    for polarity in ("same", "inverted"):
        for offset_ms in (0.0, 0.5, 3.0):
            little = AUDIBLE_DB - 0.01
            given = advice(conclusion(offset_ms, polarity), gains(little, little, little))

            assert given.action in ("leave", "listen")
            assert (given.invert, given.delay_ms) == (False, 0.0)


def test_unclear_polarity_is_for_the_ear():
    """No flip on no evidence."""
    given = advice(conclusion(2.0, "unclear", cause=PairCause(code="few_hits")), gains(9.0, 9.0, 9.0))

    assert (given.action, given.invert, given.reason) == ("listen", False, "no_sign")


def test_without_an_offset_the_ear_decides():
    """Nothing can be predicted then."""
    assert advice(conclusion(None), None).action == "listen"


def test_a_stereo_pair_is_never_delayed_against_itself():
    """But flipped, when it is inverted."""
    assert advice(conclusion(0.8), gains(aligned=5.0), linked=True).action == "leave"
    flipped = advice(conclusion(0.8, "inverted"), gains(flipped=5.0, both=9.0), linked=True)
    assert (flipped.action, flipped.delay_ms) == ("flip", 0.0)
    # The image is wrong even where one band of the mono sum gains nothing.
    assert advice(conclusion(0.8, "inverted"), gains(flipped=-1.0), linked=True).invert


def test_a_far_mic_keeps_its_lateness():
    """A room mic ten milliseconds away."""
    assert advice(conclusion(10.0), gains(aligned=5.0)).delay_ms == 0.0


def test_two_sources_with_opposite_offsets_need_distance():
    """One delay would pull the other source further apart."""
    found = conclusion(2.0, sources=(source("voice", offset_ms=2.0), source("guitar", offset_ms=-1.5)))
    given = advice(found, gains(aligned=5.0))

    assert (given.action, given.delay_ms) == ("move", 0.0)
    assert (given.reason, given.homes) == ("two_offsets", ("voice", "guitar"))


# Settings of a session.

NAMES = ("kick", "snare", "oh_left", "oh_right", "room")
#: Lateness of each track for all sources, ms, and wiring.
LATE_MS = (0.0, 1.0, 4.0, 4.5, 15.0)


def session(signs=(1, 1, 1, 1, 1), late_ms=LATE_MS, names=NAMES, apart=()):
    """Conclusions of a session in which one source reaches all tracks, and the agreement on its signs."""
    n = len(names)
    weights = 5.0 * np.outer(signs, signs) * ~np.eye(n, dtype=bool)
    pairs = {}
    for a in range(n):
        for b in range(a + 1, n):
            related = not {names[a], names[b]} & set(apart)
            word = "same" if signs[a] == signs[b] else "inverted"
            pairs[a, b] = conclusion(late_ms[b] - late_ms[a], word, related=related)
            if not related:
                weights[a, b] = weights[b, a] = 0.0
    return pairs, agree([weights], [0])


def settings_of(
    pairs, agreement, *, names=NAMES, linked=(("oh_left", "oh_right"),), anchor=2, shifts_ms=None
):
    """Put flips and some shifts together; tracks without a shift keep their place."""
    flips = flips_of(names, pairs, agreement=agreement, linked=linked, anchor=anchor)
    shifts = [
        Shift(shift_s=ms * 1e-3, reason="coincide" if ms else "anchor")
        for ms in (shifts_ms or [0.0] * len(names))
    ]
    return corrections_of(names, pairs, flips=flips, shifts=shifts, anchor=anchor, sample_rate_hz=48_000)


def test_delays_for_a_desk_and_shifts_for_a_workstation():
    """Four and three ms later are the same for both; nothing is advanced."""
    found = settings_of(*session(), shifts_ms=(4.0, 3.0, 0.0, 0.0, 0.0))
    delays = {track.name: track.delay_ms for track in found.tracks}

    assert delays == pytest.approx({"kick": 4.0, "snare": 3.0, "oh_left": 0.0, "oh_right": 0.0, "room": 0.0})
    assert [track.shift_ms for track in found.tracks] == pytest.approx(list(delays.values()))
    assert found.tracks[0].delay_samples == pytest.approx(192.0)
    assert [track.status for track in found.tracks] == ["set", "set", "agrees", "agrees", "agrees"]
    assert found.anchor == "oh_left"
    assert found.groups == (NAMES,)


@pytest.mark.parametrize("backwards", [{1}, {0, 3}, {4}, {2}])
def test_the_smaller_side_is_flipped(backwards):
    """Relative polarity cannot tell the two sides apart; fewer flips are taken."""
    signs = tuple(-1 if track in backwards else 1 for track in range(5))
    found = settings_of(*session(signs))
    turned = settings_of(*session(tuple(-sign for sign in signs)))

    assert {k for k, track in enumerate(found.tracks) if track.invert} == backwards
    assert [track.invert for track in turned.tracks] == [track.invert for track in found.tracks]


@pytest.mark.parametrize("backwards", [0, 1])
def test_of_two_equal_sides_the_one_that_little_evidence_speaks_against_is_flipped(backwards):
    """Two mics on one drum, opposed, and not told against the overheads: a bet better than one in two.

    1 − ½·exp(−|log-odds|) is above one half for any evidence (the project's own definition of confidence).
    """
    names = ("snare_top", "snare_bottom", "oh_left")
    weights = np.zeros((3, 3))
    weights[0, 1] = weights[1, 0] = -5.0
    weights[backwards, 2] = weights[2, backwards] = -0.1
    pairs = {
        (0, 1): conclusion(0.2, "inverted"),
        (0, 2): conclusion(related=False),
        (1, 2): conclusion(related=False),
    }
    found = settings_of(pairs, agree([weights], [0]), names=names, linked=())

    assert [track.invert for track in found.tracks] == [backwards == 0, backwards == 1, False]
    assert found.tracks[backwards].flip_tie
    assert found.tracks[1 - backwards].status == "not judged"


def test_a_mic_under_a_drum_is_flipped_for_the_sum_and_no_cable_is_blamed():
    """A head moves towards one mic and away from the other (textbook: both sides of a membrane)."""
    names = ("snare_top", "snare_bottom", "oh_left", "oh_right", "room")
    found = settings_of(*session((1, -1, 1, 1, 1), names=names), names=names)

    assert found.tracks[1].invert
    assert "the cable is fine" in correction_words(found.tracks[1], found)


@pytest.mark.parametrize("names", [("tom", "snare_bottom"), ("snare_bottom", "tom")])
def test_of_two_mics_the_one_under_a_drum_is_flipped(names):
    """One against one, no anchor among them: the textbook says which of the two is turned by nature."""
    pairs, agreement = session((1, -1), names=names, late_ms=(0.0, 1.0))
    found = settings_of(pairs, agreement, names=names, linked=(), anchor=None)

    assert {track.name for track in found.tracks if track.invert} == {"snare_bottom"}


def test_one_source_alone_does_not_send_anybody_to_mend_a_cable():
    """Wiring turns every source, a place behind a drum only that one."""
    pairs, agreement = session((-1, 1, 1, 1, 1))
    alone = {key: replace(pair, strong=False) for key, pair in pairs.items()}
    found, plain = settings_of(alone, agreement), settings_of(pairs, agreement)

    assert found.tracks[0].invert
    assert plain.tracks[0].invert
    assert (found.tracks[0].flip_reason, found.tracks[0].flip_about) == ("one_source", "snare")
    assert "by the snare alone" in correction_words(found.tracks[0], found)
    assert "alone" not in correction_words(plain.tracks[0], plain)


def test_flips_satisfy_every_pair_at_once():
    """After the flips no decided pair is inverted."""
    signs = (1, -1, 1, 1, -1)
    pairs, agreement = session(signs)
    flips = [track.invert for track in settings_of(pairs, agreement).tracks]

    for (a, b), pair in pairs.items():
        assert (pair.polarity == "inverted") == (flips[a] != flips[b])


def test_a_track_that_shares_nothing_is_left_alone():
    """No flip, no delay, no group."""
    pairs, agreement = session((1, 1, 1, 1, -1), apart=("room",))
    found = settings_of(pairs, agreement)

    assert (found.tracks[4].invert, found.tracks[4].delay_ms) == (False, 0.0)
    assert found.groups == (NAMES[:4],)


def test_one_early_track_is_advanced_and_a_desk_delays_the_others():
    """Shift −2 ms of one track is a delay of 2 ms of all others, also of what was not judged."""
    found = settings_of(*session(), shifts_ms=(4.0, -2.0, 0.0, 0.0, 0.0))

    assert [track.delay_ms for track in found.tracks] == pytest.approx([6.0, 0.0, 2.0, 2.0, 2.0])
    assert [track.shift_ms for track in found.tracks] == pytest.approx([4.0, -2.0, 0.0, 0.0, 0.0])
    assert "waits" in correction_words(found.tracks[4], found)


def test_of_two_equal_sides_the_one_with_the_anchor_stays():
    """Two against two: neither is more right; the overheads hold the picture."""
    names = ("kick", "snare", "oh_left", "oh_right")
    for signs in ((1, 1, -1, -1), (-1, -1, 1, 1)):
        pairs, agreement = session(signs, names=names, late_ms=LATE_MS[:4])
        found = settings_of(pairs, agreement, names=names)
        assert [track.invert for track in found.tracks] == [True, True, False, False]
        assert "these tracks alone cannot tell" in correction_words(found.tracks[0], found)


def test_nothing_to_correct_is_said_of_what_was_judged_only():
    """A track without a sign is not judged, whatever its timing."""
    pairs, agreement = session((1, 1, 1, 1, 1), apart=("room",))
    found = settings_of(pairs, agreement)

    assert [track.status for track in found.tracks] == ["agrees"] * 4 + ["not judged"]
    assert found.tracks[4].reason == "sign_open"
    assert "not judged" in correction_words(found.tracks[4], found)
    assert correction_words(found.tracks[0], found) == "nothing to correct"


def test_loops_of_true_offsets_close():
    """The way there and back again is no time."""
    assert [loop.residual_ms for loop in settings_of(*session()).loops] == pytest.approx([0.0] * 10)


def test_a_loop_that_does_not_close_is_shown_with_its_residual():
    """One pair off by half a millisecond shows in the three loops that hold it."""
    pairs, agreement = session()
    pairs[0, 1] = conclusion(1.5)
    worst = settings_of(pairs, agreement).loops[:3]

    assert [abs(loop.residual_ms) for loop in worst] == pytest.approx([0.5] * 3)
    assert all({"kick", "snare"} <= set(loop.tracks) for loop in worst)


def test_dissenting_sources_are_named():
    """Against the session's sign, with the pair."""
    pairs, agreement = session()
    pairs[0, 1] = conclusion(
        1.0, sources=(source("snare"), source("kick", polarity="inverted", dissents=True))
    )
    outvoted = settings_of(pairs, agreement).outvoted

    assert [(item.reference, item.other) for item in outvoted] == [("kick", "snare")]
    assert outvoted_words(outvoted[0]).startswith("the kick is heard inverted here")


def test_anchor_is_an_overhead_where_there_is_one():
    """One of a stereo pair by preference; else the latest of those that most tracks relate to."""
    pairs, _ = session()

    assert choose_anchor(NAMES, pairs, (("oh_left", "oh_right"),)) in (2, 3)
    assert choose_anchor(("a", "b", "c", "d", "e"), pairs, ()) == 4
    nothing = {key: conclusion(related=False) for key in pairs}
    assert choose_anchor(NAMES, nothing, ()) is None


def test_nothing_found_nothing_set():
    """No source, no agreement: every track as it is."""
    pairs = {key: conclusion(related=False) for key in session()[0]}
    found = settings_of(pairs, None, anchor=None)

    assert found.anchor is None
    assert not any(track.invert or track.delay_ms for track in found.tracks)
    assert found.groups == ()
