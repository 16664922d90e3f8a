"""A singer and a guitar, both always sounding, in two leaky mics: the effect of a flip, octave by octave.

Run from the checkout: ``python tests/benchmarks/two_sources.py``.  Machine speech and real guitars from
packages (``--fetch``) in simulated rooms whose parts are kept; the truth is what a flip does to each part.
"""

# ruff: noqa: E402 - the folders of this checkout have to be found first

import argparse
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

sys.path[:0] = [
    str(Path(__file__).parent),
    str(Path(__file__).parents[1] / "support"),
    str(Path(__file__).parents[2]),
]

import sessions_packages as packages
from sessions_rooms import RATE as SOUNDS_RATE

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.base.octaves import octave_bins
from polaritykit.jobs.bleed.findings import BleedFindings, BleedPassages
from polaritykit.jobs.bleed.judge import judged_together, settled_by_check
from polaritykit.jobs.bleed.passages import OCTAVES_HZ, find_passages

RATE = 48000
#: Octaves that are scored.
SCORED = tuple(i for i, f in enumerate(OCTAVES_HZ) if 125 <= f <= 8000)


def guitars(rng: np.random.Generator, n: int, *, fetch: bool) -> np.ndarray:
    """Phrases of real guitars without a rest."""
    import soundfile
    from scipy.signal import resample_poly

    folder = packages.unpacked("sonic-pi-samples", fetch=fetch)
    if folder is None:
        sys.exit("no guitars at hand: run with --fetch")
    paths = sorted(folder.rglob("guit_*.flac"))
    parts: list[np.ndarray] = []
    while sum(map(len, parts)) < n:
        x, rate = soundfile.read(paths[rng.integers(len(paths))], always_2d=True)
        x = resample_poly(x[:, 0], RATE // 100, rate // 100)
        parts.append(x[: int(rng.uniform(1.0, 3.5) * RATE)] / np.abs(x).max())
    return np.concatenate(parts)[:n]


def spoken(rng: np.random.Generator, n: int, voice: int, *, fetch: bool) -> np.ndarray:
    """Speech without a rest."""
    from scipy.signal import resample_poly

    sounds = packages.speech(fetch=fetch)
    if not sounds:
        sys.exit("no speech at hand: run with --fetch")
    x = resample_poly(sounds[voice % len(sounds)], RATE // 100, SOUNDS_RATE // 100)
    x = np.tile(x, n // len(x) + 2)
    start = int(rng.integers(len(x) - n))
    return x[start : start + n]


def hidden_take(seed: int, seconds: float, *, fetch: bool) -> tuple[np.ndarray, np.ndarray]:
    """Parts ``(mic, source, sample)`` of one take, and the mics' noise."""
    import pyroomacoustics as pra
    from scipy.signal import fftconvolve

    rng = np.random.default_rng(seed)
    n = int(seconds * RATE)
    size = rng.uniform([4, 4, 2.5], [8, 6, 3.5])
    absorption, order = pra.inverse_sabine(float(rng.uniform(0.25, 0.5)), size)
    box = pra.ShoeBox(size, fs=RATE, materials=pra.Material(absorption), max_order=min(order, 15))
    mouth = np.array([size[0] / 2, size[1] / 2, 1.5])
    guitar = mouth + np.array([0.1, 0.05, -0.55])
    for source in (mouth, guitar):
        box.add_source(source)
    box.add_microphone(mouth + np.array([rng.uniform(0.15, 0.25), 0, 0]))
    box.add_microphone(guitar + np.array([rng.uniform(0.2, 0.3), 0.1, 0]))
    box.compute_rir()
    sounds = [spoken(rng, n, seed, fetch=fetch), guitars(rng, n, fetch=fetch)]
    sounds = [0.05 * s / np.std(s) for s in sounds]
    sounds[1] *= 10 ** (rng.uniform(-4, 4) / 20)
    parts = np.array([[fftconvolve(sounds[s], box.rir[m][s])[:n] for s in (0, 1)] for m in (0, 1)])
    parts[1] *= rng.choice([-1, 1])
    return parts, 1e-5 * rng.standard_normal((2, n))


def levels_db(signal: np.ndarray) -> np.ndarray:
    """Level per octave by Welch's method (scipy)."""
    from scipy.signal import welch

    frequency_hz, power = welch(signal, RATE, nperseg=8192)
    return np.array([10 * np.log10(power[octave_bins(frequency_hz, f)].sum() + 1e-30) for f in OCTAVES_HZ])


def judged(parts: np.ndarray, noise: np.ndarray) -> BleedFindings:
    """Return what the job says when no passage alone is used."""
    tracks = dict(zip(("singer", "guitar"), (parts.sum(axis=1) + noise).astype(np.float32), strict=True))
    recording = ArrayRecording(tracks, RATE)
    passages: BleedPassages = find_passages(recording)
    found = BleedFindings(
        main="singer",
        leaky="guitar",
        goal="isolation",
        passages=passages,
        centre_hz=OCTAVES_HZ,
        settled=settled_by_check(recording),
    )
    return judged_together(found, recording)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=12)
    parser.add_argument("--from", dest="first", type=int, default=0, metavar="FIRST", help="first seed")
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--split", choices=["development", "report"], default="report")
    parser.add_argument("--fetch", action="store_true")
    options = parser.parse_args()
    commit = subprocess.run(
        ["git", "describe", "--always", "--dirty"], capture_output=True, text=True, check=False
    )
    print(f"{time.strftime('%Y-%m-%d')}, commit {commit.stdout.strip()}, {options.split}")
    print(
        "take | octaves told | error of a flip's effect, dB: main mean, worst; leaky mean, worst | in 2 sigma"
    )
    errors: list[list[np.ndarray]] = [[], []]
    inside: list[np.ndarray] = []
    first = {"development": 1000, "report": 0}[options.split] + options.first
    for seed in range(first, first + options.seeds):
        parts, noise = hidden_take(seed, options.seconds, fetch=options.fetch)
        found = judged(parts, noise)
        if found.flipped is None or found.as_recorded is None:
            print(f"{seed} | {found.together}")
            continue
        told = np.array([i for i in SCORED if found.reliable[i]], int)
        said = [
            np.array(getattr(found.flipped, f"{name}_level_db"))
            - np.array(getattr(found.as_recorded, f"{name}_level_db"))
            for name in ("main", "leaky")
        ]
        true = [levels_db(parts[0, s] - parts[1, s]) - levels_db(parts[0, s] + parts[1, s]) for s in (0, 1)]
        away = [np.abs(s - t)[told] for s, t in zip(said, true, strict=True)]
        gain_error = np.abs(np.array(found.flipped.gain_db) - (true[0] - true[1]))[told]
        covered = gain_error < 2 * np.array(found.flipped.gain_std_db)[told]
        for into, one in zip(errors, away, strict=True):
            into.append(one)
        inside.append(covered)
        figures = "; ".join(f"{one.mean():.2f}, {one.max():.2f}" for one in away)
        print(
            f"{seed} | {len(told)} of {len(SCORED)} | {figures} | {covered.sum()} of {len(covered)}",
            flush=True,
        )
    if inside:
        figures = "; ".join(
            f"{one.mean():.2f}, {one.max():.2f} ({np.mean(one < 1):.0%} within 1 dB)"
            for one in (np.concatenate(x) for x in errors)
        )
        whole = np.concatenate(inside)
        print(f"all | {len(whole)} of {len(SCORED) * options.seeds} | {figures} | {whole.mean():.0%}")


if __name__ == "__main__":
    main()
