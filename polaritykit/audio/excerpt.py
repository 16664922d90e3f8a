"""Short pieces of single tracks, to be looked at or heard on a page.

Conventions: samples are int16 at the recording's rate, or at a whole part of it; ``gain`` brings them back to
the level as recorded.  Start times are seconds of the session.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats, Recording

#: Base64 takes four characters for three bytes; a sample has two bytes.
CHARACTERS_PER_SAMPLE = 8 / 3


@dataclass(frozen=True, kw_only=True)
class Sound:
    """One moment of one track."""

    track: str
    start_s: float
    samples: NDArray[np.int16]
    #: Sample value of 1.0 at the level as recorded: int16 / 32768 times this.
    gain: float


class Cutter:
    """Cuts excerpts of one length: reduced in rate where need be, faded at their ends, at full scale.

    Parameters
    ----------
    recording : Recording
    length_s, fade_s : float
        Of an excerpt, and of its fades at both ends.
    most_hz : int
        Highest rate that is kept.
    """

    def __init__(self, recording: Recording, *, length_s: float, fade_s: float, most_hz: int) -> None:
        self._recording, self._length_s, self._fade_s = recording, length_s, fade_s
        self._factor = -(-recording.sample_rate_hz // most_hz)
        self.rate_hz = recording.sample_rate_hz // self._factor
        self.characters = length_s * self.rate_hz * CHARACTERS_PER_SAMPLE

    def cut(self, track: int, name: str, start_s: float) -> Sound:
        """Cut one track.

        Parameters
        ----------
        track : int
            Its place.
        name : str
        start_s : float
            From this moment on, seconds of the session.
        """
        first = round(start_s * self._recording.sample_rate_hz)
        length = round(self._length_s * self._recording.sample_rate_hz)
        samples = self._recording.read(first, first + length, (track,))[0].astype(np.float64)
        if self._factor > 1:
            import soxr

            samples = soxr.resample(samples, self._factor, 1, quality="HQ")
        fade = np.linspace(0.0, 1.0, round(self._fade_s * self.rate_hz))
        samples[: len(fade)] *= fade
        samples[len(samples) - len(fade) :] *= fade[::-1]
        return stored_sound(name, start_s, samples)


def stored_sound(name: str, start_s: float, samples: Floats) -> Sound:
    """Bring samples to full scale and remember by how much.

    Parameters
    ----------
    name : str
        Of the track.
    start_s : float
        Seconds of the session.
    samples : ndarray, shape (n,)

    Returns
    -------
    Sound
    """
    peak = float(np.max(np.abs(samples), initial=0.0)) or 1.0
    return Sound(
        track=name,
        start_s=start_s,
        samples=np.round(samples * (32_767 / peak)).astype(np.int16),
        gain=peak * 32_768 / 32_767,
    )
