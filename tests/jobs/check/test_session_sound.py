"""The session by ear: the moment, the loudness and the size, against sums made here."""

from types import SimpleNamespace

import numpy as np
import pytest

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.jobs.check.session_sound import cut_session

RATE = 48_000


def _findings(*settings, rate=RATE):
    names = ("a", "b", "c")[: len(settings)]
    tracks = [
        SimpleNamespace(name=name, invert=invert, delay_ms=delay, shift_ms=delay)
        for name, (invert, delay) in zip(names, settings, strict=True)
    ]
    return SimpleNamespace(
        track_names=names,
        sample_rate_hz=rate,
        levels=[SimpleNamespace(faults=())] * len(names),
        corrections=SimpleNamespace(tracks=tracks),
    )


def _two_tracks(seconds=40):
    """Silence but for a tone at 1 kHz from 20 s to 26 s, 1 ms (a period) and half a period late."""
    time = np.arange(seconds * RATE) / RATE
    on = (time >= 20) & (time < 26)
    a = 0.1 * np.sin(2 * np.pi * 1000 * time) * on
    b = 0.1 * np.sin(2 * np.pi * 1000 * (time - 1.5e-3)) * on
    return ArrayRecording({"a": a.astype(np.float32), "b": b.astype(np.float32)}, RATE)


def test_the_moment_is_where_the_sum_changes():
    """The tone's seconds are found; what cancels as recorded is brought down by the limit of 12 dB."""
    found = cut_session(_two_tracks(), _findings((False, 0.0), (True, 0.0)))

    assert 17 < found.start_s < 26
    assert found.flips_gain_db == pytest.approx(-12.0)
    assert len(found.sounds[0].samples) == 4 * RATE


def test_gains_make_sums_as_loud():
    """Two equal tones a quarter period apart and then together: 3.01 dB more (A-weighting cancels out)."""
    time = np.arange(8 * RATE) / RATE
    a, b = (0.1 * np.sin(2 * np.pi * 1000 * (time - late)) for late in (0.0, 0.25e-3))
    recording = ArrayRecording({"a": a.astype(np.float32), "b": b.astype(np.float32)}, RATE)
    found = cut_session(recording, _findings((False, 0.25), (False, 0.0)))

    assert found.flips_gain_db == 0.0
    assert found.all_gain_db == pytest.approx(-3.01, abs=0.02)


def test_size_is_kept():
    """Half the rate first, then fewer seconds, then nothing."""
    recording, findings = _two_tracks(), _findings((False, 0.0), (True, 0.0))

    def size(most):
        found = cut_session(recording, findings, most)
        characters = sum(len(sound.samples) for sound in found.sounds) * 8 / 3
        assert characters <= most * 1.001
        return found.sample_rate_hz, len(found.sounds[0].samples) / found.sample_rate_hz

    assert size(6e5) == (24_000, pytest.approx(4.0))
    assert size(3e5) == (24_000, pytest.approx(2.34, abs=0.01))
    assert cut_session(recording, findings, 1e5) is None
    assert cut_session(recording, _findings((False, 0.0), (False, 0.0))) is None
