"""Offsets of one sound close.

Sources beside each check; ways of sound are made by definition: a delay and its echoes.
"""

import math

import numpy as np
import pytest
from scipy.special import erfc

import polaritykit
from polaritykit.decide.findings import PairFinding
from polaritykit.decide.timing import SHARP_S
from polaritykit.evidence.other_arrival import with_other

RATE = 48000
#: When echoes follow the direct sound, ms.  They are half as loud each, but those of the two far mics lie two
#: milliseconds further apart than their direct sounds, seven times over: 7 * 0.5 * 0.5 > 1.
ECHOES_MS = {"near": (), "middle": (3.0, 4.7, 7.0, 8.3, 11.9, 14.2, 17.1)}
ECHOES_MS["far"] = tuple(late_ms + 2.0 for late_ms in ECHOES_MS["middle"])
LATE_MS = {"near": 0.0, "middle": 2.0, "far": 12.0}


def mics(signs: dict[str, int]) -> dict[str, np.ndarray]:
    """One noise by three ways, with a little hiss of each mic's own."""
    rng = np.random.default_rng(5)
    sound = rng.standard_normal(8 * RATE)
    tracks = {}
    for name, echoes in ECHOES_MS.items():
        heard = 0.01 * rng.standard_normal(len(sound))
        for late_ms in (0.0, *echoes):
            at = round((LATE_MS[name] + late_ms) * 1e-3 * RATE)
            heard[at:] += (0.5 if late_ms else 1.0) * sound[: len(sound) - at]
        tracks[name] = 0.1 * signs[name] * heard
    return tracks


def pairs(tracks: dict[str, np.ndarray]) -> dict[tuple[str, str], PairFinding]:
    """Analyse and give the pairs by their names."""
    found = polaritykit.analyse_arrays(tracks, sample_rate_hz=RATE).pairs
    return {(pair.reference, pair.other): pair for pair in found}


def test_a_near_mic_tells_which_peak_is_the_direct_sound() -> None:
    """By definition: middle to far is 12 - 2 = 10 ms, though their echoes correlate more at 12."""
    signs = {"near": 1, "middle": -1, "far": 1}
    found = pairs(mics(signs))
    for (a, b), pair in found.items():
        assert pair.offset_ms == pytest.approx(LATE_MS[b] - LATE_MS[a], abs=0.05)
        assert pair.polarity == ("same" if signs[a] == signs[b] else "inverted")


def test_without_it_the_spread_says_that_another_peak_stands_as_high() -> None:
    """By definition: of two mics alone nobody can know; settings rest on no offset with such a spread."""
    tracks = mics({"near": 1, "middle": -1, "far": 1})
    del tracks["near"]
    (pair,) = pairs(tracks).values()
    assert pair.offset_std_ms is not None
    assert pair.offset_std_ms * 1e-3 > SHARP_S


@pytest.mark.parametrize("right", [-1.0, 0.0, 2.0, 3.0, 6.0, math.inf])
def test_half_the_distance_that_holds_95_percent(right: float) -> None:
    """The mixture's own tail, by the error function (closed form), leaves 4.55 % beyond twice the spread."""
    spread = with_other(0.1e-3, right, 2e-3)
    wrong = 1.0 / (1.0 + math.exp(right))
    beyond = (1 - wrong) * erfc(math.sqrt(2) * spread / 0.1e-3) + wrong * erfc(math.sqrt(2) * spread / 2e-3)
    assert beyond == pytest.approx(erfc(math.sqrt(2)), rel=1e-4)
