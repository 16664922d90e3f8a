"""Absolute polarity and latency of every recorded channel, from the recording of a line-check signal.

The signal is found by matched filtering with one of its periods, its repeats are lined up and averaged,
division by the known spectrum gives the impulse response of the whole chain, and the sign is read from
the direct sound alone: the few milliseconds before most reflections.

Conventions: ``positive`` means that a positive sample of the test signal gives a positive sample in the
recording (AES26, from memory: positive pressure gives a positive sample, as long as the loudspeaker
itself is not inverted).  Two inversions in one chain read as none.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats, Recording
from polaritykit.jobs.pulse.find import Repeats, band_weight, find_repeats
from polaritykit.jobs.pulse.signal import (
    LEAD_S,
    LOWEST_RATE_HZ,
    PERIOD_S,
    REPEATS,
    PulseReading,
    SignalKind,
    cannot_tell,
    one_period,
)
from polaritykit.jobs.pulse.two_tone import read_two_tone

#: The direct sound is the earliest peak of at least this share of the strongest.
_FIRST_ARRIVAL_SHARE = 0.4
#: An octave takes part when it came through this near to the strongest; those from 500 Hz, 1 and 2 kHz
#: must.
_OCTAVE_BELOW_MOST_DB = 12.0
#: No octave's phase may lie further from the sign read: half-way to the other sign less a margin.
_OCTAVE_ANGLE_MOST_DEG = 65.0
#: Largest peak of the other sign, as a share.  A flat band of 4.3 octaves has 0.28; 350 microphones in
#: simulated rooms reached 0.49, a high-pass that turns the sign in the band starts at 0.61.
_OPPOSITE_MOST = 0.57
#: Share of right answers among those given, in simulated rooms and filters: none was wrong among some
#: hundreds; what no simulation holds (a faulty loudspeaker, a near reflection) keeps it below 1.
_CONFIDENCE_CLEAR = 0.99
_CONFIDENCE_FAIR = 0.95

Spectrum = NDArray[np.complex128]


#: How much sound before the strongest arrival is looked at for an earlier one.
_BEFORE_S = 0.05


#: The direct sound is cut out from this long before its peak to this long after, with edges of the third;
#: the second gate is for a reflection within the first.
_GATES_S = ((0.001, 0.0015, 0.0005), (0.001, 0.001, 0.0005))


#: Frequencies that may take part: above a mic's low-cut and a small loudspeaker's corner, below where the
#: place of the mic in front of a loudspeaker matters most.
_BAND_HZ = (250.0, 5000.0)


#: The octaves that must agree.
_OCTAVES_HZ = (500.0, 1000.0, 2000.0)


#: A frequency takes part within 15 dB of the strongest and 6 dB above the noise.
_USABLE_SHARE = 10 ** (-15 / 20)


_USABLE_SNR = 4.0


#: An octave came through when it stands this far above the noise.
_ABOVE_NOISE_DB = 6.0


#: The peak of the direct sound lies this near to its envelope's.
_BEST_WITHIN_S = 0.0005


@dataclass(frozen=True, kw_only=True)
class _Chain:
    """Impulse response of everything between the test signal and the channel."""

    response: Floats
    #: Power of the standard error, per frequency bin.
    noise: Floats
    rate: int


def read_signal(recording: Recording, *, kind: SignalKind = "pulse") -> tuple[PulseReading, ...]:
    """Read a line-check signal from every channel.

    Parameters
    ----------
    recording : Recording
        Holds the recorded signal anywhere.
    kind : {"pulse", "two-tone"}
        Which signal was played.

    Returns
    -------
    tuple of PulseReading
        One for each track, in session order.
    """
    if recording.sample_rate_hz < LOWEST_RATE_HZ:
        reason = f"The sample rate is below {LOWEST_RATE_HZ} Hz, too low for the signal."
        return tuple(cannot_tell(name, reason) for name in recording.track_names)
    read = _read_pulse if kind == "pulse" else read_two_tone
    readings = []
    for track, name in enumerate(recording.track_names):
        readings.append(read(recording, track, name))
    return tuple(readings)


def _read_pulse(recording: Recording, track: int, name: str) -> PulseReading:
    repeats = find_repeats(recording, track)
    if repeats is None:
        return cannot_tell(name, "The signal was not found in this channel.")
    chain = _impulse_response(recording, track, repeats)
    direct = _first_arrival(chain)
    return _judge(name, chain, direct, repeats)


def _impulse_response(recording: Recording, track: int, repeats: Repeats) -> _Chain:
    """Average the impulse response over one period, from `_BEFORE_S` before the strongest arrival."""
    rate = recording.sample_rate_hz
    template = np.fft.rfft(one_period(rate))
    length = round(PERIOD_S * rate)
    frequency = np.fft.rfftfreq(length)
    spectra = []
    # The first repeat has no tail of an earlier one in it, so division by a periodic signal is wrong there.
    for number in repeats.found[1:]:
        start = repeats.first + number * repeats.period - _BEFORE_S * rate
        whole = int(np.floor(start))
        samples = recording.read(whole, whole + length, (track,))[0].astype(np.float64)
        spectra.append(np.fft.rfft(samples) * np.exp(2j * np.pi * frequency * (start - whole)))
    mean = np.mean(spectra, axis=0)
    error = np.var(spectra, axis=0, ddof=1) / len(spectra)
    floor = 1e-2 * np.mean(np.abs(template) ** 2)
    inverse = np.conj(template) / (np.abs(template) ** 2 + floor)
    response = np.fft.irfft(mean * inverse * band_weight(length, rate), length)
    return _Chain(response=response, noise=error * np.abs(inverse) ** 2, rate=rate)


def _first_arrival(chain: _Chain) -> int:
    """Index of the direct sound: the earliest envelope peak near the greatest one's height."""
    from scipy.signal import find_peaks, hilbert

    envelope = np.abs(hilbert(chain.response))
    until = round(2 * _BEFORE_S * chain.rate)
    top = int(envelope[:until].argmax())
    peaks, _ = find_peaks(envelope[: top + 2], height=_FIRST_ARRIVAL_SHARE * envelope[top])
    return int(peaks[0]) if len(peaks) else top


def _judge(name: str, chain: _Chain, direct: int, repeats: Repeats) -> PulseReading:
    """Read the sign of the direct sound, or say why it cannot be read."""
    found_at_s = (repeats.first + direct) / chain.rate - _BEFORE_S
    with_room = _levels_with_room(chain)
    verdict = _verdict(chain, direct, _GATES_S[0], with_room)
    if not verdict.agrees and with_room[0] >= -_OCTAVE_BELOW_MOST_DB:
        # A reflection may sit within the gate; without low octaves the shorter gate cannot be trusted.
        verdict = _verdict(chain, direct, _GATES_S[1], with_room)
    if not verdict.wide:
        return cannot_tell(
            name,
            "Too narrow a band came through (a small loudspeaker, a strong filter, or noise): in so few "
            "octaves a delay of half a period looks like an inversion.",
            found_at_s,
        )
    if not verdict.agrees:
        return cannot_tell(
            name,
            "Low and high octaves disagree: a strong filter, or a loudspeaker whose ways differ in polarity.",
            found_at_s,
        )
    found_at_s += verdict.delay_s
    complete = len(repeats.found) == REPEATS == repeats.found[-1] + 1
    latency_s = found_at_s - LEAD_S
    clear = verdict.worst_deg <= _OCTAVE_ANGLE_MOST_DEG / 2
    return PulseReading(
        name=name,
        polarity="positive" if verdict.sign > 0 else "negative",
        # The made file itself reads zero, but for rounding; a recording that begins later tells nothing.
        latency_ms=1000 * max(latency_s, 0.0) if complete and latency_s > -1.0 / chain.rate else None,
        found_at_s=found_at_s,
        confidence=_CONFIDENCE_CLEAR if clear else _CONFIDENCE_FAIR,
        reason=None,
    )


@dataclass(frozen=True, kw_only=True)
class _Verdict:
    """Sign of the direct sound in one gate."""

    sign: int
    delay_s: float
    #: All octaves came through; and they agree with the sign.
    wide: bool
    agrees: bool
    worst_deg: float


def _verdict(chain: _Chain, direct: int, gate_s: tuple[float, float, float], with_room: Floats) -> _Verdict:
    sound = _gate(chain, direct, gate_s)
    delay_s, value, opposite = _phase_only_peak(sound)
    sign = 1 if value > 0 else -1
    angles = _octaves(sound, delay_s, sign, with_room[1:])
    worst = max((abs(angle) for angle in angles), default=180.0)
    wide = len(angles) == len(_OCTAVES_HZ)
    agrees = worst <= _OCTAVE_ANGLE_MOST_DEG and opposite <= _OPPOSITE_MOST * abs(value)
    return _Verdict(sign=sign, delay_s=delay_s, wide=wide, agrees=wide and agrees, worst_deg=worst)


def _levels_with_room(chain: _Chain) -> Floats:
    """Level of the octave from 250 Hz and of those judged, room and all, against the strongest, in dB."""
    power = np.abs(np.fft.rfft(chain.response)) ** 2
    frequency = np.fft.rfftfreq(len(chain.response), 1 / chain.rate).astype(np.float64)
    octaves = (_BAND_HZ[0], *_OCTAVES_HZ)
    levels = np.array([_octave_level(power, frequency, low) for low in octaves])
    noise = np.array([_octave_level(chain.noise, frequency, low) for low in octaves])
    levels[levels < noise + _ABOVE_NOISE_DB] = -np.inf
    if not np.isfinite(levels).any():
        return levels
    levels -= levels.max()
    return levels


def _octave_level(power: Floats, frequency: Floats, low_hz: float) -> float:
    """Mean level: of the logarithm, which the comb of a weaker reflection leaves as it was."""
    within = (frequency >= low_hz) & (frequency < 2 * low_hz)
    return float(10 * np.log10(np.maximum(power[within], 1e-300)).mean())


@dataclass(frozen=True, kw_only=True)
class _Direct:
    """Spectrum of the direct sound over `frequency`, its start at time 0, where it can be used."""

    frequency: Floats
    unit: Spectrum
    power: Floats
    usable: NDArray[np.bool_]


def _gate(chain: _Chain, direct: int, gate_s: tuple[float, float, float]) -> _Direct:
    """Cut the direct sound out of the response; keep the phase where level and noise allow it."""
    rate = chain.rate
    before, after, edge = (round(rate * time) for time in gate_s)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(edge) + 0.5) / edge)
    gate = np.concatenate([ramp, np.ones(before + after - 2 * edge), ramp[::-1]])
    part = np.take(chain.response, np.arange(direct - before, direct + after), mode="wrap") * gate
    length = 1 << (16 * len(gate) - 1).bit_length()
    frequency = np.fft.rfftfreq(length, 1 / rate).astype(np.float64)
    spectrum = np.fft.rfft(part, length) * np.exp(2j * np.pi * frequency * before / rate)
    size = np.abs(spectrum)
    # Noise of power spectrum n over `length` samples leaves Σgate²·n/length in each bin after the gate.
    smooth = np.convolve(chain.noise, np.ones(101) / 101, mode="same") * (gate**2).sum() / len(chain.response)
    heard = np.interp(frequency, np.fft.rfftfreq(len(chain.response), 1 / rate), smooth)
    inside = (frequency >= _BAND_HZ[0]) & (frequency <= _BAND_HZ[1])
    usable = inside & (size > _USABLE_SHARE * size[inside].max()) & (size**2 > _USABLE_SNR * heard)
    unit = np.where(usable, spectrum / np.maximum(size, 1e-300), 0)
    return _Direct(
        frequency=frequency[inside],
        unit=unit[inside],
        power=np.maximum(size[inside] ** 2, 1e-300),
        usable=usable[inside],
    )


def _phase_only_peak(sound: _Direct) -> tuple[float, float, float]:
    """Delay of the phase-only direct sound's peak, its signed value, and the largest of the other sign."""
    delays = np.arange(-_BEST_WITHIN_S, _BEST_WITHIN_S, 5e-6)
    turned = (np.exp(2j * np.pi * np.outer(delays, sound.frequency)) @ sound.unit).real
    top = int(np.abs(turned).argmax())
    opposite = max(0.0, float((-np.sign(turned[top]) * turned).max()))
    return float(delays[top]), float(turned[top]), opposite


def _octaves(sound: _Direct, delay_s: float, sign: int, with_room: Floats) -> list[float]:
    """Phase in degrees of each octave that came through, against the sign and delay of the whole."""
    levels = [_octave_level(sound.power, sound.frequency, low) for low in _OCTAVES_HZ]
    # A reflection in the gate can empty an octave that came through as a whole.
    below = np.maximum(np.array(levels) - max(levels), with_room)
    angles = []
    for low, level in zip(_OCTAVES_HZ, below, strict=True):
        within = (sound.frequency >= low) & (sound.frequency < 2 * low)
        if level < -_OCTAVE_BELOW_MOST_DB or not sound.usable[within].any():
            continue
        turn = np.exp(2j * np.pi * sound.frequency[within] * delay_s)
        angles.append(float(np.degrees(np.angle((sign * sound.unit[within] * turn).sum()))))
    return angles


def after_the_first_ms(readings: Sequence[PulseReading]) -> list[float | None]:
    """Lateness of each channel against the first one that was found, in ms; None where it was not found."""
    first = next((reading.found_at_s for reading in readings if reading.found_at_s is not None), None)
    return [
        None if reading.found_at_s is None or first is None else (reading.found_at_s - first) * 1e3
        for reading in readings
    ]
