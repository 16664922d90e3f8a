"""From the files of two recorders to lined-up copies: how they were made is the truth.

Bounds: a feed split to two recorders cancels to below −30 dB up to 1 kHz; two mics stay within 0.1 ms of each
other over the take (common practice, no source).
"""

import json

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from scipy import signal
from two_recorders import on_recorder, speech_like
from wave_chunks import bext, insert_chunks

from polaritykit.audio.header import read_header
from polaritykit.audio.other_clock import Clock
from polaritykit.commands.apply import command as apply
from polaritykit.commands.check import command as check
from polaritykit.jobs.apply.lined_up import LinedUpSource

RATE = 16_000


def run(command, *arguments):
    """Run one command that must do well; what it printed."""
    outcome = CliRunner().invoke(command, [str(one) for one in arguments], standalone_mode=False)
    assert outcome.exception is None, outcome.exception
    return outcome.stdout


def checked_and_applied(folder, *options):
    """Give the copies of a session and what was done to them."""
    report, copies = folder.parent / "report", folder.parent / "copies"
    run(check, folder, "--out", report)
    done = json.loads(run(apply, report, "--out", copies, "--json", *options))
    return copies, {track["name"]: track for track in done["tracks"]}


def lag_ms(a, b):
    """How much later b is, by the slope of the cross-spectrum's phase, 200 Hz to 2 kHz."""
    cross = np.fft.rfft(b) * np.conj(np.fft.rfft(a))
    frequency = np.fft.rfftfreq(len(a), 1 / RATE)
    inside = (frequency > 200) & (frequency < 2000)
    weight = frequency[inside] ** 2 * np.abs(cross[inside])
    return -1e3 * np.sum(weight * np.angle(cross[inside]) / (2 * np.pi * frequency[inside])) / weight.sum()


@pytest.mark.parametrize(("start_s", "ppm"), [(-2.1, 35.0), (7.03, -120.0)])
def test_one_feed_in_two_recorders(tmp_path, start_s, ppm):
    """Copies of one feed cancel; the one that was resampled keeps format, depth and rate."""
    folder = tmp_path / "session"
    folder.mkdir()
    sound = speech_like(RATE, 45, 1)
    desk = insert_into(folder / "desk.wav", sound, 3600 * RATE)
    other = on_recorder(sound, RATE, start_s=start_s, ppm=ppm)
    recorder = insert_into(folder / "other.wav", other[: 44 * RATE], 5 * RATE)

    copies, done = checked_and_applied(folder)

    assert done["other"]["lined_up_s"] == pytest.approx(start_s, abs=5e-6)
    assert done["other"]["resampled_ppm"] == pytest.approx(-ppm, abs=0.02)
    assert (copies / "desk.wav").read_bytes() == desk.read_bytes()
    a, b = (soundfile.read(copies / name)[0] for name in ("desk.wav", "other.wav"))
    a, b = a[: min(len(a), len(b))], b[: min(len(a), len(b))]
    span = slice(int((max(start_s, 0.0) + 0.1) * RATE), len(a) - RATE)
    low = signal.butter(8, 1000, fs=RATE, output="sos")
    left = signal.sosfilt(low, a - b)[span]
    assert 10 * np.log10(np.mean(left**2) / np.mean(signal.sosfilt(low, a)[span] ** 2)) < -30.0
    # What is said of the file holds of the copy: it now starts with the reference.
    assert soundfile.info(copies / "other.wav").subtype == "PCM_24"
    assert read_header(copies / "other.wav").reference == 3600 * RATE
    assert read_header(recorder).reference == 5 * RATE


def insert_into(path, samples, start):
    """Write a file with a start time."""
    soundfile.write(path, samples, RATE, subtype="PCM_24")
    insert_chunks(path, bext(start))
    return path


def test_two_mics_of_two_recorders_stay_together(tmp_path):
    """A second mic hears the same 3 ms later, with a reflection: still over the take within 0.1 ms."""
    folder = tmp_path / "session"
    folder.mkdir()
    rng = np.random.default_rng(3)
    sound = speech_like(RATE, 60, 2)
    far = np.roll(sound, 48) + 0.4 * np.roll(sound, 150)
    far = on_recorder(far, RATE, start_s=4.2, ppm=-60.0)
    soundfile.write(folder / "near.wav", sound + 0.002 * rng.standard_normal(len(sound)), RATE)
    soundfile.write(folder / "far.wav", far + 0.002 * rng.standard_normal(len(far)), RATE)

    copies, done = checked_and_applied(folder)

    moved = done["far"] if done["far"]["lined_up_s"] is not None else done["near"]
    assert abs(moved["resampled_ppm"]) == pytest.approx(60.0, abs=1.0)
    a, b = (soundfile.read(copies / name)[0] for name in ("near.wav", "far.wav"))
    # On the clock of the longer file, which began 4.2 s before the other.
    span = slice(int(4.5 * RATE), min(len(a), len(b)) - RATE)
    lags = [lag_ms(x, y) for x, y in zip(np.array_split(a[span], 6), np.array_split(b[span], 6), strict=True)]
    assert np.ptp(lags) < 0.1


def test_only_flips_lines_nothing_up(tmp_path):
    """Lining up is a matter of time: `--only flips` leaves it out."""
    folder = tmp_path / "session"
    folder.mkdir()
    sound = speech_like(RATE, 40, 4)
    soundfile.write(folder / "a.wav", sound, RATE)
    soundfile.write(folder / "b.wav", -sound[2 * RATE :], RATE)

    _, done = checked_and_applied(folder, "--set", "flips")

    assert done["b"]["lined_up_s"] is None
    assert done["a"]["invert"] != done["b"]["invert"]


@pytest.mark.parametrize("start", [-700, 0, 900])
def test_whole_samples_are_only_moved(start):
    """Without drift and whole samples away the copy holds the very samples of the file."""
    rng = np.random.default_rng(5)
    file = rng.integers(-(2**31), 2**31 - 1, (5000, 2), dtype=np.int32)
    position = 0

    def read(n):
        nonlocal position
        position += n
        return file[position - n : position]

    source = LinedUpSource(
        read=read, frames=5000, clock=Clock(start_s=start / RATE), rate_hz=RATE, bits=24, seed=0
    )
    heard = np.concatenate([source.read(n) for n in (0, 1, 999, 2500, source.frames - 3500)])

    assert len(heard) == source.frames == 5000 + start
    expected = np.concatenate([np.zeros((max(start, 0), 2), np.int32), file[max(-start, 0) :]])
    np.testing.assert_array_equal(heard, expected)


def test_what_does_not_fit_is_limited_and_counted():
    """Full-scale square waves overshoot between their samples: limited to full scale, and said."""
    file = np.repeat(np.array([[2**31 - 1], [-(2**31)]] * 50, np.int64), 40, axis=0).astype(np.int32)
    parts = iter([file[:0], file])
    source = LinedUpSource(
        read=lambda _: next(parts),
        frames=4000,
        clock=Clock(start_s=0.25 / RATE),
        rate_hz=RATE,
        bits=16,
        seed=0,
    )
    heard = source.read(3000)

    assert source.limited[0] > 100
    assert heard.max() == (2**15 - 1) << 16
    assert not np.any(heard & 0xFFFF)
