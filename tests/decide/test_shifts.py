"""The decision on shifts, on scenes from closed forms, with arrivals and signs given."""

from dataclasses import replace

import numpy as np
import pytest
from made_scene import scene, sound

from polaritykit.decide.copies import ECHO_S
from polaritykit.decide.scene import Copy
from polaritykit.decide.source_sums import ALL_HZ, octave_powers, weights
from polaritykit.decide.stage import decide
from polaritykit.decide.units import on_one_source

#: A kick's mic 4 ms before two overheads (the right one 0.6 ms later), and a snare's 3 ms before.
KICK_MS, SNARE_MS = (0.0, 1.5, 4.0, 4.6), (2.0, 0.0, 3.0, 3.2)
LOW, MIDDLE = (0.0, -3.0, -12.0, -30.0, -40.0), (-30.0, -6.0, 0.0, -6.0, -20.0)


def kit(late_ms=(0.0, 0.0, 0.0, 0.0), signs=(1, 1, 1, 1), order=(0, 1, 2, 3)):
    """Two drums, their mics and overheads, each track recorded so much later and so signed."""
    late = np.array(late_ms)
    order = list(order)
    sounds = []
    for home, own_ms, level, shape in (
        (0, KICK_MS, (0.0, -24.0, -6.0, -6.0), LOW),
        (1, SNARE_MS, (-24.0, 0.0, -6.0, -6.0), MIDDLE),
    ):
        sounds.append(
            sound(
                order.index(home),
                (np.array(own_ms) + late)[order],
                np.array(level)[order],
                signs=np.array(signs)[order],
                octave_db=shape,
            )
        )
    return scene(
        sounds,
        own=np.array([0, 1, 0, 1])[order],
        anchor=order.index(2),
        linked=((order.index(2), order.index(3)),),
        signs=np.array(signs)[order],
    )


def in_place(late_ms, decision):
    """Where every track ends, against the left overhead."""
    ends = np.array(late_ms) + 1e3 * np.array([shift.shift_s for shift in decision.shifts])
    return ends - ends[2]


@pytest.mark.parametrize("seed", range(6))
def test_twins_end_alike(seed):
    """Flips and delays of a recording change the numbers to set and nothing else."""
    rng = np.random.default_rng(seed)
    late = rng.uniform(0.0, 4.0, 4)
    late[3] = late[2]
    one, two = decide(kit()), decide(kit(late, rng.choice([-1, 1], 4)))
    # What is within the least shift, or gains too little, may be left in one of the two only.
    both = [
        t
        for t in range(4)
        if {one.shifts[t].reason, two.shifts[t].reason} <= {"coincide", "fuller", "anchor"}
    ]

    assert len(both) >= 3
    assert in_place(late, two)[both] == pytest.approx(in_place(np.zeros(4), one)[both], abs=1e-6)


def test_arrivals_coincide_with_the_mean_of_the_pair_and_the_pair_keeps_its_spacing():
    """4.3 and 3.1 ms, or a fuller sum within 1.5 ms of that."""
    found = decide(kit()).shifts

    assert [shift.reason for shift in found[2:]] == ["anchor", "anchor"]
    assert found[0].late_s == pytest.approx(-4.3e-3)
    assert found[1].late_s == pytest.approx(-3.1e-3)
    assert found[0].shift_s == pytest.approx(4.3e-3, abs=1.5e-3)
    assert found[2].shift_s == found[3].shift_s == 0.0


def test_a_fixed_point():
    """Corrected and checked again nothing is left: no shift above 0.1 ms."""
    first = decide(kit())
    late = 1e3 * np.array([shift.shift_s for shift in first.shifts])
    again = decide(kit(late))

    assert max(abs(shift.shift_s) for shift in again.shifts) == 0.0


def test_the_order_of_tracks_changes_nothing():
    """Each track by its own name."""
    order = (3, 1, 0, 2)
    plain = decide(kit()).shifts
    shuffled = decide(kit(order=order)).shifts

    assert [shuffled[order.index(t)].shift_s for t in range(4)] == pytest.approx(
        [shift.shift_s for shift in plain]
    )


def test_a_wrong_arrival_is_not_followed_where_the_sum_would_lose():
    """Two mics together already, one of them taken for 4 ms early: their own sum would lose the low end."""
    late = (0.0, 0.0)
    one = sound(0, late, (0.0, 0.0), octave_db=LOW)
    wrong = scene(
        [type(one)(home=0, arrival_s=np.array([0.0, 4e-3]), level_db=one.level_db, spectra=one.spectra)],
        own=(0, 0),
        anchor=1,
    )
    found = decide(wrong).shifts[0]

    assert found.shift_s == 0.0
    assert found.reason in ("small_gain", "harm")


def test_what_is_not_judged_says_why():
    """No arrival, no sign, silence, and a room mic: each its own code, none shifted."""
    late = (0.0, None, 2.9, 3.0, 5.0, 2.0)
    found = decide(
        scene(
            [sound(0, late, (0.0,) * 6, octave_db=(-60.0, -60.0, -60.0, 0.0, -60.0))],
            own=(0, 0, 0, 0, 0, 0),
            anchor=5,
            known=(True, True, False, True, True, True),
            room=(False, False, False, False, True, False),
            usable=(True, True, True, False, True, True),
        )
    ).shifts

    assert [shift.reason for shift in found[1:]] == ["no_arrival", "sign_open", "faulty", "far", "anchor"]
    assert all(shift.shift_s == 0.0 for shift in found[1:])


def test_mics_on_one_source_are_recognised_by_what_they_share():
    """Both hear it far above all else and within 2 ms; a mic a metre off hears its neighbour as loud."""
    snare = sound(0, (0.0, 0.5, 3.0, 4.0), (0.0, -3.0, -6.0, -6.0))
    tom = sound(2, (3.0, 3.2, 0.0, 4.0), (-20.0, -20.0, 0.0, -6.0))
    made = scene([snare, tom], own=(0, 0, 1, 1), anchor=3)

    assert on_one_source(made, 0, 1)
    assert not on_one_source(made, 0, 2)
    near = sound(2, (3.0, 3.2, 0.0, 4.0), (-20.0, -6.0, 0.0, -6.0))
    assert not on_one_source(scene([snare, near], own=(0, 0, 1, 1), anchor=3), 0, 1)


def test_mics_on_one_source_move_as_one():
    """They are set to one another first; nothing parts them afterwards, and their own sum does not lose."""
    late = (0.0, 0.7, 4.0)
    made = scene([sound(0, late, (0.0, -1.0, -3.0), octave_db=MIDDLE)], own=(0, 0, 0), anchor=2)
    found = decide(made)
    shifts = np.array([shift.shift_s for shift in found.shifts])
    spectra, gains = made.sounds[0].spectra, np.array([1.0, 1.0, 0.0])
    before, after = (octave_powers(spectra, weights(spectra, gains, s)) for s in (0 * shifts, shifts))

    assert found.units[0].members == (0, 1)
    assert found.units[0].one_source
    assert 10 * np.log10(after / before).min() >= -0.5
    assert shifts[0] - shifts[1] == pytest.approx(0.7e-3, abs=0.3e-3)


@pytest.mark.parametrize(("known", "second_ms"), [(False, 0.7), (True, None)])
def test_a_mic_that_is_not_judged_does_not_part_from_the_other_on_its_source(known, second_ms):
    """Its sign or its arrival is open: it moves along, by just as much, and is told to (by definition)."""
    heard = sound(0, (0.0, second_ms, 3.0), (0.0, -1.0, -3.0), octave_db=(-60.0, -60.0, -60.0, 0.0, -60.0))
    other = sound(2, (3.0, 3.0, 0.0), (-60.0, -60.0, 0.0))
    made = scene([heard, other], own=(0, 0, 1), anchor=2, known=(True, known, True))
    first, second, _ = decide(made).shifts

    assert first.shift_s == second.shift_s == pytest.approx(3e-3, abs=1.5e-3)
    assert (second.reason, second.about) == ("along", 0)


@pytest.mark.parametrize("late_ms", [0.0, 1.333, 9.9, 12.0, 80.0])
@pytest.mark.parametrize("signs", [(1, 1, 1, 1), (-1, 1, 1, 1)])
def test_a_copy_moves_with_its_original_and_never_nulls_it(late_ms, signs):
    """After the setting the two add: brought together up to 10 ms, left beyond (a printed echo)."""
    copy = Copy(track=4, original=0, late_s=late_ms * 1e-3, inverted=False, filtered=False)
    base = kit(signs=signs)
    wider = scene(
        [
            sound(s.home, np.append(1e3 * s.arrival_s, 0.0), np.append(s.level_db, -200.0))
            for s in base.sounds
        ],
        own=(0, 1, 0, 1, -1),
        anchor=2,
        linked=((2, 3),),
        usable=(True, True, True, True, False),
        copies=(copy,),
    )
    found = decide(wider).shifts
    left_s = found[4].shift_s + copy.late_s - found[0].shift_s

    if late_ms * 1e-3 <= ECHO_S:
        assert found[4].reason == "copy"
        assert left_s == pytest.approx(0.0, abs=1e-12)
    else:
        assert (found[4].reason, found[4].shift_s) == ("echo", 0.0)


@pytest.mark.parametrize("known", [(True, True, True), (True, False, True)])
def test_of_a_stereo_pair_both_sides_move_or_none(known):
    """Another spacing is another image (common practice, no source): also where one side is not judged."""
    pair = sound(0, (0.0, 0.0, 3.0), (0.0, -30.0, 0.0))
    first, second, _ = decide(scene([pair], own=(0, 0, 0), anchor=2, linked=((0, 1),), known=known)).shifts

    assert first.shift_s == second.shift_s
    assert (first.shift_s == 0.0) == (not all(known))
    assert ("sign_open" in (first.reason, second.reason)) == (not all(known))


def test_gains_and_an_unrelated_track_change_nothing():
    """Levels are matched before sums are made, and what shares no sound is in none of them."""
    plain = decide(kit()).shifts
    faders = np.array([0.1, 3.0, 1.0, 0.5])
    wider = kit()
    sounds = []
    for heard in wider.sounds:
        # Parts of which each holds what the next one lacks: the tracks in them have nothing in common.
        parts = np.zeros((len(heard.spectra.frequency_hz), 5, 12), complex)
        parts[:, :4, ::2] = (np.sqrt(2.0) * heard.spectra.parts[:, :, 0] * faders)[:, :, None]
        parts[:, 4, 1::2] = np.sqrt(2.0)
        power = np.column_stack([heard.spectra.octave_power * faders**2, np.ones(len(ALL_HZ))])
        spectra = replace(heard.spectra, parts=parts, plain=parts, octave_power=power)
        sounds.append(
            replace(
                heard,
                arrival_s=np.append(heard.arrival_s, np.nan),
                level_db=np.append(heard.level_db + 20 * np.log10(faders), -200.0),
                spectra=spectra,
            )
        )
    made = replace(
        wider,
        sounds=tuple(sounds),
        signs=np.ones(5),
        sign_known=np.array([True] * 4 + [False]),
        related=np.array([True] * 4 + [False]),
        usable=np.ones(5, dtype=bool),
        room=np.zeros(5, dtype=bool),
        own=np.array([0, 1, 0, 1, -1]),
        gains=np.append(1 / faders, 1.0),
    )
    found = decide(made).shifts

    assert [shift.shift_s for shift in found[:4]] == pytest.approx([shift.shift_s for shift in plain])
    assert (found[4].reason, found[4].shift_s) == ("unrelated", 0.0)


def test_sources_that_lie_above_all_judged_octaves():
    """Shaken noise at 8 kHz, 60 dB over what it has below 1 kHz: nothing gains, all is left."""
    shaken = kit()
    sounds = []
    for one in shaken.sounds:
        power = one.spectra.octave_power.copy()
        power[ALL_HZ.index(8000.0)] = 1e6 * power.sum(axis=0)
        sounds.append(replace(one, spectra=replace(one.spectra, octave_power=power)))
    decision = decide(replace(shaken, sounds=tuple(sounds)))
    assert all(shift.shift_s == 0.0 for shift in decision.shifts)
    assert all(shift.loss is None or shift.loss.change_db == 0.0 for shift in decision.shifts)


def test_nothing_is_set_that_is_likely_to_cost_another_source():
    """A tom that the snare's mic hears as loud as its own does, in phase as recorded: a shift parts the two.

    Two equal waves τ apart lose −20 log10 |cos πfτ| of the tom's octave; alone the snare's mic moves.
    """
    shape = (-40.0, 0.0, -40.0, -40.0, -40.0)
    tom = sound(2, (3.0, 0.0, 0.0, 8.0, 8.0), (-40.0, 0.0, 0.0, -30.0, -30.0), octave_db=shape)
    snare = sound(1, (None, 0.0, None, 3.0, 3.2), (-30.0, 0.0, -30.0, -6.0, -6.0), octave_db=MIDDLE)
    alone = scene([snare], own=(-1, 0, -1, 0, 0), anchor=3, linked=[(3, 4)])
    both = replace(alone, unplaced=(replace(tom, arrival_s=np.full(5, np.nan)),))

    assert decide(alone).shifts[1].shift_s == pytest.approx(3.1e-3, abs=1.5e-3)
    left = decide(both).shifts[1]
    assert (left.shift_s, left.reason) == (0.0, "harm")
    assert (left.loss.home, left.loss.octave_hz) == (2, 125.0)
    assert left.loss.change_db < -1.0
