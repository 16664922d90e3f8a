"""A shoebox room with first-order microphones: what each microphone hears of each radiating point.

Mirror images of the source up to a reach, then the diffuse tail of statistical room acoustics.  It makes the
demo sessions, so it favours arrival times that are exact over walls that are true to life.

Conventions
-----------
positions
    metres, ``(x, y, z)`` from one corner of the room; ``aim`` and ``axis`` are unit vectors.
gains
    linear, relative to the sound at 1 m in front of the radiating point.
time
    every impulse response starts ``LEAD_SAMPLES`` early, so that the fractional delays keep both sides.
"""

from dataclasses import dataclass

import numpy as np

from polaritykit.base.types import Floats

#: ISO 9613-1 at 20 degrees Celsius.
SPEED_OF_SOUND_M_PER_S = 343.2
#: Half length of the windowed sinc of a fractional delay; 129 taps hold 1 µs up to 0.45 of the sample rate.
LEAD_SAMPLES = 64
#: Images within this path length are exact (about 40 ms); the rest is the diffuse tail.
REACH_M = 13.7

Point = tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class Room:
    """Shoebox of one reflection coefficient."""

    size_m: Point
    rt60_s: float

    @property
    def volume_m3(self) -> float:
        """Volume."""
        return float(np.prod(self.size_m))

    @property
    def reflection(self) -> float:
        """Pressure reflection coefficient of the walls, by Eyring's formula (JASA 1, 1930, p. 217)."""
        x, y, z = self.size_m
        surface = 2 * (x * y + y * z + x * z)
        return float(np.exp(-0.161 * self.volume_m3 / (surface * self.rt60_s) / 2))


@dataclass(frozen=True, kw_only=True)
class Microphone:
    """One track: where its microphone stands, which way it looks, and how it is wired."""

    name: str
    position_m: Point
    aim: Point
    #: Omnidirectional share of a first-order pattern: 1 omni, 0.5 cardioid, 0.25 hypercardioid.
    omni_share: float
    highpass_hz: float
    lowpass_hz: float
    peak_dbfs: float
    noise_dbfs: float
    #: Wired backwards: pins 2 and 3 swapped somewhere on the way.
    inverted: bool = False
    #: The source this microphone is shielded around; all others lose ``shield_db``.
    shielded_source: str | None = None
    shield_db: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Radiator:
    """One radiating point: signed gain, own lateness, and a preference for the side its axis points to."""

    position_m: Point
    gain: float
    axis: Point = (0.0, 0.0, 1.0)
    #: Exponent of ``((1 + cos θ)/2)``; 0 radiates alike to all sides.
    shading: float = 0.0
    #: Time after the strike at which the point begins to move.
    late_s: float = 0.0


def direction(start: Point, end: Point) -> Point:
    """Return the unit vector from one point to another."""
    way = np.asarray(end) - np.asarray(start)
    x, y, z = way / np.linalg.norm(way)
    return float(x), float(y), float(z)


def image_sources(room: Room, position_m: Point, reach_m: float) -> tuple[Floats, Floats]:
    """Mirror images of a point in a shoebox (Allen & Berkley, JASA 65(4), 1979, pp. 943-950).

    Parameters
    ----------
    room : Room
        Size in metres; one corner at the origin.
    position_m : tuple of float
        The point.
    reach_m : float
        Images whose room cell starts within this distance are kept.

    Returns
    -------
    positions : array, shape (n, 3)
        Metres; the point itself comes first.
    turns : array, shape (n, 4)
        Mirror sign (+1 or -1) per axis, then the number of walls met.
    """
    per_axis = []
    for size, coordinate in zip(room.size_m, position_m, strict=True):
        cells = np.arange(-int(reach_m / size) - 1, int(reach_m / size) + 2)
        sign = np.where(cells % 2 == 0, 1.0, -1.0)
        offset = np.where(cells % 2 == 0, coordinate, size - coordinate)
        per_axis.append(np.stack([cells * size + offset, sign, np.abs(cells)]))
    x, y, z = (axis.T for axis in per_axis)
    grid = [(a, b, c) for a in x for b in y for c in z]
    table = np.array(grid)
    walls = table[:, :, 2].sum(axis=1)
    order = np.argsort(walls, kind="stable")
    return table[order, :, 0], np.column_stack([table[order, :, 1], walls[order]])


def path_gains(
    radiator: Radiator, microphone: Microphone, positions: Floats, turns: Floats
) -> tuple[Floats, Floats]:
    """Distance and signed gain of each image of a radiating point at a microphone.

    The gain is ``gain · shading(θ) · pattern(θ) / r``; axes are mirrored with their images.

    Parameters
    ----------
    radiator : Radiator
    microphone : Microphone
    positions, turns : ndarray
        From `image_sources`.

    Returns
    -------
    distance_m, gain : array, shape (n,)
        Without the walls' losses and without wiring.
    """
    away = np.asarray(microphone.position_m) - positions
    distance = np.linalg.norm(away, axis=1)
    heard_at = -(away @ np.asarray(microphone.aim)) / distance
    pattern = microphone.omni_share + (1 - microphone.omni_share) * heard_at
    sent_at = np.sum(away * (turns[:, :3] * np.asarray(radiator.axis)), axis=1) / distance
    shade = np.maximum((1 + sent_at) / 2, 0.0) ** radiator.shading
    return distance, radiator.gain * shade * pattern / distance


def direct_path(radiator: Radiator, microphone: Microphone) -> tuple[float, float]:
    """Arrival time in seconds after the strike and signed gain of the direct sound."""
    turns = np.array([[1.0, 1.0, 1.0, 0.0]])
    distance, gain = path_gains(radiator, microphone, np.array([radiator.position_m]), turns)
    return float(distance[0]) / SPEED_OF_SOUND_M_PER_S + radiator.late_s, float(gain[0])


def place_arrivals(times_s: Floats, gains: Floats, n_samples: int, rate_hz: int) -> Floats:
    """Impulse response of arrivals at any times: a Kaiser-windowed sinc each, ``LEAD_SAMPLES`` late.

    Fractional delay by windowed sinc: Laakso, Välimäki, Karjalainen & Laine, IEEE Signal Processing
    Magazine 13(1), 1996, pp. 30-60.

    Parameters
    ----------
    times_s, gains : ndarray, shape (n,)
    n_samples : int
        Length of the response.
    rate_hz : int
    """
    whole = np.floor(times_s * rate_hz).astype(int)
    part = times_s * rate_hz - whole
    taps = np.arange(-LEAD_SAMPLES + 1, LEAD_SAMPLES + 1)
    span = taps[None, :] - part[:, None]
    window = np.i0(9.0 * np.sqrt(np.maximum(1 - (span / LEAD_SAMPLES) ** 2, 0.0))) / np.i0(9.0)
    kernels = gains[:, None] * np.sinc(span) * window
    places = whole[:, None] + taps[None, :] + LEAD_SAMPLES
    kept = places < n_samples
    response = np.zeros(n_samples)
    np.add.at(response, places[kept], kernels[kept])
    return response


def impulse_response(
    room: Room, radiator: Radiator, microphone: Microphone, tail_noise: Floats, rate_hz: int
) -> Floats:
    """Impulse response from a radiating point to a microphone, ``LEAD_SAMPLES`` late.

    Parameters
    ----------
    room : Room
    radiator : Radiator
    microphone : Microphone
    tail_noise : array, shape (n,)
        White noise of unit variance for the tail; its length is the response's.
    rate_hz : int
        Sample rate.

    Returns
    -------
    array, shape (n,)

    Notes
    -----
    The tail is exponentially decaying noise (Polack; Jot, Cerveau & Warusfel, AES 103rd Convention, 1997):
    images arrive at ``4π c³ t²/V`` per second, each with ``1/(ct)²``, hence ``4π c/V`` per second.
    """
    positions, turns = image_sources(room, radiator.position_m, REACH_M)
    distance, gain = path_gains(radiator, microphone, positions, turns)
    near = distance <= REACH_M
    times = distance[near] / SPEED_OF_SOUND_M_PER_S + radiator.late_s
    response = place_arrivals(times, gain[near] * room.reflection ** turns[near, 3], len(tail_noise), rate_hz)
    time = (np.arange(len(tail_noise)) - LEAD_SAMPLES) / rate_hz - radiator.late_s
    mean_square = 4 * np.pi * SPEED_OF_SOUND_M_PER_S / room.volume_m3 / rate_hz
    mean_square *= microphone.omni_share**2 + (1 - microphone.omni_share) ** 2 / 3
    mean_square *= radiator.gain**2 / (2 * radiator.shading + 1)
    tail = np.sqrt(mean_square) * np.exp(-np.log(1000) * time / room.rt60_s)
    fade_in = np.clip((time * SPEED_OF_SOUND_M_PER_S - 0.85 * REACH_M) / (0.15 * REACH_M), 0.0, 1.0)
    response += tail * fade_in * tail_noise
    return response


def hear(signals: Floats, responses: Floats) -> Floats:
    """Convolve points with their responses and add them up at each microphone, by overlap and add.

    Parameters
    ----------
    signals : array, shape (n_points, n_samples)
    responses : array, shape (n_microphones, n_points, n_taps)
        ``LEAD_SAMPLES`` late; the lead is taken off again.

    Returns
    -------
    array, shape (n_microphones, n_samples)
    """
    from scipy.fft import irfft, rfft

    n_samples, n_taps = signals.shape[1], responses.shape[2]
    n_fft = 1 << int(np.ceil(np.log2(2 * n_taps)))
    block = n_fft - n_taps + 1
    spectra = rfft(responses, n_fft).transpose(2, 0, 1)
    heard = np.zeros((responses.shape[0], n_samples + n_fft))
    for start in range(0, n_samples, block):
        part = rfft(signals[:, start : start + block], n_fft).T
        heard[:, start : start + n_fft] += irfft((spectra @ part[:, :, None])[:, :, 0].T, n_fft)
    kept: Floats = heard[:, LEAD_SAMPLES : LEAD_SAMPLES + n_samples]
    return kept


def roll_off(sound: Floats, microphone: Microphone, rate_hz: int) -> Floats:
    """Second-order Butterworth high- and low-pass of the microphone (causal, minimum phase).

    Parameters
    ----------
    sound : ndarray
    microphone : Microphone
    rate_hz : int
    """
    from scipy.signal import butter, sosfilt

    edges = [butter(2, microphone.highpass_hz, "highpass", fs=rate_hz, output="sos")]
    edges.append(butter(2, microphone.lowpass_hz, "lowpass", fs=rate_hz, output="sos"))
    return np.asarray(sosfilt(np.vstack(edges), sound), dtype=np.float64)
