"""A part of a long take listened to instead of all of it, in stretches that spread over the take.

Only what goes through all samples (levels, spectra, onsets, activity) is kept to the stretches; windows
around what was found there, and around frames a later step asks for, are read wherever they lie.

Conventions: samples of the session; stretches are [first, stop).
"""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from math import lcm

import numpy as np

from polaritykit.base.spans import Span, common_span, spans_of
from polaritykit.base.types import Recording, Samples
from polaritykit.struck.onsets import onset_frame_samples
from polaritykit.sustained.activity import frame_samples

#: Long enough for some bars of music, so that a stroke is heard among its neighbours; many of them show a mic
#: that was moved half way.
_STRETCH_S = 10.0
_FEWEST = 4
#: From this share on all is listened to.
_NEARLY_ALL = 0.95
#: Ends are faded over this: nothing is heard there that a cut would make.
_FADE_S = 2e-3


class SpreadRecording:
    """A recording whose `blocks` leave out all but the given stretches; reads are the recording's own.

    Parameters
    ----------
    recording : Recording
    stretches : tuple of (int, int)
        In time order, apart from one another.
    """

    def __init__(self, recording: Recording, stretches: tuple[tuple[int, int], ...]) -> None:
        self._recording = recording
        self._stretches = stretches
        self.track_names = recording.track_names
        self.sample_rate_hz = recording.sample_rate_hz
        self.n_samples = recording.n_samples
        self.spans = spans_of(recording)
        self.read = recording.read

    @property
    def listened_s(self) -> float:
        """How much of the take `blocks` yields."""
        return sum(stop - first for first, stop in self._stretches) / self.sample_rate_hz

    def blocks(self, block_samples: int) -> Iterator[tuple[int, Samples]]:
        """Yield ``(start, samples)`` of the stretches, one block read ahead."""
        places = [
            (start, min(start + block_samples, stop), first, stop)
            for first, stop in self._stretches
            for start in range(first, stop, block_samples)
        ]
        with ThreadPoolExecutor(1, thread_name_prefix="decode") as pool:
            coming = pool.submit(self._faded, *places[0])
            for start, *following in zip((start for start, *_ in places), [*places[1:], None], strict=True):
                block = coming.result()
                if following[0] is not None:
                    coming = pool.submit(self._faded, *following[0])
                yield start, block

    def _faded(self, start: int, stop: int, first: int, last: int) -> Samples:
        at = np.arange(start, stop)
        from_end = np.minimum(at - first, last - 1 - at) / (_FADE_S * self.sample_rate_hz)
        fade = np.sin(0.5 * np.pi * np.clip(from_end, 0.0, 1.0)) ** 2
        return self._recording.read(start, stop) * fade.astype(np.float32)


def spread(recording: Recording, listen_s: float | None) -> Recording:
    """Give the recording, or where it is longer than wanted one whose blocks hold only so much of it.

    Parameters
    ----------
    recording : Recording
    listen_s : float or None
        Seconds wanted, spread over the take; None for all.

    Returns
    -------
    Recording
    """
    rate, n = recording.sample_rate_hz, recording.n_samples
    if listen_s is None or listen_s * rate >= n:
        return recording
    # Both kinds of frames begin with the stretches.
    unit = lcm(frame_samples(n, rate), onset_frame_samples(rate))
    count = max(_FEWEST, round(listen_s / _STRETCH_S))
    length = max(1, round(listen_s * rate / count / unit)) * unit
    if count * (length + unit) >= _NEARLY_ALL * n:
        return recording
    starts = np.linspace(0, n - length, count) // unit * unit
    stretches = [(int(first), int(first) + length) for first in starts]
    return SpreadRecording(recording, _with_common(stretches, common_span(spans_of(recording)), unit))


def _with_common(stretches: list[Span], common: Span, unit: int) -> tuple[Span, ...]:
    """Move the nearest stretch to the middle of what all tracks share, where none lies half in it."""
    first, stop = stretches[0]
    length = min(stop - first, common[1] - common[0])
    if any(2 * (min(stop, common[1]) - max(first, common[0])) >= length for first, stop in stretches):
        return tuple(stretches)
    at = min(max(0, (sum(common) - (stop - first)) // 2 // unit * unit), stretches[-1][0])
    nearest = min(range(len(stretches)), key=lambda k: abs(stretches[k][0] - at))
    stretches[nearest] = (at, at + stop - first)
    joined = [stretches[0]]
    for first, stop in stretches[1:]:
        if first <= joined[-1][1]:
            joined[-1] = (joined[-1][0], stop)
        else:
            joined.append((first, stop))
    return tuple(joined)


def listened_s(recording: Recording) -> float | None:
    """Seconds listened to; None for all of a recording."""
    return recording.listened_s if isinstance(recording, SpreadRecording) else None
