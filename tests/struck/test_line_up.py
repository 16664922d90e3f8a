"""Arrivals lined up between tracks: a fraction of a sample put in by a phase ramp comes out again."""

from dataclasses import replace

import numpy as np
import pytest

from polaritykit.struck import line_up
from polaritykit.struck.first_arrival import Arrivals
from polaritykit.struck.line_up import lined_up
from polaritykit.struck.pair_correlation import best_lag, pair_correlations

RATE = 48_000
ZERO = 400


def ramped(wave, delay_samples):
    """Delay by a phase ramp (the shift theorem)."""
    frequency = np.fft.rfftfreq(len(wave))
    return np.fft.irfft(np.fft.rfft(wave) * np.exp(-2j * np.pi * frequency * delay_samples), len(wave))


def votes(delays, signs):
    """One band-limited first motion on every track, late by fractions of a sample."""
    n = 1024
    time = (np.arange(n) - ZERO - 6) / RATE
    wave = np.sin(2 * np.pi * 2500 * time) * np.exp(-((time / 0.25e-3) ** 2))
    return np.array([sign * ramped(wave, delay) for delay, sign in zip(delays, signs, strict=True)])


def picked(delays, signs, picks):
    """Arrivals at whole samples, as a picker would leave them."""
    n = len(delays)
    return Arrivals(
        arrival_s=np.asarray(picks) / RATE,
        spread_s=np.full(n, 1e-5),
        stability=np.ones(n),
        coherence=np.ones(n),
        snr_db=np.full(n, 30.0),
        at_edge=np.zeros(n, dtype=bool),
        votes=votes(delays, signs),
    )


def test_fractions_of_a_sample_and_misplaced_picks_are_put_right():
    """Picks up to three samples off, signs mixed: the differences are those put in, to a part of one."""
    delays = np.array([0.0, 10.4, 21.7, 5.25])
    found = lined_up(picked(delays, [1, -1, 1, -1], [0, 12, 20, 7]), ZERO, RATE)
    moved = (found.arrival_s - found.arrival_s[0]) * RATE

    # The ridge keeps a share of 0.3 / (0.3 + 4) of a misplacement of up to three samples.
    assert moved == pytest.approx(delays, abs=0.3)


def test_a_track_unlike_the_others_stays_where_it_was_picked(monkeypatch):
    """Noise matches nothing closely enough to be moved by it."""
    plain = picked([0.0, 10.0, 20.0], [1, 1, 1], [0, 10, 20])
    noise = np.random.default_rng(2).standard_normal(plain.votes.shape[1])
    strange = replace(plain, votes=np.vstack([plain.votes[:2], noise]))
    monkeypatch.setattr(line_up, "_LEAST_SIMILARITY", 0.8)
    found = lined_up(strange, ZERO, RATE)

    assert found.arrival_s * RATE == pytest.approx([0, 10, 20], abs=0.01)


def test_correlation_and_its_best_lag_against_numpy():
    """The value at lag 0 is numpy's correlation coefficient of zero-mean gates; the lag is antisymmetric."""
    wave = votes([0.0, 0.5], [1, -1])[None]
    gate = slice(ZERO - 12, ZERO + 36)
    curves = pair_correlations(wave, np.array([ZERO, ZERO]), before=12, length=48, reach=5)
    a, b = wave[0, 0, gate], wave[0, 1, gate]
    lag = best_lag(curves)

    assert curves[0, 1, 5] == pytest.approx(a @ b / np.sqrt((a @ a) * (b @ b)), abs=1e-12)
    assert lag[0, 1] == pytest.approx(0.5, abs=0.1)
    assert lag[1, 0] == -lag[0, 1]
