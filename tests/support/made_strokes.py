"""Made-up strokes at known times on tracks with known gains, and the onsets found in them."""

import numpy as np

from polaritykit.struck.onsets import OnsetDetector

RATE = 48_000


def stroke(rng, tone_hz=None, n=6000):
    """Make a sudden sound that dies away: noise, or a tone with a click."""
    decay = np.exp(-np.arange(n) / 900)
    noise = rng.standard_normal(n)
    if tone_hz is None:
        return decay * noise
    return decay * np.sin(2 * np.pi * tone_hz * np.arange(n) / RATE) + 0.3 * noise * np.exp(
        -np.arange(n) / 100
    )


def strokes(times, gains, seconds, seed=0, noise=1e-4):
    """Lay strokes at times on tracks with the given gains; shape (n_tracks, n)."""
    rng = np.random.default_rng(seed)
    n = round(seconds * RATE)
    made = noise * rng.standard_normal((len(gains), n))
    for time in times:
        sound = stroke(rng)
        at = round(time * RATE)
        for track, gain in enumerate(gains):
            length = min(len(sound), n - at)
            made[track, at : at + length] += gain * sound[:length]
    return made.astype(np.float32)


def onsets_of(samples, block=1 << 15):
    """Run the detector over blocks."""
    detector = OnsetDetector(len(samples), RATE)
    for start in range(0, samples.shape[1], block):
        detector.update(samples[:, start : start + block])
    return detector.onsets(), detector
