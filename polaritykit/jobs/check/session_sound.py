"""A few seconds of all tracks around the moment where the settings change their sum most, to hear by switch.

Conventions: three ways to hear them: as recorded, with the flips alone, with all settings.  Gains bring each
way to the loudness of the recorded one (A-weighted power: what is gained at the low end stays heard).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from polaritykit.audio.excerpt import CHARACTERS_PER_SAMPLE, Sound, stored_sound
from polaritykit.base.octaves import a_weight_power
from polaritykit.base.types import Floats, Recording
from polaritykit.decide.findings import Findings

#: Enough for a bar or two.
_LENGTH_S = 4.0
#: Below a second nothing is judged by ear.
_LEAST_S = 1.0
#: Most base64 characters of all tracks together.
MOST_CHARACTERS = 6e6
#: Moments of the take that are compared.
_MOMENTS = 16
_FADE_S = 0.01
_MOST_HZ = 48_000


@dataclass(frozen=True, kw_only=True)
class SessionSound:
    """All tracks for a few seconds."""

    sample_rate_hz: int
    start_s: float
    sounds: tuple[Sound, ...]
    #: Gains that make the sum with the flips, and with all settings, as loud as the recorded one.
    flips_gain_db: float
    all_gain_db: float


def cut_session(
    recording: Recording, findings: Findings, most_characters: float = MOST_CHARACTERS
) -> SessionSound | None:
    """Cut all tracks that sound at the moment where the sum changes most.

    Parameters
    ----------
    recording : Recording
    findings : Findings
        Of that recording.
    most_characters : float
        Limit of size: half the rate first, then a shorter excerpt.

    Returns
    -------
    SessionSound or None
        None where the settings change nothing, or where a second of all tracks is too much.
    """
    settings = findings.corrections.tracks
    if not any(track.invert or track.shift_ms for track in settings):
        return None
    rate = recording.sample_rate_hz
    used = [k for k, levels in enumerate(findings.levels) if "silent" not in levels.faults]
    factor = -(-rate // _MOST_HZ)
    if len(used) * _LENGTH_S * (rate // factor) * CHARACTERS_PER_SAMPLE > most_characters:
        factor *= 2
    kept_hz = rate // factor
    length_s = min(
        _LENGTH_S,
        most_characters / (len(used) * kept_hz * CHARACTERS_PER_SAMPLE),
        recording.n_samples / rate,
    )
    if length_s < _LEAST_S:
        return None
    latest = recording.n_samples / rate - length_s
    starts = np.linspace(0.0, latest, max(1, min(_MOMENTS, int(latest / length_s) + 1)))
    powers = [_powers(_read(recording, float(start), length_s), findings) for start in starts]
    best = int(np.argmax([max(abs(flips - plain), abs(full - plain)) for plain, flips, full in powers]))
    plain, flips, full = powers[best]
    start_s = float(starts[best])
    samples = _read(recording, start_s, length_s)
    return SessionSound(
        sample_rate_hz=kept_hz,
        start_s=start_s,
        sounds=tuple(
            stored_sound(findings.track_names[k], start_s, _reduced(samples[k], factor, kept_hz))
            for k in used
        ),
        flips_gain_db=_gain_db(plain, flips),
        all_gain_db=_gain_db(plain, full),
    )


def _read(recording: Recording, start_s: float, length_s: float) -> Floats:
    first = round(start_s * recording.sample_rate_hz)
    count = round(length_s * recording.sample_rate_hz)
    return np.asarray(recording.read(first, first + count), dtype=np.float64)


def _powers(samples: Floats, findings: Findings) -> tuple[float, float, float]:
    """A-weighted power of the sum as recorded, flipped, and with all settings."""
    settings, rate = findings.corrections.tracks, findings.sample_rate_hz
    spectra = np.fft.rfft(samples, axis=1)
    frequency: Floats = np.asarray(np.fft.rfftfreq(samples.shape[1], 1.0 / rate), dtype=np.float64)
    weight = a_weight_power(frequency)

    def power(signs: Sequence[float], shifts_ms: Sequence[float]) -> float:
        total = np.zeros_like(frequency, dtype=np.complex128)
        for spectrum, sign, shift in zip(spectra, signs, shifts_ms, strict=True):
            total += sign * spectrum * np.exp(-2e-3j * np.pi * frequency * shift)
        return float(np.sum(weight * np.abs(total) ** 2))

    plain, still = [1.0] * len(settings), [0.0] * len(settings)
    flipped = [-1.0 if track.invert else 1.0 for track in settings]
    shifts = [track.delay_ms for track in settings]
    return power(plain, still), power(flipped, still), power(flipped, shifts)


def _gain_db(wanted: float, power: float) -> float:
    """Gain to that power, 12 dB at most: what cancels stays quiet."""
    if not wanted or not power:
        return 0.0
    return float(np.clip(10.0 * np.log10(wanted / power), -12.0, 12.0))


def _reduced(samples: Floats, factor: int, rate_hz: int) -> Floats:
    from scipy.signal import resample_poly

    kept: Floats = resample_poly(samples, 1, factor) if factor > 1 else samples.copy()
    fade = np.linspace(0.0, 1.0, round(_FADE_S * rate_hz))
    kept[: len(fade)] *= fade
    kept[len(kept) - len(fade) :] *= fade[::-1]
    return kept
