"""Which tracks hold a close voice that tells its polarity.

A short look at each track's loudest moment settles for nearly all of them that it is no speech; only where it
is one the loudest minute is read.

Conventions: as in `voice_sign`.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from polaritykit.base.processes import in_processes
from polaritykit.base.types import Floats, Recording
from polaritykit.evidence.voice_sign import behaves_like_speech, voice_sign
from polaritykit.sustained.whitened import Real, low_rate

#: Length of the first look, and of the second.
_LOOK_S, _READ_S = 8.0, 60.0


@dataclass(frozen=True, kw_only=True)
class HeardVoice:
    """A voice and what it says of its track."""

    track: int
    #: +1 when positive pressure gives positive samples, −1 when the track is upside down.
    sign: int
    figure: float
    figure_std: float
    confidence: float


def hear_voices(recording: Recording, levels_db: Floats, tracks: Iterable[int]) -> tuple[HeardVoice, ...]:
    """Read the sign of every close voice.

    Parameters
    ----------
    recording : Recording
    levels_db : ndarray, shape (n_frames, n_tracks)
        Level of each track in frames spread evenly over the recording.
    tracks : iterable of int
        Those to look at.

    Returns
    -------
    tuple of HeardVoice
        Clear ones only.
    """

    def hear(track: int) -> HeardVoice | None:
        if not behaves_like_speech(_loudest(recording, levels_db[:, track], track, _LOOK_S)):
            return None
        voice = voice_sign(_loudest(recording, levels_db[:, track], track, _READ_S))
        if voice.sign is None:
            return None
        return HeardVoice(
            track=track,
            sign=voice.sign,
            figure=voice.figure,
            figure_std=voice.figure_std,
            confidence=voice.confidence,
        )

    # A take too short for a frame has no levels.
    heard = in_processes(hear, tracks if len(levels_db) else ())
    return tuple(voice for voice in heard if voice is not None)


def _loudest(recording: Recording, levels_db: Floats, track: int, length_s: float) -> Real:
    """Span of that length with most energy, at the low rate."""
    rate, n = recording.sample_rate_hz, recording.n_samples
    length = min(round(length_s * rate), n)
    energy = np.concatenate([[0.0], np.cumsum(10.0 ** (np.nan_to_num(levels_db, neginf=-200.0) / 10.0))])
    frames = max(1, min(len(levels_db), round(len(levels_db) * length / n)))
    first = int(np.argmax(energy[frames:] - energy[:-frames]))
    start = min(round(first * n / len(levels_db)), n - length)
    return low_rate([recording.read(start, start + length, (track,))[0]], rate)
