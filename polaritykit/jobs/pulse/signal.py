"""Line-check signals: sound of known waveform to be played once and recorded by every microphone.

The usual one is a crackle of short pulses, all positive, at irregular times, repeated.

Why this one: every pulse pushes the loudspeaker outwards, so the polarity is in the waveform for the eye
too; the irregular spacing makes the spectrum as dense as noise, so the whole chain's impulse response
follows by division, and a low-cut, a loudspeaker's phase and the room can be told from a sign; repeats
average noise away and let a drift of the clocks be followed; and its peaks are low for its energy
compared with single pulses.  A tone cannot do this, nor can a plain sum of two (see `TWO_TONE_LIMIT`).

Conventions: samples are float32, 1.0 is full scale; a positive sample stands for positive pressure in
front of the loudspeaker (AES26, from memory).  Times are in seconds, so that any sample rate reads what
any other made.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from polaritykit.base.errors import UsageError
from polaritykit.base.types import Floats, Samples

SignalKind = Literal["pulse", "two-tone"]
AbsolutePolarity = Literal["positive", "negative", "cannot tell"]

#: One period: a whole number of samples at every rate that is a multiple of 25 Hz, and no usual tempo.
PERIOD_S = 1.04
REPEATS = 8
#: Silence before and after, so that a recorder started late still hears all of it.
LEAD_S = 0.5
FADE_S = 0.05
LOUDEST_DBFS = -10.0
LOWEST_RATE_HZ = 16000
HIGHEST_RATE_HZ = 384000
#: Two tones of AES17 6.2.8 (from second-hand sources), the second a quarter of its period late.
TWO_TONE_HZ = (997.0, 1994.0)
TWO_TONE_S = 2.0
TWO_TONE_LIMIT = (
    "The two-tone is for cables, preamps and converters only: a room, a loudspeaker, or a filter that turns "
    "997 Hz and 1994 Hz differently (a second-order high-pass at 1 kHz is enough) can fake an inversion."
)
#: What must be said before anything is played.
CAUTIONS = (
    "Start with monitors and headphones turned down, then raise the level slowly.",
    (
        "Protect your hearing: at most 8 h at 85 dBA, halved for every 3 dB more (15 min at 100 dBA; NIOSH); "
        "limits differ by country, and no peak may reach 140 dB."
    ),
    "Tweeters are damaged by level long before it sounds loud: leave the signal low.",
    "Mute the channels and turn monitors down before patching or switching phantom power.",
    "Leave mains wiring and anything hung overhead to qualified people; local rules apply.",
)
_PULSE_S = 0.00025
_INTERVAL_S = (0.0040, 0.0094)
_LOW_CUT_HZ = 60.0


@dataclass(frozen=True, kw_only=True)
class PulseReading:
    """What one channel says about the line-check signal."""

    name: str
    polarity: AbsolutePolarity
    #: Time of the first arrival after the signal's own start; None when that is not in the recording.
    latency_ms: float | None
    #: Time of the first arrival in the recording.
    found_at_s: float | None
    #: Chance that the polarity is right, 0.5 to 1; 0 when it cannot be told.
    confidence: float
    #: Why it cannot be told, or None.
    reason: str | None


def cannot_tell(name: str, reason: str, found_at_s: float | None = None) -> PulseReading:
    """Return the reading of a channel that cannot be judged, with the reason.

    Parameters
    ----------
    name : str
        Of the channel.
    reason : str
        A sentence.
    found_at_s : float, optional
        Where the signal was found, if it was.
    """
    return PulseReading(
        name=name,
        polarity="cannot tell",
        latency_ms=None,
        found_at_s=found_at_s,
        confidence=0.0,
        reason=reason,
    )


def one_period(sample_rate_hz: int) -> Floats:
    """One period of the pulse signal in its steady state, peak 1.0.

    Parameters
    ----------
    sample_rate_hz : int
        Rate to make it for.

    Returns
    -------
    array, shape (round(PERIOD_S * sample_rate_hz),)
        Raised-cosine pulses, low-cut without turning any phase.
    """
    n_samples = round(PERIOD_S * sample_rate_hz)
    times = np.arange(n_samples) / sample_rate_hz
    period = np.zeros(n_samples)
    for centre in _pulse_times():
        near = np.abs(times - centre) < _PULSE_S / 2
        period[near] += 0.5 + 0.5 * np.cos(2 * np.pi * (times[near] - centre) / _PULSE_S)
    spectrum = np.fft.rfft(period)
    frequency = np.fft.rfftfreq(n_samples, 1 / sample_rate_hz)
    spectrum *= 1 / (1 + (_LOW_CUT_HZ / np.maximum(frequency, 1e-9)) ** 4)
    period = np.fft.irfft(spectrum, n_samples)
    period /= np.abs(period).max()
    return period


def _pulse_times() -> Floats:
    """Return the times of the pulses within a period, irregular and the same for ever."""
    # Raw bits of PCG64 are promised to stay the same in every numpy; distributions are not.
    bits = np.random.PCG64(1998).random_raw(400) >> np.uint64(40)
    low, high = _INTERVAL_S
    times = np.cumsum(low + (high - low) * bits.astype(np.float64) / 2**24)
    # The last pulse keeps its distance from the first of the next period.
    return times[times < PERIOD_S - low / 2] - low / 2


def make_signal(
    *,
    kind: SignalKind = "pulse",
    sample_rate_hz: int = 48000,
    level_dbfs: float = -30.0,
) -> Samples:
    """Make a line-check signal.

    Parameters
    ----------
    kind : {"pulse", "two-tone"}
        The pulse signal, or the two tones of AES17 with their known limit (`TWO_TONE_LIMIT`).
    sample_rate_hz : int
        16 to 384 kHz.
    level_dbfs : float
        Highest peak, at most -10 dBFS.

    Returns
    -------
    array, shape (n,)
        Silence, the signal with fades, silence.

    Raises
    ------
    UsageError
        When the level or the rate is out of range.
    """
    if not -90.0 <= level_dbfs <= LOUDEST_DBFS:
        raise UsageError(
            f"A level of {level_dbfs:g} dBFS is out of range; give -90 to {LOUDEST_DBFS:g} dBFS, for the "
            "sake of ears and tweeters."
        )
    if not LOWEST_RATE_HZ <= sample_rate_hz <= HIGHEST_RATE_HZ:
        raise UsageError(
            f"A sample rate of {sample_rate_hz} Hz is out of range; give {LOWEST_RATE_HZ} to "
            f"{HIGHEST_RATE_HZ} Hz."
        )
    if kind == "pulse":
        sound = np.tile(one_period(sample_rate_hz), REPEATS)
    else:
        angle = 2 * np.pi * TWO_TONE_HZ[0] * np.arange(round(TWO_TONE_S * sample_rate_hz)) / sample_rate_hz
        sound = (np.sin(angle) - np.cos(2 * angle)) / 2
    fade = 0.5 - 0.5 * np.cos(np.pi * np.linspace(0, 1, round(FADE_S * sample_rate_hz)))
    sound[: len(fade)] *= fade
    sound[-len(fade) :] *= fade[::-1]
    silence = np.zeros(round(LEAD_S * sample_rate_hz))
    return (10 ** (level_dbfs / 20) * np.concatenate([silence, sound, silence])).astype(np.float32)
