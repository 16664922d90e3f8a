"""Polarity of a wire from the two tones of AES17, and when not to believe them.

Conventions: as in `read`; the tones tell no latency.
"""

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats, Recording
from polaritykit.jobs.pulse.signal import TWO_TONE_HZ, TWO_TONE_LIMIT, TWO_TONE_S, PulseReading, cannot_tell

#: Two-tone: frames count while the tones hold this share of the energy.
_SHARE_LEAST = 0.5
#: A cable has no tail; -30 dB after 50 ms is a room.
_TAIL_MOST = 0.03
_ANGLE_MOST_DEG = 60.0
#: A wire leaves the tones equal; the high-pass that turns them into an inversion lowers the lower one by
#: 1.6 dB or more.
_UNEQUAL_MOST_DB = 1.0
#: An all-pass can fake it still, and nothing in the recording tells.
_CONFIDENCE = 0.9

Spectrum = NDArray[np.complex128]

_FRAME_S = 0.05
#: Frames are read this many seconds at a time.
_WINDOW_S = 60.0


def read_two_tone(recording: Recording, track: int, name: str) -> PulseReading:
    """Compare the phase of the upper tone with twice that of the lower.

    Parameters
    ----------
    recording : Recording
    track : int
    name : str
        Of the channel.
    """
    tones, share = _tone_frames(recording, track)
    present = share > _SHARE_LEAST
    edges = np.flatnonzero(np.diff(np.concatenate([[0], present.astype(np.int8), [0]])))
    starts, ends = edges[::2], edges[1::2]
    if len(starts) == 0 or (ends - starts).max() * _FRAME_S < TWO_TONE_S / 2:
        return cannot_tell(name, "The signal was not found in this channel.")
    longest = int((ends - starts).argmax())
    start, end = int(starts[longest]), int(ends[longest])
    found_at_s = start * _FRAME_S
    held = tones[start + 1 : end - 1]
    strength = np.sqrt((np.abs(held) ** 2).mean(axis=0))
    tail = tones[end + 1 : end + 3]
    if len(tail) and (np.abs(tail) > _TAIL_MOST * strength).any():
        return cannot_tell(name, "The tones ring on after their end: a room. " + TWO_TONE_LIMIT, found_at_s)
    # sin θ - cos 2θ: the lower tone at -90°, the upper at 180°, so upper - 2·lower is 0°; inverted 180°.
    angle = float(np.degrees(np.angle((held[:, 1] * np.conj(held[:, 0]) ** 2).mean())))
    off = min(abs(angle), 180 - abs(angle))
    unequal_db = abs(20 * float(np.log10(strength[1] / strength[0])))
    if off > _ANGLE_MOST_DEG or unequal_db > _UNEQUAL_MOST_DB:
        return cannot_tell(name, "The two tones were turned differently. " + TWO_TONE_LIMIT, found_at_s)
    return PulseReading(
        name=name,
        polarity="positive" if abs(angle) < 90 else "negative",
        latency_ms=None,
        found_at_s=found_at_s,
        confidence=_CONFIDENCE,
        reason=None,
    )


def _tone_frames(recording: Recording, track: int) -> tuple[Spectrum, Floats]:
    """Amplitude of both tones in frames of 50 ms, ``(n_frames, 2)``, and their share of the energy."""
    rate = recording.sample_rate_hz
    frame = round(_FRAME_S * rate)
    waves = np.exp(-2j * np.pi * np.outer(np.arange(frame) / rate, TWO_TONE_HZ)) * np.hanning(frame)[:, None]
    tones, shares = [], []
    step = frame * round(_WINDOW_S / _FRAME_S)
    for start in range(0, recording.n_samples - frame + 1, step):
        stop = start + (min(step, recording.n_samples - start) // frame) * frame
        frames = recording.read(start, stop, (track,))[0].astype(np.float64).reshape(-1, frame)
        begin = start / rate + _FRAME_S * np.arange(len(frames))
        amplitude = 2 * (frames @ waves) / np.hanning(frame).sum()
        tones.append(amplitude * np.exp(-2j * np.pi * np.outer(begin, TWO_TONE_HZ)))
        energy = (frames**2).mean(axis=1)
        shares.append((np.abs(amplitude) ** 2).sum(axis=1) / 2 / np.maximum(energy, 1e-20))
    if not tones:
        return np.zeros((0, 2), dtype=np.complex128), np.zeros(0)
    return np.concatenate(tones), np.concatenate(shares)
