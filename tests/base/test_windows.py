"""Windows read together are the windows read one by one."""

import numpy as np
import pytest

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.base.windows import over_windows

RATE = 8000


class Counting(ArrayRecording):
    """Counts the samples that are asked of it."""

    asked = 0

    def read(self, start: int, stop: int, tracks: tuple[int, ...] | None = None):
        """Read, and count."""
        type(self).asked += stop - start
        return super().read(start, stop, tracks)


@pytest.mark.parametrize("memory", [4e7, 1.0])
@pytest.mark.parametrize("tracks", [None, (2, 0)])
def test_each_window_is_what_reading_it_alone_gives(
    memory: float, tracks: tuple[int, ...] | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In any order, overlapping, twice the same, beyond either end of the take, and far apart."""
    monkeypatch.setattr("polaritykit.base.windows._BYTES", memory)
    rng = np.random.default_rng(4)
    recording = ArrayRecording({str(k): rng.standard_normal(9 * RATE) for k in range(3)}, RATE)
    starts = [500, 40_000, 520, -100, 71_900, 40_000, 41_500, *rng.integers(0, 9 * RATE, 20).tolist()]
    windows = [(start, start + int(n)) for start, n in zip(starts, rng.integers(1, 900, 27), strict=True)]
    found = over_windows(lambda k, sound: (k, sound.copy()), recording, windows, tracks)
    assert [k for k, _ in found] == list(range(len(windows)))
    for (start, stop), (_, sound) in zip(windows, found, strict=True):
        np.testing.assert_array_equal(sound, recording.read(start, stop, tracks))


def test_what_overlaps_is_read_once() -> None:
    """Forty windows of a second within two seconds take two seconds' reading, not forty."""
    recording = Counting({"a": np.ones(9 * RATE), "b": np.ones(9 * RATE)}, RATE)
    starts = np.linspace(RATE, 2 * RATE, 40).astype(int).tolist()
    over_windows(lambda *_: None, recording, [(at, at + RATE) for at in starts[::-1]])
    assert Counting.asked == 2 * RATE


def test_no_windows() -> None:
    """Nothing to look at is nothing read."""
    recording = ArrayRecording({"a": np.ones(RATE), "b": np.ones(RATE)}, RATE)
    assert over_windows(lambda *_: None, recording, []) == []
