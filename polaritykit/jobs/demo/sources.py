"""Sound sources for the demo sessions, made from textbook physics: heads, cymbals, strings and a voice.

Every source is a pure function of its arguments and of a seeded noise stream.  It is material to try the
program on, not an instrument: tension changes, air loading and the shell's own modes are left out.

Conventions
-----------
sign
    positive is the side the blow moves towards; the room module decides who hears which side.
noise
    ``numpy.random.RandomState``: its stream is frozen for good (NEP 19), so the demo stays the same.
"""

from dataclasses import dataclass

import numpy as np

from polaritykit.base.types import Floats

Noise = np.random.RandomState


@dataclass(frozen=True, kw_only=True)
class Drum:
    """A circular head and the way it is struck."""

    radius_m: float
    #: From the batter head to the other one.
    depth_m: float
    #: Motion of the other head against that of the batter head.
    coupling: float
    #: Frequency of the lowest mode.
    lowest_hz: float
    #: Time in which the lowest mode falls by 60 dB; higher modes fall faster.
    t60_s: float
    #: Duration of the blow's contact, softest to hardest.
    contact_s: tuple[float, ...]
    #: Level of the stick's click against the head.
    click: float
    #: Frequencies of the click, Hz.
    click_hz: tuple[float, float]
    #: Where it is struck, in radii from the centre.
    strike_radius: float


def membrane_modes(n_diameters: int = 6, n_circles: int = 4) -> Floats:
    """Modes of an ideal membrane: ``(m, n, zero of J_m)`` per row, by rising frequency.

    Fletcher & Rossing, The Physics of Musical Instruments, 2nd ed., section 3.2: the frequencies stand to one
    another as the zeros of the Bessel functions.
    """
    from scipy.special import jn_zeros

    rows = [(m, n + 1, zero) for m in range(n_diameters) for n, zero in enumerate(jn_zeros(m, n_circles))]
    return np.array(sorted(rows, key=lambda row: row[2]))


def head_points(drum: Drum) -> Floats:
    """Radiating points of a head: the struck point first, then four on a ring; ``(5, 2)``, in radii."""
    angles = np.pi / 4 + np.pi / 2 * np.arange(4)
    ring = 0.6 * np.column_stack([np.cos(angles), np.sin(angles)])
    return np.vstack([[drum.strike_radius, 0.0], ring])


def _mode_shapes(points: Floats, modes: Floats) -> Floats:
    """Orthonormal mode shapes on the unit disc at some points, ``(n_points, n_modes)``."""
    from scipy.special import jv

    m, zero = modes[:, 0], modes[:, 2]
    radius, angle = np.hypot(*points.T)[:, None], np.arctan2(points[:, 1], points[:, 0])[:, None]
    norm = np.sqrt(np.where(m == 0, 1.0, 2.0) / np.pi) / np.abs(jv(m + 1, zero))
    shapes: Floats = norm * jv(m, zero * radius) * np.cos(m * angle)
    return shapes


def strike_basis(drum: Drum, contact_s: float, rate_hz: int) -> Floats:
    """Acceleration of each mode after a unit blow, ``(n_modes, n_samples)``.

    A mode under the force F moves as ``q'' + 2αq' + ω²q = F``; the pressure of a small piece of the head
    follows its acceleration (Rayleigh's integral).  The blow is one raised cosine of length ``contact_s``.

    Parameters
    ----------
    drum : Drum
    contact_s : float
    rate_hz : int
    """
    from scipy.signal import fftconvolve

    zero = membrane_modes()[:, 2]
    omega = 2 * np.pi * drum.lowest_hz * zero / zero[0]
    alpha = np.log(1000) / drum.t60_s * (0.7 + 0.3 * zero / zero[0])
    time = np.arange(int(1.3 * drum.t60_s * rate_hz)) / rate_hz
    a, w = alpha[:, None], omega[:, None]
    ringing = np.exp(-a * time) * ((a**2 - w**2) / w * np.sin(w * time) - 2 * a * np.cos(w * time))
    contact = int(contact_s * rate_hz) + 2
    force = np.hanning(contact + 2)[1:-1]
    force /= force.sum()
    moved = fftconvolve(ringing / rate_hz, force[None, :], axes=1)[:, : len(time)]
    moved[:, :contact] += force
    end = np.minimum(1.0, (len(time) - np.arange(len(time))) / (0.1 * len(time)))
    return np.asarray(moved * end)


def _click(drum: Drum, n_samples: int, rate_hz: int, noise: Noise) -> Floats:
    """Stick or beater against the head: one push, then its damped ring."""
    time = np.arange(n_samples) / rate_hz
    low, high = drum.click_hz
    push_s = 0.5 / low
    sound = np.where(time < push_s, np.sin(np.pi * time / push_s) ** 2, 0.0)
    for _ in range(4):
        pitch, phase = noise.uniform(low, high), noise.uniform(0, 2 * np.pi)
        late = np.maximum(time - push_s, 0.0)
        sound += (
            0.2
            * np.sin(np.pi * np.minimum(late / push_s, 0.5))
            * np.exp(-late * low * 0.25)
            * np.sin(2 * np.pi * pitch * late + phase)
        )
    return sound


def drum_hits(
    drum: Drum, hits: list[tuple[int, float]], n_samples: int, rate_hz: int, noise: Noise
) -> Floats:
    """Acceleration of the points of a head that is struck again and again.

    Parameters
    ----------
    drum : Drum
        The head.
    hits : list of (int, float)
        Sample at which each blow begins, and its strength in 0 to 1.
    n_samples, rate_hz : int
        Length and sample rate.
    noise : RandomState
        Varies the spot (not its time of travel), the click and the hardness of each blow.

    Returns
    -------
    array, shape (5, n_samples)
        Rows as in `head_points`.

    Notes
    -----
    Finitely many modes ring before the wave can be there, so each point is silent until the membrane's wave,
    ``2π f a / j_01`` in m/s and slower than sound in air, has come to it: the first arrival at any
    microphone is therefore that of the struck point.
    """
    modes, points = membrane_modes(), head_points(drum)
    shapes = _mode_shapes(points, modes)
    bases = [strike_basis(drum, contact, rate_hz) for contact in drum.contact_s]
    n_hit = bases[0].shape[1]
    wave_m_per_s = 2 * np.pi * drum.lowest_hz * drum.radius_m / modes[0, 2]
    late_s = np.hypot(*(points - points[0]).T) * drum.radius_m / wave_m_per_s
    gate = np.clip((np.arange(n_hit) / rate_hz - late_s[:, None]) / 3e-4 + (late_s[:, None] == 0), 0, 1)
    sound = np.zeros((len(points), n_samples + n_hit))
    for start, strength in hits:
        hardness = min(int(strength * len(bases)), len(bases) - 1)
        spot = points[:1] + noise.uniform(-0.06, 0.06, (1, 2))
        weights = shapes * _mode_shapes(spot, modes) * (1 + 0.1 * noise.standard_normal(len(modes)))
        hit = gate * (weights @ bases[hardness])
        hit /= np.abs(hit[0]).max()
        hit[0] += drum.click * strength * _click(drum, n_hit, rate_hz, noise)
        sound[:, start : start + n_hit] += strength * hit
    return sound[:, :n_samples]


def wire_rattle(hits: list[tuple[int, float]], n_samples: int, rate_hz: int, noise: Noise) -> Floats:
    """Snare wires: a noise burst per blow that sets in softly after the head has moved; ``(n_samples,)``.

    Parameters
    ----------
    hits : list of (int, float)
        Sample and strength of each blow.
    n_samples : int
    rate_hz : int
    noise : numpy.random.RandomState
        Where its randomness comes from.
    """
    from scipy.signal import butter, sosfilt

    sound = np.zeros(n_samples + rate_hz)
    time = np.arange(rate_hz // 3) / rate_hz
    envelope = (1 - np.exp(-time / 0.002)) * np.exp(-time / 0.035)
    for start, strength in hits:
        sound[start : start + len(time)] += strength * envelope * noise.standard_normal(len(time))
    band = butter(2, (1500, 8000), "bandpass", fs=rate_hz, output="sos")
    rattle: Floats = sosfilt(band, sound)[:n_samples]
    return rattle


def cymbal_hits(hits: list[tuple[int, float]], n_samples: int, rate_hz: int, noise: Noise) -> Floats:
    """Make a closed hi-hat: dense inharmonic plate modes and a burst of noise; ``(n_samples,)``.

    The stick first pushes the plate away (0.16 ms).  A thin plate's modes lie evenly over frequency
    (Fletcher & Rossing, section 3.6); here 150 up to 13 kHz.

    Parameters
    ----------
    hits : list of (int, float)
        Sample and strength of each blow.
    n_samples : int
    rate_hz : int
    noise : numpy.random.RandomState
        Where its randomness comes from.
    """
    n_hit = int(0.22 * rate_hz)
    time = np.arange(n_hit) / rate_hz
    pitch = np.sort(noise.uniform(350, 13000, 150))
    decay = noise.uniform(25, 70, 150) * (1 + pitch / 13000)
    basis = np.exp(-decay[:, None] * time) * np.cos(2 * np.pi * pitch[:, None] * time)
    attack = np.minimum(time / 8e-5, 1.0)
    push = np.where(time < 1.6e-4, np.sin(np.pi * time / 1.6e-4) ** 2, 0.0)
    sound = np.zeros(n_samples + n_hit)
    for start, strength in hits:
        weights = np.abs(1 + 0.4 * noise.standard_normal(len(pitch))) * np.exp(-pitch * (1 - strength) / 9000)
        hit = weights @ basis / 150
        hit += 0.05 * np.exp(-time * 45) * noise.standard_normal(n_hit)
        sound[start : start + n_hit] += strength * (attack * hit + 0.5 * push)
    return sound[:n_samples]


def plucked_string(pitch_hz: float, duration_s: float, t60_s: float, rate_hz: int, noise: Noise) -> Floats:
    """One plucked string, ``(n_samples,)``.

    Karplus & Strong, Computer Music Journal 7(2), 1983, pp. 43-55, tuned by an all-pass and with the decay
    stretched as in Jaffe & Smith, ibid. pp. 56-69.

    Parameters
    ----------
    pitch_hz, duration_s : float
    t60_s : float
        Time in which it falls by 60 dB.
    rate_hz : int
    noise : numpy.random.RandomState
        Where its randomness comes from.
    """
    from scipy.signal import lfilter

    period = rate_hz / pitch_hz
    n_delay = int(period - 0.6)
    part = period - 0.5 - n_delay
    allpass = (1 - part) / (1 + part)
    loss = 10 ** (-3 / (pitch_hz * t60_s))
    loop = loss * np.convolve([0.5, 0.5], [allpass, 1.0])
    denominator = np.zeros(n_delay + 3)
    denominator[:2] = 1.0, allpass
    denominator[n_delay:] -= loop
    pluck = np.zeros(int(duration_s * rate_hz))
    pluck[:n_delay] = lfilter([0.45], [1, -0.55], noise.uniform(-1, 1, n_delay))
    pluck[0] += 1.0
    bridge = n_delay // 6
    pluck[bridge:] -= 0.9 * pluck[:-bridge].copy()
    string: Floats = lfilter([1.0, allpass], denominator, pluck)
    return string * np.minimum(1.0, (len(string) - np.arange(len(string))) / (0.02 * rate_hz))


#: First four formants in Hz; the first three after Peterson & Barney, JASA 24(2), 1952, table II (men).
VOWELS = {
    "a": (730, 1090, 2440, 3400),
    "e": (530, 1840, 2480, 3500),
    "i": (270, 2290, 3010, 3600),
    "o": (570, 840, 2410, 3300),
    "u": (300, 870, 2240, 3300),
}


def sung_syllable(
    vowel: str, pitch_hz: float, duration_s: float, rate_hz: int, noise: Noise, *, hiss: bool
) -> Floats:
    """One sung syllable, ``(n_samples,)``: glottal flow through a cascade of formants.

    The flow pulse is Rosenberg's (JASA 49(2B), 1971, pp. 583-590; opening 0.4 and closing 0.16 of the
    period); the formants are Klatt's digital resonators (JASA 67(3), 1980, pp. 971-995).

    Parameters
    ----------
    vowel : str
        A key of the table of formants.
    pitch_hz, duration_s : float
    rate_hz : int
    noise : numpy.random.RandomState
        Where its randomness comes from.
    hiss : bool
        Whether a sibilant comes first.
    """
    from scipy.signal import butter, lfilter, sosfilt

    n_samples = int(duration_s * rate_hz)
    time = np.arange(n_samples) / rate_hz
    vibrato = 0.012 * np.sin(2 * np.pi * 5.2 * time) * np.minimum(time / 0.3, 1.0)
    jitter = 0.004 * lfilter([0.003], [1, -0.997], noise.standard_normal(n_samples)) * 25
    phase = np.cumsum(pitch_hz * (1 + vibrato + jitter)) / rate_hz % 1.0
    opening = 0.5 * (1 - np.cos(np.pi * phase / 0.4))
    closing = np.cos(np.pi / 2 * np.clip((phase - 0.4) / 0.16, 0, 1))
    flow = np.where(phase < 0.4, opening, closing)
    breath = 0.01 * flow * noise.standard_normal(n_samples)
    sound = np.diff(flow, prepend=0.0) * 8 + breath
    sound *= np.minimum(1.0, time / 0.03) * np.minimum(1.0, (duration_s - time) / 0.06)
    for formant, width in zip(VOWELS[vowel], (70, 90, 130, 200), strict=True):
        c = -np.exp(-2 * np.pi * width / rate_hz)
        b = 2 * np.exp(-np.pi * width / rate_hz) * np.cos(2 * np.pi * formant / rate_hz)
        sound = lfilter([1 - b - c], [1, -b, -c], sound)
    sound /= np.abs(sound).max()
    if hiss:
        n_hiss = int(0.11 * rate_hz)
        sibilant = sosfilt(butter(2, (4500, 9000), "bandpass", fs=rate_hz, output="sos"), noise.randn(n_hiss))
        sound = np.concatenate([0.12 * np.hanning(n_hiss) * sibilant, sound])
    return np.asarray(sound)
