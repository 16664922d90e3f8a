"""Two recorders from the files to lined-up copies: what is left between the copies over the take.

Run from the checkout: ``python tests/benchmarks/recorders.py``.  Played drums of the shared recordings,
minutes long; the second recorder gets the same feed, or stands elsewhere in a simulated room
(pyroomacoustics), starts at another time and has another clock (`tests/support/two_recorders.py`: nothing of
the project makes it).  ``check`` and ``apply`` run as a user runs them.  *Left*: difference of the copies up
to 1 kHz, gain matched; *slips*: largest against smallest lag of ten parts of the take, by the phases of the
responses between the two from 200 Hz to 2 kHz.
"""

# ruff: noqa: E402 - the folders of this checkout have to be found first

import argparse
import contextlib
import io
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path[:0] = [
    str(Path(__file__).parent),
    str(Path(__file__).parents[1] / "support"),
    str(Path(__file__).parents[2]),
]

import soundfile
from scipy import signal
from sessions_kit import kit_session
from two_recorders import on_recorder

from polaritykit.commands.apply import command as apply
from polaritykit.commands.check import command as check


def room(rng: np.random.Generator, rate: int) -> tuple[np.ndarray, np.ndarray]:
    """Responses of a room to a near mic and to one some metres away."""
    import pyroomacoustics as pra

    size = rng.uniform([5, 4, 2.6], [9, 7, 3.5])
    absorption, order = pra.inverse_sabine(float(rng.uniform(0.25, 0.5)), size)
    box = pra.ShoeBox(size, fs=rate, materials=pra.Material(absorption), max_order=min(order, 8))
    source = rng.uniform([1, 1, 1.0], size - 1.2)
    box.add_source(source)
    far = rng.uniform([0.5, 0.5, 1.0], size - 0.5)
    box.add_microphone_array(np.stack([source + np.array([0.5, 0.2, 0.4]), far], axis=1))
    box.compute_rir()
    return box.rir[0][0], box.rir[1][0]


def session(kind: str, seed: int, seconds: float, folder: Path) -> tuple[float, float]:
    """Write one session; start and drift of the second recorder."""
    rng = np.random.default_rng([seed, *kind.encode()])
    kit = kit_session(seed, split="report", seconds=seconds, mics=("oh_left",), flips=False, delays=False)
    rate = kit.sample_rate_hz
    [dry] = kit.tracks.values()
    first = second = dry.astype(np.float64)
    if kind == "two mics":
        first, second = (signal.fftconvolve(dry, response)[: len(dry)] for response in room(rng, rate))
    start_s = float(rng.choice([-1.0, 1.0]) * rng.uniform(0.3, 0.4 * seconds))
    ppm = float(rng.choice([12.0, -35.0, 90.0, -180.0]))
    other = -0.5 * on_recorder(second, rate, start_s=start_s, ppm=ppm)
    other += 10 ** (-40 / 20) * np.std(other) * rng.standard_normal(len(other))
    peak = 1.05 * max(np.abs(first).max(), np.abs(other).max())
    soundfile.write(
        folder / "desk.wav", np.stack([first, 0.7 * first], axis=1) / peak, rate, subtype="PCM_24"
    )
    soundfile.write(folder / "other.wav", other / peak, rate, subtype="PCM_24")
    return start_s, ppm


def slips_ms(a: np.ndarray, b: np.ndarray, rate: int) -> np.ndarray:
    """Lag of b in ten parts of the take against that of the whole, 200 Hz to 2 kHz.

    A room has no one lag: the responses from a to b are laid on that of all parts together, by their phases.
    """
    size, part = 1 << 15, len(a) // 10
    window = np.hanning(size)
    cross = np.zeros((10, size // 2 + 1), complex)
    for k in range(10):
        for at in range(k * part, (k + 1) * part - size, size // 2):
            spectra = [np.fft.rfft(x[at : at + size] * window) for x in (a, b)]
            cross[k] += spectra[1] * np.conj(spectra[0])
    away = cross * np.conj(cross.mean(axis=0))
    reach = round(0.02 * rate) * 16
    found = []
    for one in away:
        curve = np.fft.irfft(one / np.maximum(np.abs(one), 1e-12) * _inside(size, rate), 16 * size)
        around = np.concatenate([curve[-reach:], curve[: reach + 1]])
        found.append(1e3 * (int(around.argmax()) - reach) / (16 * rate))
    return np.array(found)


def _inside(size: int, rate: int) -> np.ndarray:
    frequency = np.fft.rfftfreq(size, 1 / rate)
    return (frequency > 200) & (frequency < 2000)


def measured(copies: Path) -> tuple[float, float]:
    """Difference up to 1 kHz, dB, and slips, ms, where both sound."""
    a, rate = soundfile.read(copies / "desk.wav", always_2d=True)
    b, _ = soundfile.read(copies / "other.wav", always_2d=True)
    size = min(len(a), len(b))
    first, second = a[:size, 0], b[:size, 0]
    # Before it begins a copy holds dither.
    sounding = np.flatnonzero(np.abs(second) > 1e-3 * np.abs(second).max())
    begin, end = sounding[0] + rate // 2, sounding[-1] - rate // 2
    first, second = first[begin:end], second[begin:end]
    low = signal.butter(6, 1000, fs=rate, output="sos")
    x, y = (signal.sosfiltfilt(low, track) for track in (first, second))
    left = x - y * (x @ y) / (y @ y)
    slips = slips_ms(first, second, rate)
    return float(10 * np.log10(np.mean(left**2) / np.mean(x**2))), float(np.ptp(slips))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--seconds", type=float, default=180.0)
    options = parser.parse_args()
    commit = subprocess.run(
        ["git", "describe", "--always", "--dirty"], capture_output=True, text=True, check=False
    )
    print(f"{time.strftime('%Y-%m-%d')}, commit {commit.stdout.strip()}, {options.seconds:g} s")
    print("session | start s | drift ppm | start error µs | drift error ppm | left dB | slips ms | CPU s")
    for kind in ("one feed", "two mics"):
        for seed in range(options.seeds):
            with tempfile.TemporaryDirectory() as place:
                root = Path(place)
                (root / "in").mkdir()
                start_s, ppm = session(kind, seed, options.seconds, root / "in")
                begun = time.process_time()
                with contextlib.redirect_stdout(io.StringIO()):
                    check.main([str(root / "in"), "--out", str(root / "report")], standalone_mode=False)
                    apply.main([str(root / "report"), "--out", str(root / "copies")], standalone_mode=False)
                spent = time.process_time() - begun
                report = json.loads((root / "report" / "report.json").read_text())
                found = [one for one in report["recorders"] if one["state"] == "found"]
                if not found:
                    print(f"{kind} {seed} | {start_s:.3f} | {ppm:g} | not found", flush=True)
                    continue
                left_db, slips_ms = measured(root / "copies")
                late_us = 1e6 * (found[0]["start_s"] - start_s)
                print(
                    f"{kind} {seed} | {start_s:.3f} | {ppm:g} | {late_us:.1f} | "
                    f"{found[0]['drift_ppm'] - ppm:.3f} | {left_db:.1f} | {slips_ms:.4f} | {spent:.0f}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
