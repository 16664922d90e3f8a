"""Speech made of the textbook's glottal pulses, upright as it stands."""

import numpy as np

#: As `sustained.whitened.LOW_RATE_HZ`.
RATE = 8000


def made_speech(seed, seconds=6.0):
    """Rosenberg's glottal pulse (1971, JASA 49; pulse B), its derivative through moving resonances.

    Flow rises for 40 % of a period, falls for 16 %; pressure at the lips is its derivative (Flanagan, 1972):
    positive pressure makes positive samples.  Hisses stand between the syllables.
    """
    from scipy.signal import lfilter

    rng = np.random.default_rng(seed)
    parts = []
    while sum(map(len, parts)) < seconds * RATE:
        n = int(rng.uniform(0.12, 0.2) * RATE)
        pitch = np.linspace(*rng.permutation([100, 160]) + rng.uniform(0, 20, 2), n)
        phase = np.cumsum(pitch / RATE) % 1.0
        rise, fall = phase / 0.4, (phase - 0.4) / 0.16
        flow = np.where(phase < 0.4, 3 * rise**2 - 2 * rise**3, np.where(phase < 0.56, 1 - fall**2, 0.0))
        x = np.diff(flow, prepend=0.0)
        ends = rng.permuted([[300, 900, 2100], [750, 1900, 2900]], axis=0)
        y = np.zeros(n)
        for at in range(0, n, 80):  # resonances held for 10 ms
            poles = [1.0]
            for f in ends[0] + (ends[1] - ends[0]) * at / n:
                r = np.exp(-np.pi * 90 / RATE)
                poles = np.convolve(poles, [1, -2 * r * np.cos(2 * np.pi * f / RATE), r * r])
            begin = max(0, at - 400)
            y[at : at + 80] = lfilter([1], poles, x[begin : at + 80])[at - begin :]
        hiss = np.diff(rng.standard_normal(int(0.06 * RATE)), prepend=0.0)
        parts += [y / np.std(y), 0.15 * hiss, np.zeros(int(0.05 * RATE))]
    return np.concatenate(parts).astype(np.float32)
