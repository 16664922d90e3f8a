"""Coded spectra are the spectra, to two bytes; moments far apart are correlated as they are one by one."""

from dataclasses import replace

import numpy as np
import pytest

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.base.hann import BINS_ALIKE, INDEPENDENT_FRAMES
from polaritykit.sustained.moments_apart import MomentsApart, turned
from polaritykit.sustained.take_codes import ROUGH, read_codes
from polaritykit.sustained.take_frames import APART, FINE, plan_take, read_take

RATE = 16_000


def recording(seed: int, seconds: int = 8) -> ArrayRecording:
    """Noises of three colours, one with gaps."""
    rng = np.random.default_rng(seed)
    n = seconds * RATE
    white = rng.standard_normal((3, n))
    dull = np.convolve(white[1], np.ones(20) / 20, "same")
    return ArrayRecording(
        {"white": white[0], "dull": dull, "gaps": white[2] * (np.arange(n) % 4000 > 1000)}, RATE
    )


def test_codes_are_the_spectra_but_for_their_rounding() -> None:
    """Errors uniform over a step are step/√12 (0.7 % of a 256th turn, 1.3 % of 0.4 dB), plus the grid's."""
    sound = recording(1)
    plan = plan_take(sound, 40.0)
    assert plan is not None
    codes, take = read_codes(sound, plan, (0, 2)), read_take(sound, plan, (0, 2))
    runs = len(plan.starts)
    for row in range(2):
        exact = np.asarray(take.spectra[:, row]).reshape(runs, plan.run, -1)
        got = codes.spectra(row, slice(None)).reshape(-1, plan.run, runs).transpose(2, 1, 0)
        large = np.abs(exact) > 1e-2
        assert large.mean() > 0.9
        error = np.abs(got[large] / exact[large] - 1.0)
        assert np.sqrt(np.mean(error**2)) < ROUGH
        assert abs(np.mean(got[large] / exact[large]) - 1.0) < 1e-3
        np.testing.assert_allclose(
            codes.sizes(row, slice(None)), np.abs(codes.spectra(row, slice(None))) ** 2, rtol=1e-5
        )
    np.testing.assert_allclose(codes.power[0], take.power_of(0) / take.power_of(0).max(), rtol=1e-6)


@pytest.mark.parametrize(("a", "b"), [(0, 1), (0, 2)])
def test_moments_far_apart_are_correlated_one_by_one(a: int, b: int) -> None:
    """Each moment's correlation by its plain sum over frames, in units of the root of its power by chance."""
    sound = recording(2)
    plan = plan_take(sound, 40.0)
    assert plan is not None
    take = read_take(sound, plan, (0, 1, 2))
    one, other = (
        np.asarray(take.spectra_of(k), complex).reshape(-1, plan.run, plan.high - plan.low) for k in (a, b)
    )
    weights = np.stack([np.ones(plan.high - plan.low), np.linspace(1.0, 0.0, plan.high - plan.low)])
    needed = np.array([5.0, 6.0])
    curves = []
    lags = np.arange(-plan.reach, plan.reach + 1) / (FINE * RATE)
    turn = np.exp(2j * np.pi * np.outer(plan.frequency_hz, lags))
    for shift in range(APART, plan.run - APART + 1):
        product = np.conj(one) * np.roll(other, -shift, axis=1)
        power = np.sum(np.abs(product) ** 2, axis=(0, 1)) * BINS_ALIKE / (2.0 * INDEPENDENT_FRAMES)
        chance = np.sqrt(weights**2 @ power)
        curves.append(((weights * product.sum(axis=(0, 1))) @ turn).real / chance[:, None])
    spread = np.maximum(1.0, np.sqrt(np.mean(np.square(curves), axis=(0, 2))))
    far = np.max(np.abs(curves).max(axis=2) / (needed * spread), axis=1)
    wanted = needed * spread * max(1.0 + 2.0 * max(0.0, far.max() - 1.0), far.mean() + 3.5 * far.std())
    apart = MomentsApart.of(plan, *(turned(take.spectra_of(k), plan.run) for k in (a, b)), weights)
    fewer_lags = replace(apart, fine=1)
    for weighting in range(2):

        def asked(enough: float, weighting: int = weighting) -> float:
            return apart.needed(needed, weighting, enough)

        assert asked(np.inf) == pytest.approx(wanted[weighting], rel=1e-3)
        # A lag to a sample: half a lag off, 0.71 is left of a peak at the top of the band, more of others.
        assert 0.71 < fewer_lags.needed(needed, weighting, np.inf) / wanted[weighting] < 1.02
        # Whether it is more than enough does not depend on how far it is told.
        for enough in wanted[weighting] * np.array([0.5, 0.9, 0.99, 1.01, 1.5]):
            assert (asked(enough) > enough) == (wanted[weighting] > enough)
