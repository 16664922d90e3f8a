"""Arrays as a recording, and arrays that are none."""

import numpy as np
import pytest
from written_files import streamed

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.base.errors import UsageError


def test_array_recording():
    """Arrays in memory behave like files: reads, blocks, zeros outside, non-finite samples zeroed."""
    x = np.arange(10, dtype=float) / 10
    y = x.copy()
    y[3] = np.nan
    recording = ArrayRecording({"x": x, "y": y}, 48_000)

    assert recording.faults_met == {"y": ("not_finite",)}
    assert np.isnan(y[3])
    got = streamed(recording, 4)
    np.testing.assert_array_equal(got[0], np.float32(x))
    np.testing.assert_array_equal(recording.read(-2, 12, (1,))[0], [0, 0, *got[1], 0, 0])


@pytest.mark.parametrize(
    ("tracks", "rate", "message"),
    [
        ({}, 48_000, "pass at least one array"),
        ({"a": np.zeros((2, 5))}, 48_000, r"'a' must be one row of samples, not an array of shape \(2, 5\)"),
        ({"a": np.zeros(5, int)}, 48_000, "'a' must be floating point with full scale 1.0, not int64"),
        ({"a": np.zeros(5), "b": np.zeros(6)}, 48_000, r"one length; cut or pad them first \(a: 5, b: 6\)"),
        ({"a": np.zeros(5)}, 0, "whole number of hertz above 0, not 0"),
        ({"a": np.zeros(5)}, 44_100.5, "whole number of hertz"),
    ],
)
def test_array_recording_refuses(tracks, rate, message):
    """What is no set of tracks is refused by a sentence that says what is wanted."""
    with pytest.raises(UsageError, match=message):
        ArrayRecording(tracks, rate)
