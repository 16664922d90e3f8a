"""Delays that serve the sum, against the closed form of delayed copies: |Σ e^(−j2πf(τ+d))|²."""

from dataclasses import replace

import numpy as np
import pytest

from polaritykit.decide.delay import align
from polaritykit.decide.settings import AlignmentSettings
from polaritykit.spectra.main_octave import (
    SumTarget,
    hit_target,
    main_octave,
    powers_over_delay,
    track_targets,
)
from polaritykit.spectra.pool import Spectra

SETTINGS = AlignmentSettings()
ONES = np.ones(3)


def target(delays_ms, gains=(1.0, 1.0, 1.0), *, centre_hz=125.0, track=0):
    """One source that reaches three tracks with these delays and gains: C_ab = conj(X_a)·X_b."""
    frequency = np.linspace(centre_hz / 2**0.5, centre_hz * 2**0.5, 60)
    x = np.array(gains)[:, None] * np.exp(-2j * np.pi * frequency * np.array(delays_ms)[:, None] * 1e-3)
    return SumTarget(
        track=track,
        is_source=True,
        centre_hz=centre_hz,
        frequency_hz=frequency,
        halves=np.einsum("ak,bk->kab", x.conj(), x)[None],
    )


def settle(late_ms, own, *others):
    """Align track 0 alone."""
    return align({0: None if late_ms is None else late_ms * 1e-3}, {0: own}, (own, *others), ONES, SETTINGS)[
        0
    ]


def test_power_over_delay_is_the_sum_made():
    """The three phasors added by hand."""
    one = target((0.0, 2.0, 2.5), (1.0, 0.5, 0.7))
    signs, set_s, tried_s = np.array([1.0, -1.0, 1.0]), np.array([0.0, 1e-3, 0.0]), np.array([0.0, 3e-3])
    found = powers_over_delay(one, signs, set_s, 0, tried_s)
    for delay_s, power in zip(tried_s, found[0], strict=True):
        late = np.array([delay_s, 3e-3, 2.5e-3])
        phasors = np.array([1.0, -0.5, 0.7])[:, None] * np.exp(-2j * np.pi * one.frequency_hz * late[:, None])
        assert power == pytest.approx(np.sum(np.abs(phasors.sum(axis=0)) ** 2))


def test_a_first_arrival_that_serves_is_kept():
    """3 ms early at 125 Hz: 0.375 of a period, the sum gains by the delay."""
    found = settle(-3.0, target((0.0, 3.0, 3.0)))

    assert (found.rule, found.late_s) == ("arrival", pytest.approx(-3e-3))
    assert found.gain_db > 1.0


def test_where_the_arrival_does_not_serve_the_fullest_sum_nearby_does():
    """First motion 4.7 ms early, but the octave's own sum is fullest at 2.2 ms."""
    found = settle(
        -4.7, target((0.0, 2.2, 2.2)), target((0.0, 3.2, 3.2), (0.9, 1, 1), centre_hz=250.0, track=1)
    )

    assert found.rule == "fullest"
    assert -3.3e-3 < found.late_s < -2.1e-3


def test_what_is_together_already_is_left():
    """0.05 ms is nothing to set, though a sum 1 ms away were fuller."""
    assert settle(-0.05, target((0.0, 1.0, 1.0))).rule == "arrival"


def test_no_delay_where_another_source_loses():
    """The other source is together as recorded; any delay of some ms takes it apart."""
    found = settle(-4.0, target((0.0, 4.0, 4.0)), target((0.0, 0.0, 0.0), centre_hz=125.0, track=1))

    assert (found.rule, found.late_s) == ("harm", None)
    assert found.loser == 1


def test_no_delay_where_its_own_source_does_not_gain():
    """Together as recorded, late only by a wrong arrival."""
    found = settle(-3.0, target((0.0, 0.0, 0.0)))

    assert (found.rule, found.late_s) == ("no gain", None)


@pytest.mark.parametrize("early_ms", [2.0, 3.0, 4.0])
def test_without_an_arrival_the_own_octave_tells(early_ms):
    """The fullest sum of equal copies is where they fall together."""
    found = settle(None, target((0.0, early_ms, early_ms)))

    assert found.rule == "own octave"
    assert found.late_s == pytest.approx(-early_ms * 1e-3, abs=0.05e-3)


def test_a_sum_that_grows_to_the_end_of_the_search_is_not_believed():
    """Inverted at 63 Hz the fullest sum lies half a period (8 ms) off, outside."""
    inverted = target((0.0, 1.0, 1.0), (-1.0, 1.0, 1.0), centre_hz=63.0)

    assert settle(None, inverted).late_s is None


def test_a_right_flip_that_costs_the_low_end_says_so():
    """Half a period early at 250 Hz and wired backwards: 5 ∓ 4·cos 2πfτ (|2 ∓ e^jθ|²), integrated."""
    early = target((0.0, 2.0, 2.0), (-1.0, 1.0, 1.0), centre_hz=250.0)
    low, high = 2 * np.pi * 2e-3 * 250 / 2**0.5, 2 * np.pi * 2e-3 * 250 * 2**0.5
    mean = (np.sin(high) - np.sin(low)) / (high - low)
    closed = replace(SETTINGS, search_below_hz=0.0)
    found = align({0: None}, {0: early}, (early,), np.array([-1.0, 1.0, 1.0]), closed)[0]

    assert found.late_s is None
    assert found.flip_db == pytest.approx(10 * np.log10((5 + 4 * mean) / (5 - 4 * mean)), abs=0.1)


def test_high_octaves_say_nothing_without_an_arrival():
    """A period is shorter than the delays to choose from."""
    assert settle(None, target((0.0, 2.0, 2.0), centre_hz=4000.0)).late_s is None


def test_octave_of_a_struck_tone_and_its_phase_between_tracks():
    """A decaying 130 Hz tone, inverted and 2 ms late on track 1: phase π − 2πf·2 ms (shift theorem)."""
    rate, n = 48_000, 6000
    t = np.arange(n) / rate
    tone = np.exp(-t / 0.02) * np.sin(2 * np.pi * 130 * t)
    windows = np.zeros((4, 2, n))
    windows[:, 0, 480:] = tone[:-480]
    windows[:, 1, 576:] = -tone[:-576]
    found = hit_target(windows, 0, rate, first=0)

    assert found.centre_hz == 125.0
    assert found.halves.shape[0] == 2
    turned = found.halves.sum(axis=0)[:, 0, 1] * -np.exp(2j * np.pi * found.frequency_hz * 2e-3)
    assert np.abs(np.angle(turned)).max() < 0.05


def test_tracks_are_judged_in_their_loudest_octave():
    """White spectra of one bin per hertz hold most in the highest whole octave; silence has none."""
    frequency = np.arange(0.0, 12_000.0)
    power = np.stack([np.where(np.abs(frequency - 250) < 30, 1.0, 1e-3), np.zeros(len(frequency))])
    spectra = Spectra(
        sample_rate_hz=48_000,
        fft_size=48_000,
        frequency_hz=frequency,
        power=power,
        matrix=np.zeros((len(frequency), 2, 2), complex),
        n_frames=9,
    )

    assert main_octave(np.ones(len(frequency)), frequency)[0] == 8000.0
    assert [item.centre_hz for item in track_targets(spectra, (0, 1))] == [250.0]
