"""Scenes for the decision stage from closed forms: tracks that hear a source late and louder or softer.

Conventions: X_a = sign·gain·e^(−j2πf·late); octaves as in `source_sums`.
"""

import numpy as np

from polaritykit.decide.scene import Scene, Sound
from polaritykit.decide.source_sums import ALL_HZ, JUDGED_HZ, GatedSpectra


def gated(late_ms, amplitudes, *, octave_db=(0.0, 0.0, 0.0, 0.0, 0.0)):
    """Spectra of one source that reaches every track with one delay and amplitude; bins of 4 Hz."""
    frequency = np.arange(48.0, 1412.0, 4.0)
    octave = np.argmin(np.abs(np.log2(frequency[:, None] / np.array(JUDGED_HZ))), axis=1)
    height = 10 ** (np.array(octave_db)[octave] / 20) / np.sqrt(frequency)
    heard = np.array(amplitudes)[:, None] * np.exp(
        -2j * np.pi * frequency * np.array(late_ms)[:, None] * 1e-3
    )
    x = heard * height
    parts = x.T[:, :, None]
    power = np.zeros((len(ALL_HZ), len(late_ms)))
    for k, centre in enumerate(JUDGED_HZ):
        power[ALL_HZ.index(centre)] = np.sum(np.abs(x[:, octave == k]) ** 2, axis=1)
    return GatedSpectra(frequency_hz=frequency, parts=parts, plain=parts, octave=octave, octave_power=power)


def sound(home, late_ms, level_db, *, signs=None, octave_db=(0.0, 0.0, 0.0, 0.0, 0.0)):
    """One source with its arrivals as true as its spectra; None is an arrival that was not found."""
    true_ms = [0.0 if late is None else late for late in late_ms]
    signs = np.ones(len(late_ms)) if signs is None else np.array(signs)
    return Sound(
        home=home,
        arrival_s=np.array([np.nan if late is None else late * 1e-3 for late in late_ms]),
        level_db=np.array(level_db, dtype=float),
        spectra=gated(true_ms, signs * 10 ** (np.array(level_db) / 20), octave_db=octave_db),
    )


def scene(sounds, *, own, anchor, linked=(), signs=None, known=None, room=None, usable=None, copies=()):
    """Make a scene whose tracks are all at one level and related."""
    n = len(own)

    def flags(values, default):
        return np.full(n, default) if values is None else np.array(values, dtype=bool)

    return Scene(
        signs=np.ones(n) if signs is None else np.array(signs, dtype=float),
        sign_known=flags(known, True),
        related=flags(None, True),
        usable=flags(usable, True),
        room=flags(room, False),
        linked=tuple(linked),
        anchor=anchor,
        sounds=tuple(sounds),
        own=np.array(own),
        gains=np.ones(n),
        copies=tuple(copies),
    )
