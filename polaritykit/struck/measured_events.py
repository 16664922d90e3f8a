"""Events found in frames to events measured at every sample.

Frames lie where the recording begins: a track recorded a little later has other ones, and what sets in near
the limit sets in a frame sooner or later, or rises by more or less.  Which strokes are told to be alike must
not depend on that.

Conventions: as in `polaritykit.struck.onsets`.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats, Recording, Samples, read_only
from polaritykit.base.windows import over_windows
from polaritykit.struck.onsets import (
    BEFORE_MS,
    FRAME_MS,
    GAP_MS,
    MERGE_MS,
    MIN_RISE,
    RISING_MS,
    TINY,
    Event,
)

#: Frames found may lie so much after the onset, and the earliest track so much before the event.
_EARLIER_MS = 3.0


def measured(recording: Recording, events: list[Event], tracks: NDArray[np.bool_]) -> list[Event]:
    """Measure onsets and rises at every sample.

    Parameters
    ----------
    recording : Recording
        Read around each event.
    events : list of Event
    tracks : ndarray of bool, shape (n_tracks,)
        Those whose onsets count; the others (copies, files that do not cover the time) set in nowhere.

    Returns
    -------
    list of Event
        The same ones; one whose rise no frame of another beginning shows stays as it was.
    """
    rate = recording.sample_rate_hz
    lead, before = _samples(_EARLIER_MS, rate), _samples(BEFORE_MS, rate)
    stop, rising = _samples(_EARLIER_MS + MERGE_MS, rate), _samples(RISING_MS, rate)
    frame = _samples(FRAME_MS, rate)
    windows = [
        (event.sample - lead - before, event.sample - lead + stop + rising + frame) for event in events
    ]

    def one(number: int, sound: Samples) -> Event:
        return _measured(sound, windows[number][0], events[number], which, rate)

    which = np.flatnonzero(tracks)
    return over_windows(one, recording, windows, tuple(which.tolist()))


def earlier(event: Event, samples: NDArray[np.int64]) -> Event:
    """Tell of an event on tracks that are read so much later, which makes it earlier.

    Parameters
    ----------
    event : Event
    samples : ndarray of int, shape (n_tracks,)
    """
    onset, found = event.onset_samples - samples, event.rise_db > 0.0
    earliest = int(onset[found].min()) if found.any() else event.sample
    return replace(event, sample=earliest, onset_samples=np.where(found, onset, earliest))


def _samples(milliseconds: float, sample_rate_hz: int) -> int:
    return round(milliseconds * 1e-3 * sample_rate_hz)


def _measured(
    sound: Samples, first: int, event: Event, tracks: NDArray[np.int64], sample_rate_hz: int
) -> Event:
    """Measure one event in the sound of some tracks around it, which begins at a sample."""
    frame, before, gap, rising = (
        _samples(ms, sample_rate_hz) for ms in (FRAME_MS, BEFORE_MS, GAP_MS, RISING_MS)
    )
    stop = _samples(_EARLIER_MS + MERGE_MS, sample_rate_hz)
    energy = _frame_energy(sound, frame)
    sums = np.cumsum(energy, axis=1)
    rise = energy[:, before:]
    quiet = sums[:, before - gap : -gap] - sums[:, :-before]
    quiet /= before - gap
    rise /= np.maximum(quiet, TINY, out=quiet)
    high = rise[:, :stop] >= MIN_RISE
    found = high.any(axis=1)
    if not found.any():
        return event
    onset = high.argmax(axis=1)
    start = first + before
    earliest = int(onset[found].min())
    rises = np.array([rise[t, onset[t] : onset[t] + rising].max() for t in range(len(rise))])
    onset_samples = np.full(len(event.rise_db), start + earliest, dtype=np.int64)
    onset_samples[tracks[found]] = start + onset[found]
    rise_db = np.zeros(len(event.rise_db))
    rise_db[tracks[found]] = 10 * np.log10(np.maximum(rises[found], TINY))
    return replace(event, sample=start + earliest, onset_samples=onset_samples, rise_db=read_only(rise_db))


def _frame_energy(sound: Samples, frame: int) -> Floats:
    """Mean square about its own straight line of the frame that begins at each sample."""
    n_tracks, n = sound.shape
    values, summed = np.empty((n_tracks, n)), np.zeros((n_tracks, n + 1))

    def over(factor: Floats | Samples) -> Floats:
        np.multiply(sound, factor, out=values)
        np.cumsum(values, axis=1, out=summed[:, 1:])
        return np.asarray(summed[:, frame:] - summed[:, :-frame])

    ramp = np.arange(n, dtype=np.float64)
    total, slope, energy = over(np.ones(n)), over(ramp), over(sound)
    slope -= (ramp[: total.shape[1]] + (frame - 1) / 2) * total
    energy -= np.square(total, out=total) / frame
    energy -= np.square(slope, out=slope) / (frame * (frame**2 - 1) / 12)
    energy /= frame
    return np.maximum(energy, TINY, out=energy)
