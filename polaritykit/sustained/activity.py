"""Blocks to the level of every track in frames, and the frames in which a track is most by itself.

Conventions
-----------
levels
    dB, ``(n_frames, n_tracks)``, the low end removed by a first difference.
"""

import math

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats, Samples

#: Frame: long against the largest offset, short against a phrase.
FRAME_MS = 180.0
#: A short take is cut into so many frames at least.
FEWEST_FRAMES = 8
#: A track is active in frames within this range of its loud frames.
_ACTIVE_RANGE_DB = 30.0
#: This share of the active frames, those most its own, speaks for a track's source ...
_DOMINANT_SHARE = 1 / 3
#: ... but so many at least, and no more than that: time, not precision, is then what they cost.
_MIN_FRAMES = 12
MAX_FRAMES = 64
#: Samples whose squares are added up in single precision; a frame is as short, or a whole number of such.
_AT_ONCE = 512
#: Level of digital silence: a track that has nothing there, not one that hears nothing.
_NOTHING_DB = -200.0


class ActivityMeter:
    """Level of every track in consecutive frames, low end removed by a first difference."""

    def __init__(self, n_tracks: int, n_samples: int, sample_rate_hz: int) -> None:
        self.frame_samples = frame_samples(n_samples, sample_rate_hz)
        self._rest: Samples = np.zeros((n_tracks, 0), dtype=np.float32)
        #: Mean square of each frame, below nothing where nobody listened; the first so many are told.
        self._power = np.full((n_samples // self.frame_samples, n_tracks), -1.0)
        self._count = 0
        self._step: Samples = np.zeros((n_tracks, self.frame_samples), dtype=np.float32)

    def update(self, block: Samples) -> None:
        """Take the next block, shape (n_tracks, n)."""
        samples = np.concatenate([self._rest, block], axis=1) if self._rest.shape[1] else block
        n_frames = samples.shape[1] // self.frame_samples
        self._rest = samples[:, n_frames * self.frame_samples :].copy()
        for index in range(n_frames):
            frame = samples[:, index * self.frame_samples : (index + 1) * self.frame_samples]
            np.subtract(frame[:, 1:], frame[:, :-1], out=self._step[:, 1:])
            # Single precision for a few, double for the sum of them.
            few = self._step.reshape(len(samples), -1, min(_AT_ONCE, self.frame_samples))
            energy = (few[:, :, None] @ few[..., None])[:, :, 0, 0].sum(axis=1, dtype=np.float64)
            self._power[self._count] = energy / (self.frame_samples - 1)
            self._count += 1

    def jump(self, start: int) -> None:
        """Go on at a later sample, a whole number of frames from the first; nothing is heard in between."""
        self._count = start // self.frame_samples
        self._rest = self._rest[:, :0]

    def levels_db(self) -> Floats:
        """Level per frame and track, dB; −inf where nobody listened; shape (n_frames, n_tracks)."""
        power = self._power[: self._count]
        return np.where(power < 0.0, -np.inf, 10 * np.log10(np.maximum(power, 1e-20)))


def loud_db(levels_db: Floats) -> Floats:
    """Level of each track's loud frames, of those that were listened to and hold something; (n_tracks,)."""
    frames = heard(levels_db)
    sounds = frames > _NOTHING_DB
    sounds[:, ~sounds.any(axis=0)] = True
    found = np.percentile(frames, 95, axis=0)
    # Track by track only where some are silent: of very many tracks that takes longest of all.
    some = ~sounds.all(axis=0)
    if some.any():
        found[some] = np.nanpercentile(np.where(sounds[:, some], frames[:, some], np.nan), 95, axis=0)
    return np.asarray(found)


def heard(levels_db: Floats) -> Floats:
    """Return the frames that were listened to."""
    return levels_db[np.isfinite(levels_db).all(axis=1)]


def frame_samples(n_samples: int, sample_rate_hz: int) -> int:
    """Length of a frame: a power of two near the wanted time; shorter in a short take.

    Parameters
    ----------
    n_samples : int
        Of the take.
    sample_rate_hz : int
    """
    wanted = round(math.log2(FRAME_MS * 1e-3 * sample_rate_hz))
    most = math.floor(math.log2(max(64, n_samples // FEWEST_FRAMES)))
    return 1 << min(wanted, most)


def choose_frames(levels_db: Floats, home: int) -> NDArray[np.int64]:
    """Frames in which ``home`` is loud against the other tracks, spread over the take.

    Parameters
    ----------
    levels_db : ndarray, shape (n_frames, n_tracks)
    home : int

    Returns
    -------
    ndarray of int
        Indices of frames in time order.
    """
    relative = levels_db - loud_db(levels_db)
    active = np.flatnonzero(relative[:, home] >= -_ACTIVE_RANGE_DB)
    others, sounds = (np.delete(table[active], home, axis=1) for table in (relative, levels_db > _NOTHING_DB))
    # A track that has nothing there does not make the frame the home's own.
    count = np.maximum(sounds.sum(axis=1), 1)
    dominance = relative[active, home] - np.where(sounds, others, 0.0).sum(axis=1) / count
    n_kept = max(min(len(active), _MIN_FRAMES), round(len(active) * _DOMINANT_SHARE))
    kept = np.sort(active[np.argsort(-dominance)[:n_kept]])
    if len(kept) > MAX_FRAMES:
        kept = kept[np.linspace(0, len(kept) - 1, MAX_FRAMES).round().astype(np.int64)]
    return np.asarray(kept)
