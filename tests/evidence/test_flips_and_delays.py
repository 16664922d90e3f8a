"""What is done to a struck track moves its answers by just so much: a flip, a delay, a gain.

Source: by definition of polarity, offset and level; short made-up takes with one clear answer, so that every
change of it is the program's own.
"""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from made_strokes import RATE, stroke

import polaritykit

WAYS_MS = np.array([0.4, 2.9, 6.3])
NAMES = ("near", "over", "far")


def delayed(sound: np.ndarray, delay_ms: float) -> np.ndarray:
    """Delay by a phase ramp, zeros drawn in (shift theorem)."""
    n = 2 * len(sound)
    ramp = np.exp(-2j * np.pi * np.fft.rfftfreq(n, 1 / RATE) * delay_ms * 1e-3)
    return np.fft.irfft(np.fft.rfft(sound, n) * ramp, n)[: len(sound)]


def struck() -> np.ndarray:
    """Lay strokes of a tone with a click on three tracks at their ways, over a little noise."""
    rng = np.random.default_rng(7)
    heard = np.zeros(6 * RATE)
    for time in np.arange(0.3, 5.7, 0.19) + rng.uniform(-0.02, 0.02, 29):
        sound = stroke(rng, tone_hz=210.0) * rng.uniform(0.5, 1.0)
        heard[round(time * RATE) :][: len(sound)] += sound[: len(heard) - round(time * RATE)]
    return np.stack([delayed(heard, way) for way in WAYS_MS]) + 1e-4 * rng.standard_normal((3, len(heard)))


def answers(tracks: np.ndarray) -> dict[tuple[str, str], tuple[float | None, str]]:
    """Offset and polarity of every pair."""
    named = dict(zip(NAMES, tracks.astype(np.float32), strict=True))
    findings = polaritykit.analyse_arrays(named, sample_rate_hz=RATE)
    return {(p.reference, p.other): (p.offset_ms, p.polarity) for p in findings.pairs}


def test_flips_delays_and_gains_are_followed() -> None:
    """Offsets to 0.05 ms (a whole sample of 0.02 ms and the picks about it), polarities exactly."""
    tracks = struck()
    plain = answers(tracks)
    assert all(polarity == "same" for _, polarity in plain.values())

    @settings(max_examples=2, deadline=None, derandomize=True)
    @given(
        st.lists(st.sampled_from((-1, 1)), min_size=3, max_size=3),
        st.lists(st.floats(0.0, 6.0), min_size=3, max_size=3),
        st.lists(st.floats(-20.0, 6.0), min_size=3, max_size=3),
    )
    @example([1, -1, 1], [5.9, 0.0, 0.013], [0.0, -20.0, 6.0])
    def holds(flips: list[int], delays_ms: list[float], gains_db: list[float]) -> None:
        done = [
            flip * 10 ** (gain / 20) * delayed(track, delay)
            for track, flip, delay, gain in zip(tracks, flips, delays_ms, gains_db, strict=True)
        ]
        for (a, b), (offset_ms, polarity) in answers(np.stack(done)).items():
            first, second = NAMES.index(a), NAMES.index(b)
            before = plain[a, b][0]
            assert before is not None
            assert offset_ms is not None
            assert offset_ms - before == pytest.approx(delays_ms[second] - delays_ms[first], abs=0.05)
            assert polarity == ("same" if flips[first] == flips[second] else "inverted")

    holds()
