"""The sum of all tracks against closed forms, and which sources the delays serve."""

import numpy as np
import pytest

from polaritykit.analysis import analyse_arrays
from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.decide.findings import Apart, Corrections, SourceArrival, SourceFinding, TrackCorrection
from polaritykit.decide.served import served_sources
from polaritykit.levels.faults import sum_advice
from polaritykit.levels.headroom import changed_blocks, corrected_blocks, sum_headroom_db
from polaritykit.spectra.pool import Spectra, SpectrumPool
from polaritykit.spectra.session_sum import octave_sums

STEP_HZ = 1.0


def _copies(delays_ms, signs, gains):
    """Spectra of one white noise on several tracks, exact: conj(X_a)·X_b of X = g·s·e^(−j2πfτ)."""
    frequency = np.arange(0.0, 20_001.0, STEP_HZ)
    response = (
        np.array(signs)[:, None]
        * np.array(gains)[:, None]
        * np.exp(-2j * np.pi * frequency * np.array(delays_ms)[:, None] * 1e-3)
    )
    matrix = np.einsum("ak,bk->kab", response.conj(), response)
    return Spectra(
        sample_rate_hz=48_000,
        fft_size=48_000,
        frequency_hz=frequency,
        power=np.abs(response) ** 2,
        matrix=matrix,
        n_frames=100,
    )


def test_octave_of_a_comb_follows_the_integral():
    """Equal tracks τ apart: 10·log₁₀(1 + mean of cos 2πfτ over the octave), the mean by integration."""
    tau = 1.3e-3
    found = octave_sums(_copies([0.0, 1.3], [1, 1], [1, 1]), [False, False], [1.3, 0.0])
    for centre, before, after in zip(found.centre_hz, found.before_db, found.after_db, strict=True):
        low, high = centre / np.sqrt(2), min(centre * np.sqrt(2), 20_000.0)
        mean = (np.sin(2 * np.pi * high * tau) - np.sin(2 * np.pi * low * tau)) / (
            2 * np.pi * tau * (high - low)
        )
        assert before == pytest.approx(10 * np.log10(1 + mean), abs=0.15 if centre < 100 else 0.03)
        assert after == pytest.approx(10 * np.log10(2), abs=1e-6)


@pytest.mark.parametrize("n", [2, 3, 8])
def test_n_equal_tracks_gain_ten_log_n(n):
    """Coherent addition: n² against n, whatever the delays and signs were (textbook)."""
    rng = np.random.default_rng(n)
    delays, signs = rng.uniform(0, 8, n), rng.choice([-1, 1], n)
    found = octave_sums(_copies(delays, signs, np.ones(n)), signs < 0, delays.max() - delays)

    assert found.after_db == pytest.approx([10 * np.log10(n)] * len(found.centre_hz), abs=1e-6)
    assert min(found.before_db) < 10 * np.log10(n) - 0.1


def test_level_equals_the_sum_made_sample_by_sample():
    """Three tracks of two sources: the corrected sum really made, and its octave really measured."""
    rng = np.random.default_rng(4)
    one, two = rng.standard_normal((2, 480_000)).astype(np.float32)
    audio = np.stack([one, -np.roll(one, 60) + 0.5 * two, np.roll(two, 100) + 0.3 * one])
    audio = audio.astype(np.float32)

    def pooled(rows):
        pool = SpectrumPool(len(rows), 48_000, 8192)
        pool.update(rows)
        return pool.result()

    found = octave_sums(pooled(audio), [False, True, False], [60e3 / 48e3, 0.0, 25e3 / 48e3])
    made = np.roll(audio[0], 60) - audio[1] + np.roll(audio[2], 25)
    whole, parts = pooled(made[None]), pooled(audio)
    for centre, after in zip(found.centre_hz, found.after_db, strict=True):
        inside = np.abs(np.log2(np.maximum(whole.frequency_hz, 1e-9) / centre)) <= 0.5
        expected = 10 * np.log10(whole.power[0][inside].sum() / parts.power[:, inside].sum())
        assert after == pytest.approx(expected, abs=0.1)


def test_silence_says_nothing():
    """No power, no octave."""
    assert octave_sums(_copies([0, 0], [1, 1], [0, 0]), [False, False], [0.0, 0.0]).centre_hz == ()


def _arrivals(**offsets):
    return tuple(
        SourceArrival(track=name, offset_ms=offset, offset_std_ms=0.01, level_db=level)
        for name, (offset, level) in offsets.items()
    )


def test_a_source_without_a_delay_of_its_own_is_named():
    """Snare and hat share a mic: its delay, set by the snare, leaves the hat 1.2 ms apart (by hand)."""
    tracks = [("kick", 4.0, -4.0), ("snare", 3.0, -3.0), ("over", 0.0, 0.0), ("room", 0.0, None)]
    corrections = Corrections(
        anchor="over",
        tracks=tuple(
            TrackCorrection(name=name, invert=False, delay_ms=delay, delay_samples=delay * 48, late_ms=late)
            for name, delay, late in tracks
        ),
        groups=(),
        outvoted=(),
        loops=(),
    )

    def source(home, **offsets):
        return SourceFinding(
            name=home, home=home, kind="hits", hits=9, times_s=(1.0,), arrivals=_arrivals(**offsets)
        )

    found = served_sources(
        (
            source("kick", kick=(0.0, 50), snare=(2.0, 30), over=(4.0, 40), room=(12.0, 45)),
            source("snare", kick=(None, 0), snare=(0.0, 50), over=(3.1, 45), room=(9.0, 40)),
            source("hat", kick=(None, 0), snare=(0.0, 42), over=(4.2, 40), room=(9.0, 40)),
        ),
        corrections,
        linked=(),
    )

    # The snare mic hears the kick 20 dB below the snare: not judged.  Rooms keep their lateness.
    assert [(one.home, one.together) for one in found] == [
        ("kick", ("kick",)),
        ("snare", ("snare",)),
        ("hat", ()),
    ]
    assert found[0].apart == found[1].apart == ()
    assert found[2].apart == (Apart(track="snare", residual_ms=pytest.approx(-1.2)),)


@pytest.mark.parametrize("from_plain_sum", [False, True])
def test_peak_of_the_corrected_sum(from_plain_sum):
    """Two half-scale clicks, one upside down and 5 samples early: corrected they fall together, at 0 dBFS."""
    early, late = np.zeros((2, 4000), np.float32)
    early[1000], late[1005] = -0.5, 0.5
    recording = ArrayRecording({"a": early, "b": late}, 48_000)
    settings = [True, False], [5.2, 0.0], 512
    if from_plain_sum:
        blocks = list(changed_blocks(recording, early + late, *settings))
    else:
        blocks = list(corrected_blocks(recording, *settings))

    assert sum(block.shape[1] for block in blocks) >= 4005
    assert np.abs(np.concatenate([block.sum(axis=0) for block in blocks])).max() == 1.0
    assert sum_headroom_db(iter(blocks)) == pytest.approx(0.0, abs=0.01)


def test_advice_on_the_sum_names_the_bound():
    """Over full scale the faders come down by whole decibels, rounded up; a bound claims no peak."""
    assert "by 3 dB at least" in sum_advice(2.1, is_bound=False)
    assert "can reach" in sum_advice(2.1, is_bound=True)
    assert "faders" not in sum_advice(2.1, is_bound=True)


def test_sustained_sources_are_served_too_and_their_notches_have_their_own_depth():
    """Noise reaches the far mic 12.04 dB weaker under as much sound of its own: notches of 2.5 dB.

    −20·log₁₀(1 − 1/4) = 2.50 dB (closed form); the whole tracks, equally loud, would say complete.  The
    frames read are those in which the near track happens to be loudest: half a decibel more of difference.
    """
    rng = np.random.default_rng(5)
    noise, other = 0.1 * rng.standard_normal((2, 48_000 * 12))
    far = 0.25 * np.roll(noise, 96) + np.sqrt(1 - 0.25**2) * other
    findings = analyse_arrays({"near": noise, "far": far}, sample_rate_hz=48_000)

    assert findings.pairs[0].level_difference_db == pytest.approx(0.0, abs=0.1)
    assert findings.pairs[0].notch_depth_db == pytest.approx(2.50, abs=0.2)
    assert {source.kind for source in findings.sources} == {"continuous"}
    assert "near" in {source.home for source in findings.served}
