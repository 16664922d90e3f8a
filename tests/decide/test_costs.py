"""What settings cost, against the sum of two delayed copies and the statistics of random phases."""

from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest
from made_scene import gated, scene, sound

from polaritykit.base.hearing import AUDIBLE_DB
from polaritykit.decide.certainty import chance_of_loss, spread_db, weighed_db
from polaritykit.decide.choice import likely_losses
from polaritykit.decide.costs import losses_by_track
from polaritykit.decide.scene import PrintedSum
from polaritykit.decide.source_sums import ALL_HZ, gated_spectra, levelled_at_home
from polaritykit.decide.stage import decide
from polaritykit.decide.unit_sums import UnitSums
from polaritykit.decide.units import Unit

#: Only the octave around 125 Hz is there.
LOW = (-60.0, 0.0, -60.0, -60.0, -60.0)


def two_mics(late_ms):
    """Two mics on one source at the same time, and an overhead that hardly hears it."""
    one = sound(0, (0.0, 0.0, late_ms), (0.0, 0.0, -60.0), octave_db=LOW)
    return scene([one], own=(0, 0, 0), anchor=2)


def test_a_loss_is_told_with_the_sum_it_is_in():
    """Two equal waves τ apart lose −20 log10 |cos πfτ| (closed form); the later one costs it."""
    tau_s = 2e-3
    shifts = np.array([0.0, tau_s, 0.0])
    found = losses_by_track(two_mics(0.0), shifts, ())
    frequency, power = gated((0.0,), (1.0,), octave_db=LOW).frequency_hz, None
    spectra = gated((0.0,), (1.0,), octave_db=LOW)
    power = np.abs(spectra.parts[spectra.octave == 1, 0, 0]) ** 2
    inside = frequency[spectra.octave == 1]
    expected = 10 * np.log10((power * np.cos(np.pi * inside * tau_s) ** 2).sum() / power.sum())

    assert list(found) == [1]
    assert [loss.octave_hz for loss in found[1]] == [125.0]
    assert found[1][0].change_db == pytest.approx(expected, abs=0.02)
    assert found[1][0].where in ("all", "anchor", "own")


def test_what_loses_in_its_own_mics_only_is_told():
    """The overhead fills in the sum of all what two mics lose between them."""
    one = sound(0, (0.0, 0.0, 2.0), (0.0, 0.0, 12.0), octave_db=LOW)
    found = losses_by_track(scene([one], own=(0, 0, 0), anchor=2), np.array([0.0, 2e-3, 0.0]), ())

    assert [loss.where for loss in found[1]] == ["own"]
    assert found[1][0].change_db < -AUDIBLE_DB


def test_no_loss_is_told_of_what_gains_or_stays():
    """Brought together, two equal waves can only gain."""
    apart = sound(0, (0.0, 2.0, 0.0), (0.0, 0.0, -60.0), octave_db=LOW)
    made = scene([apart], own=(0, 0, 0), anchor=2)

    assert losses_by_track(made, np.array([0.0, -2e-3, 0.0]), ()) == {}
    assert losses_by_track(made, np.zeros(3), ()) == {}


def test_a_flip_that_costs_is_told():
    """Two mics that agreed, one flipped: their sum is gone."""
    made = scene(
        [sound(0, (0.0, 0.0, 0.0), (0.0, -1.0, -60.0), signs=(1, 1, 1), octave_db=LOW)],
        own=(0, 0, 0),
        anchor=2,
        signs=(1, -1, 1),
    )
    found = losses_by_track(made, np.zeros(3), (1,))

    assert found[1][0].change_db < -10.0


def test_how_well_a_change_is_known_is_the_scatter_over_strokes():
    """A level drawn 24 times: its mean scatters by σ/√24 (closed form), and never less than is unseen."""
    rng = np.random.default_rng(3)
    drawn = rng.standard_normal((24, 4000))
    means = np.array([drawn[np.arange(24) % 6 != group].mean(axis=0) for group in range(6)])
    found = spread_db(means)

    unseen = spread_db(np.full((6, 1), 0.5))[0]
    assert np.sqrt(np.mean(found**2) - unseen**2) == pytest.approx(1.7 / np.sqrt(24), rel=0.05)
    assert (spread_db(np.zeros((6, 2))) == 0.0).all()


def test_changes_known_badly_are_weighed_against_those_by_chance():
    """Drawn by chance and read with an error: the mean of those read alike, and how far they lie from it.

    Levels of sums of random phase scatter by 5.57 dB (Rayleigh, 1880: 10 log10(e) π/√6).
    """
    rng = np.random.default_rng(11)
    assert np.std(10 * np.log10(rng.exponential(size=400_000))) == pytest.approx(5.57, abs=0.05)
    true = 5.57 * rng.standard_normal(2_000_000)
    read = true + 4.0 * rng.standard_normal(true.size)
    alike = true[np.abs(read - 3.0) < 0.1]
    mean, std = weighed_db(np.array([3.0]), np.array([4.0]))

    assert mean[0] == pytest.approx(alike.mean(), abs=0.1)
    assert std[0] == pytest.approx(alike.std(), abs=0.1)


def test_chance_that_more_is_lost_is_that_of_a_normal_error():
    """Against Python's own normal distribution; what does not change at all loses nothing."""
    found = chance_of_loss(np.array([-0.5, 1.0, 0.0]), np.array([2.0, 0.5, 0.0]), 1.0)

    expected = [NormalDist(-0.5, 2.0).cdf(-1.0), NormalDist(1.0, 0.5).cdf(-1.0), 0.0]
    assert found == pytest.approx(expected, abs=1e-12)


def test_a_loss_of_what_was_not_told_apart_is_told():
    """A sound without arrivals, known by strokes of its own, loses in the sum of all as any other does."""
    one = sound(0, (0.0, 4.0, 0.0), (0.0, -60.0, -60.0))
    tom = replace(sound(1, (0.0, 0.0, 0.0), (-3.0, 0.0, -60.0), octave_db=LOW), arrival_s=np.full(3, np.nan))
    made = replace(scene([one], own=(0, -1, 0), anchor=2), unplaced=(tom,))
    found = losses_by_track(made, np.array([3e-3, 0.0, 0.0]), ())

    assert [(loss.home, loss.octave_hz, loss.where) for loss in found[0]] == [(1, 125.0, "all")]


def test_a_bus_is_heard_in_the_sum_of_all():
    """Two equal waves τ apart lose −20 log10 |cos πfτ|: a mic moved against the bus that holds it."""
    one = sound(0, (0.0, 0.0, 0.0), (0.0, 0.0, -60.0), octave_db=LOW)
    made = scene([one], own=(0, -1, 0), anchor=2, usable=(True, False, True))
    bus = PrintedSum(track=1, parts=(0, 2), late_s=0.0)
    shifts = np.array([2e-3, 0.0, 0.0])

    assert losses_by_track(made, shifts, ()) == {}
    (loss,) = losses_by_track(replace(made, sums=(bus,)), shifts, ())[0]
    assert (loss.octave_hz, loss.where) == (125.0, "all")
    assert -5.0 < loss.change_db < -2.0
    (told,) = [s for s in decide(replace(made, sums=(bus,))).shifts if s.reason == "bus"]
    assert (told.shift_s, told.sum_of) == (0.0, (0, 2))


def test_a_loss_that_strokes_do_not_agree_on_may_be_one():
    """Half a dB lost on average, by strokes of which some lose much: told with what it may be."""
    rng = np.random.default_rng(5)
    one = sound(0, (0.0, 0.0, 0.0), (0.0, 0.0, -60.0), octave_db=LOW)
    plain = one.spectra.parts
    # The second mic hears every stroke with a phase of its own: few strokes do not tell their sum well.
    phases = np.exp(1j * rng.uniform(-1.2, 1.2, 6))
    strokes = np.repeat(plain, 6, axis=2) * np.where(np.arange(3)[:, None] == 1, phases, 1.0)
    spectra = replace(
        one.spectra,
        parts=strokes.mean(axis=2, keepdims=True),
        without=np.stack([np.delete(strokes, k, axis=2).mean(axis=2) for k in range(6)]).astype(np.complex64),
    )
    shifts = np.array([0.0, 8e-4, 0.0])
    known = losses_by_track(scene([one], own=(0, 0, 0), anchor=2), shifts, ())
    unsure = losses_by_track(scene([replace(one, spectra=spectra)], own=(0, 0, 0), anchor=2), shifts, ())

    assert known == {}
    (loss,) = unsure[1]
    assert loss.std_db > 2 * spread_db(np.full((6, 1), 0.5))[0]
    assert loss.change_db - loss.std_db < -AUDIBLE_DB


def test_chance_of_a_loss_is_that_of_random_phases():
    """Sums of many waves of random phase, drawn: how often they were 1 dB over a level (Rayleigh, 1880)."""
    rng = np.random.default_rng(7)
    waves = np.exp(2j * np.pi * rng.uniform(size=(40_000, 64))).sum(axis=1)
    power = np.abs(waves) ** 2 / 64
    for over_db in (-6.0, 0.0, 3.0):
        drawn = np.mean(power > 10 ** ((over_db + 1.0) / 10))
        assert likely_losses(np.array([[over_db], [np.nan]]))[0] == pytest.approx(drawn, abs=0.01)


def test_sums_of_sets_are_those_of_the_waves():
    """Every set of moved units, against the sum made wave by wave."""
    late = (0.0, 1.0, 3.0)
    one = sound(0, late, (0.0, -3.0, -6.0))
    made = scene([one], own=(0, 0, 0), anchor=2)
    units = [Unit(members=(t,), reference=t, sound=0, coincide_s=(0.0,), one_source=False) for t in (0, 1)]
    moves = [np.array([3e-3, 0.0, 0.0]), np.array([0.0, 2e-3, 0.0])]
    sums = UnitSums(made, units, np.zeros(3), moves)
    spectra = one.spectra
    for taken in (frozenset(), frozenset({0}), frozenset({1}), frozenset({0, 1})):
        shift = sum((moves[n] for n in taken), np.zeros(3))
        wave = (spectra.parts[:, :, 0] * np.exp(-2j * np.pi * spectra.frequency_hz[:, None] * shift)).sum(1)
        expected = [10 * np.log10((np.abs(wave[spectra.octave == k]) ** 2).sum()) for k in range(5)]
        assert sums.of(taken).heard_db[0, :5] == pytest.approx(expected, abs=1e-9)
    assert sums.about[0] == (0, 63.0)


@pytest.mark.parametrize("strokes", [True, False])
def test_levels_without_a_group_are_those_of_the_rest(strokes):
    """Averages that leave a group of strokes out, and frames of which the others are left, wave by wave."""
    rng = np.random.default_rng(3)
    one = sound(0, (0.0, 1.0, 3.0), (0.0, -3.0, -6.0))
    parts = one.spectra.parts * (1.0 + 0.3 * rng.standard_normal((1, 3, 8)))
    without = np.stack([np.delete(parts, [k, k + 6], axis=2).mean(axis=2) for k in range(2)])
    spectra = replace(
        one.spectra,
        parts=parts.mean(axis=2, keepdims=True) if strokes else parts,
        without=without.astype(np.complex64) if strokes else None,
    )
    made = scene([replace(one, spectra=spectra)], own=(0, 0, 0), anchor=2)
    units = [Unit(members=(t,), reference=t, sound=0, coincide_s=(0.0,), one_source=False) for t in (0, 1)]
    moves = [np.array([3e-3, 0.0, 0.0]), np.array([0.0, 2e-3, 0.0])]
    told = UnitSums(made, units, np.zeros(3), moves).near(
        frozenset({0}),
        np.array([[0, 0], [0, 0], [1, 1], [0, 1]]),
        np.array([[0, 0], [-1, 0], [1, 0], [-1, 1]]),
    )

    for row, shift_s in enumerate(([3e-3, 0.0, 0.0], [0.0] * 3, [3e-3, 2e-3, 0.0], [0.0, 2e-3, 0.0])):
        turn = np.exp(-2j * np.pi * spectra.frequency_hz[:, None] * np.array(shift_s))
        for group in range(6):
            left = (
                without[group % 2][:, :, None] if strokes else np.delete(parts, [*range(group, 8, 6)], axis=2)
            )
            power = (np.abs((turn[:, :, None] * left).sum(axis=1)) ** 2).mean(axis=1)
            expected = [10 * np.log10(power[spectra.octave == k].sum()) for k in range(5)]
            assert told.without_db[group, row, :5] == pytest.approx(expected, abs=1e-4)
    assert told.own_db.shape == (4, 2)


@pytest.mark.parametrize("count", [3, 24])
def test_a_source_struck_seldom_is_heard_and_chance_is_not(count):
    """Strokes that differ by half are mostly their average; of noise so many times, one in so many is."""
    rng = np.random.default_rng(count)
    n, rate = 12_000, 48_000
    taper = np.ones(n)
    same = rng.standard_normal((1, 1, n)) + 0.5 * rng.standard_normal((count, 1, n))
    other = rng.standard_normal((count, 1, n))
    power = gated_spectra(np.concatenate([same, other], axis=1), rate, taper=taper, repeats=True).octave_power

    assert (power[1:6, 0] > 0.0).all()
    assert (power[1:6, 1] == 0.0).all()


def test_what_averaging_lost_at_home_is_given_back():
    """Of eight strokes one is upside down: the average holds (6/8)² of the power, in every track alike."""
    rng = np.random.default_rng(4)
    one = rng.standard_normal((1, 2, 9600)) * np.array([[[1.0], [0.5]]])
    signs = np.array([1, 1, 1, 1, 1, 1, 1, -1.0])
    found = gated_spectra(signs[:, None, None] * one, 48_000, taper=np.ones(9600), repeats=True)
    again = levelled_at_home(found, 0)
    place = ALL_HZ.index(500.0)

    assert again.octave_power[place] == pytest.approx(found.octave_power[place] / (6 / 8) ** 2)
    assert again.octave_power[ALL_HZ.index(4000.0)] == pytest.approx(found.octave_power[ALL_HZ.index(4000.0)])
