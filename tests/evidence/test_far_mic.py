"""A mic as far away as is looked for: what was put in comes back (by definition of a delay)."""

import numpy as np
import pytest
from made_strokes import RATE, stroke

from polaritykit.analysis import analyse_arrays


@pytest.mark.parametrize("late_ms", [60.0, 100.0])
def test_struck_sound_is_followed_over_a_tenth_of_a_second(late_ms: float) -> None:
    """Twenty strokes of one drum on a near mic and, weaker and upside down, on one that hears it late."""
    rng = np.random.default_rng(7)
    times, shape = 0.3 + np.cumsum(rng.uniform(0.25, 0.6, 20)), stroke(rng, 190.0)
    tracks = 1e-4 * rng.standard_normal((2, round((times[-1] + 1.0) * RATE)))
    for time in times:
        for track, (gain, late) in enumerate(((0.5, 0.0), (-0.1, late_ms * 1e-3))):
            at = round((time + late) * RATE)
            tracks[track, at : at + len(shape)] += gain * shape
    [pair] = analyse_arrays({"near": tracks[0], "far": tracks[1]}, sample_rate_hz=RATE).pairs
    assert pair.offset_ms == pytest.approx(late_ms, abs=0.05)
    assert pair.polarity == "inverted"
