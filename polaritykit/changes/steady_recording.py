"""A recording and its hits with the tracks' motions taken back, so that the whole take speaks of one state.

Conventions: as in `polaritykit.changes.motion`.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Recording, Samples
from polaritykit.changes.motion import Motion
from polaritykit.struck.sources import HitSource


class SteadyRecording:
    """A recording with the tracks' motions taken back, in whole samples, for reads of short stretches.

    Reads across a step or long against a drift are not steady; `blocks` is the recording's own.
    """

    def __init__(self, recording: Recording, motions: Sequence[Motion]) -> None:
        self._recording = recording
        self._motions = {motion.track: motion for motion in motions}
        self.track_names = recording.track_names
        self.sample_rate_hz = recording.sample_rate_hz
        self.n_samples = recording.n_samples
        self.blocks = recording.blocks

    def read(self, start: int, stop: int, tracks: tuple[int, ...] | None = None) -> Samples:
        """Return samples ``[start, stop)`` of the given rows as they would be in the reported state.

        Parameters
        ----------
        start, stop : int
            Samples of the session; places outside the span read as zeros.
        tracks : tuple of int, optional
            Rows wanted, in session order; all when left out.
        """
        rows = tuple(range(len(self.track_names))) if tracks is None else tracks
        out = self._recording.read(start, stop, rows)
        time_s = (start + stop) / 2 / self.sample_rate_hz
        for place, row in enumerate(rows):
            motion = self._motions.get(row)
            if motion is None:
                continue
            lag = round(motion.lag_s(time_s) * self.sample_rate_hz)
            if lag or motion.sign(time_s) < 0:
                out[place] = motion.sign(time_s) * self._recording.read(start + lag, stop + lag, (row,))[0]
        return out


def moved_source(source: HitSource, motions: Sequence[Motion], sample_rate_hz: int) -> HitSource:
    """Give a source whose onsets on its home track lie where the steady recording has them.

    Parameters
    ----------
    source : HitSource
        As found in the recording itself.
    motions : sequence of Motion
    sample_rate_hz : int
    """
    motion = next((motion for motion in motions if motion.track == source.home), None)
    if motion is None:
        return source

    def moved(at: int) -> int:
        return at - round(motion.lag_s(at / sample_rate_hz) * sample_rate_hz)

    events = []
    for event in source.events:
        onsets: NDArray[np.int64] = event.onset_samples.copy()
        onsets[source.home] = moved(int(onsets[source.home]))
        events.append(replace(event, onset_samples=onsets))
    return replace(source, events=tuple(events))
