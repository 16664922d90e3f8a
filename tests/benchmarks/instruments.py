"""Players that never stop, or hardly: a voice, strings, an organ, and what lies between strokes and those.

Each takes a generator of chance and seconds, and gives samples at `RATE`.
"""

import numpy as np
from sessions_rooms import RATE


def voice(rng: np.random.Generator, seconds: float) -> np.ndarray:
    """Pulses through moving formants, fricative bursts, pauses (source and filter after Klatt, 1980)."""
    from scipy.signal import lfilter

    n = int(seconds * RATE)
    out = np.zeros(n)
    at = int(0.1 * RATE)
    pitch = rng.uniform(95, 210)
    while at < n - RATE // 2:
        length = int(rng.uniform(0.09, 0.3) * RATE)
        t = np.arange(length) / RATE
        f0 = pitch * (1 + rng.uniform(-0.15, 0.15) + rng.uniform(-0.2, 0.2) * t)
        phase = np.cumsum(f0) / RATE
        pulses = np.diff(np.floor(phase), prepend=0.0)
        sound = lfilter([1.0], [1.0, -0.96], pulses) + 0.01 * rng.standard_normal(length)
        for lo, hi, width in ((280, 850, 80), (800, 2300, 110), (2200, 3100, 160), (3300, 3900, 250)):
            r = np.exp(-np.pi * width / RATE)
            w = 2 * np.pi * rng.uniform(lo, hi) / RATE
            sound = lfilter([1 - 2 * r * np.cos(w) + r * r], [1.0, -2 * r * np.cos(w), r * r], sound)
        envelope = np.sin(np.pi * np.arange(length) / length) ** 0.5
        piece = sound / (np.std(sound) + 1e-12) * envelope
        if rng.random() < 0.4:
            hiss = lfilter([1.0, -0.95], [1.0], rng.standard_normal(length))
            piece = 0.25 * hiss * envelope
        piece = piece[: n - at]
        out[at : at + len(piece)] += piece
        at += int(length * rng.uniform(0.85, 1.0))
        if rng.random() < 0.15:
            at += int(rng.uniform(0.15, 0.5) * RATE)
    return out / np.std(out)


#: A minor pentatonic, Hz.
SCALE_HZ = 110.0 * 2 ** (np.array([0, 3, 5, 7, 10, 12, 15, 17, 19, 22, 24]) / 12)


def strings(
    rng: np.random.Generator, seconds: float, *, tempo: float | None = None, octave: float = 1.0
) -> np.ndarray:
    """Plucked strings (Karplus and Strong, 1983), chords and lines."""
    from scipy.signal import lfilter

    n = int(seconds * RATE)
    out = np.zeros(n)
    step = 60 / (rng.uniform(80, 130) if tempo is None else tempo) / 2
    for k in range(int((seconds - 0.3) / step)):
        if rng.random() < 0.25:
            continue
        at = int((0.05 + k * step + (rng.normal(0, 0.004) if tempo is None else 0.0)) * RATE)
        for f in rng.choice(SCALE_HZ, size=int(rng.choice([1, 1, 2, 3])), replace=False) * octave:
            length = min(n - at, int(1.6 * RATE))
            period = max(2, round(RATE / f))
            burst = np.zeros(length)
            burst[: min(period, length)] = rng.uniform(-1, 1, min(period, length))
            loop = np.zeros(period + 2)
            loop[0], loop[period], loop[period + 1] = 1.0, -0.498, -0.498
            out[at : at + length] += lfilter([1.0, 0.6], loop, burst) * rng.uniform(0.5, 1)
    return out / np.std(out)


def organ(rng: np.random.Generator, seconds: float, tempo: float) -> np.ndarray:
    """Sustained additive tones on a fixed beat: narrow lines that any two parts in one key share."""
    n = int(seconds * RATE)
    out = np.zeros(n)
    length = int(60 / tempo * RATE)
    t = np.arange(length) / RATE
    for at in range(0, n - length, length):
        for f in rng.choice(SCALE_HZ[:8], size=3, replace=False):
            for k, level in enumerate((1, 0.5, 0.7, 0.2, 0.3, 0.1)):
                tone = np.sin(2 * np.pi * f * (k + 1) * t + rng.uniform(0, 2 * np.pi))
                out[at : at + length] += level * tone * np.minimum(1, np.minimum(t, t[::-1]) / 0.02)
    return out / np.std(out)


def shaker(rng: np.random.Generator, seconds: float) -> np.ndarray:
    """Bursts of noise on a beat, no two alike (grains against a shell: noise of a band, Cook 1997)."""
    from scipy.signal import butter, sosfilt

    n = int(seconds * RATE)
    out = np.zeros(n)
    step = 60 / rng.uniform(80, 130) / 4
    band = [rng.uniform(1500, 4000), rng.uniform(9000, 15000)]
    for k in range(int((seconds - 0.3) / step)):
        at = int((0.05 + k * step + rng.normal(0, 0.005)) * RATE)
        rise, fall = rng.uniform(0.002, 0.02), rng.uniform(0.015, 0.06)
        t = np.arange(int(0.25 * RATE)) / RATE
        envelope = np.minimum(t / rise, 1.0) * np.exp(-np.maximum(t - rise, 0) / fall)
        burst = rng.standard_normal(len(t)) * envelope * rng.uniform(0.3, 1)
        out[at : at + len(t)] += burst[: n - at]
    return sosfilt(butter(2, band, "bandpass", fs=RATE, output="sos"), out)


def brushes(rng: np.random.Generator, seconds: float) -> np.ndarray:
    """Noise swept in circles, with taps that are noise as well."""
    from scipy.signal import butter, sosfilt

    n = int(seconds * RATE)
    t = np.arange(n) / RATE
    tempo = rng.uniform(80, 140) / 60
    swish = rng.standard_normal(n) * (0.15 + np.abs(np.sin(np.pi * tempo * t + 1)) ** 3)
    for at in np.arange(0.1, seconds - 0.3, 1 / tempo):
        k = int((at + rng.normal(0, 0.006)) * RATE)
        tap = rng.standard_normal(int(0.2 * RATE)) * np.exp(-np.arange(int(0.2 * RATE)) / RATE / 0.025)
        swish[k : k + len(tap)] += 2 * tap[: n - k]
    return sosfilt(butter(1, [400, 7000], "bandpass", fs=RATE, output="sos"), swish)


def strummed(rng: np.random.Generator, seconds: float) -> np.ndarray:
    """Chords of plucked strings whose strings follow each other within some milliseconds."""
    n = int(seconds * RATE)
    out = np.zeros(n)
    step = 60 / rng.uniform(80, 120) / 2
    for k in range(int((seconds - 0.5) / step)):
        if rng.random() < 0.2:
            continue
        at = 0.05 + k * step + rng.normal(0, 0.005)
        for number, f in enumerate(np.sort(rng.choice(SCALE_HZ, size=5, replace=False))):
            begin = int((at + number * rng.uniform(0.004, 0.012)) * RATE)
            note = plucked(rng, float(f), min(1.2, seconds - at))[: n - begin]
            out[begin : begin + len(note)] += note
    return out


def plucked(rng: np.random.Generator, frequency_hz: float, seconds: float) -> np.ndarray:
    """One string (Karplus and Strong, 1983)."""
    from scipy.signal import lfilter

    length, period = int(seconds * RATE), max(2, round(RATE / frequency_hz))
    burst = np.zeros(length)
    burst[: min(period, length)] = rng.uniform(-1, 1, min(period, length))
    loop = np.zeros(period + 2)
    loop[0], loop[period], loop[period + 1] = 1.0, -0.498, -0.498
    return lfilter([1.0, 0.6], loop, burst) * rng.uniform(0.5, 1)


def bass(rng: np.random.Generator, seconds: float) -> np.ndarray:
    """Low plucked strings with little treble."""
    from scipy.signal import butter, sosfilt

    dull = butter(2, rng.uniform(500, 1500), fs=RATE, output="sos")
    return sosfilt(dull, strings(rng, seconds, octave=0.5))


def piano(rng: np.random.Generator, seconds: float) -> np.ndarray:
    """Stretched partials that die away, with a knock (Fletcher, Blackham & Stratton, 1962)."""
    n = int(seconds * RATE)
    out = np.zeros(n)
    step = 60 / rng.uniform(70, 120) / 2
    t = np.arange(int(1.5 * RATE)) / RATE
    for k in range(int((seconds - 0.2) / step)):
        at = int((0.05 + k * step + rng.normal(0, 0.006)) * RATE)
        for f in rng.choice(SCALE_HZ * 2, size=int(rng.integers(1, 4)), replace=False):
            order = np.arange(1, 13)
            partials = order * f * np.sqrt(1 + 4e-4 * order**2)
            levels = rng.uniform(0.5, 1, 12) / order**1.2
            tones = np.sin(2 * np.pi * partials[:, None] * t) * np.exp(-t * (1.5 + 0.5 * order[:, None]))
            note = (levels @ tones) + 0.3 * rng.standard_normal(len(t)) * np.exp(-t / 0.006)
            note = (note * np.minimum(t / 0.002, 1) * rng.uniform(0.3, 1))[: n - at]
            out[at : at + len(note)] += note
    return out


def bowed(rng: np.random.Generator, seconds: float) -> np.ndarray:
    """Sawtooth with vibrato and the noise of the bow, slow attacks."""
    n = int(seconds * RATE)
    out = np.zeros(n)
    at = 0
    while at < n - RATE // 4:
        length = int(rng.uniform(0.4, 1.5) * RATE)
        t = np.arange(length) / RATE
        f = float(rng.choice(SCALE_HZ)) * 2 * (1 + 0.006 * np.sin(2 * np.pi * rng.uniform(4.5, 6.5) * t))
        phase = np.cumsum(f) / RATE
        tone = sum(np.sin(2 * np.pi * k * phase) / k for k in range(1, 20))
        envelope = np.sin(np.pi * np.arange(length) / length) ** 0.7
        note = ((tone + 0.05 * rng.standard_normal(length)) * envelope)[: n - at]
        out[at : at + len(note)] += note
        at += int(0.9 * length)
    return out


def brass(rng: np.random.Generator, seconds: float) -> np.ndarray:
    """Swelling notes that grow brighter as they grow louder (Risset & Mathews, 1969)."""
    n = int(seconds * RATE)
    out = np.zeros(n)
    at = 0
    while at < n - RATE // 4:
        length = int(rng.uniform(0.6, 2.0) * RATE)
        t = np.arange(length) / RATE
        phase = np.cumsum(rng.choice(SCALE_HZ) * (1 + 0.002 * np.sin(2 * np.pi * 5 * t))) / RATE
        swell = np.clip(np.arange(length) / length * 1.3, 0, 1) * np.minimum(
            1, (length - np.arange(length)) / 2e3
        )
        tone = sum(swell ** (1 + k / 4) * np.sin(2 * np.pi * k * phase) / k**0.5 for k in range(1, 16))
        out[at : at + length] += (tone + 0.003 * swell * rng.standard_normal(length))[: n - at]
        at += length
    return out


PLAYED = {
    "shaker": shaker,
    "brushes": brushes,
    "strummed": strummed,
    "bass": bass,
    "piano": piano,
    "bowed": bowed,
    "brass": brass,
}
