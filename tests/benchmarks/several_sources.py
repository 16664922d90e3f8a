"""Three to five speakers with a mic each, none of whom ever pauses, in simulated rooms whose parts are kept.

Run from the checkout: ``python tests/benchmarks/several_sources.py``.  Real voices of as many speakers from
packages (``--fetch``); said and true: how far every other voice lies under a mic's own one, and what a flip
of each mic does to every voice in the sum of all, octave by octave.  ``--together`` rides all levels by
one curve: nothing tells them apart then, and that is to be said.
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

from reach import RATE as LOW_RATE
from reach import speech
from two_sources import SCORED, levels_db

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.jobs.bleed.passages import OCTAVES_HZ
from polaritykit.jobs.bleed.several import analyse_several

RATE = 48_000
NAMES = ("host", "guest", "third", "fourth", "fifth")
#: The voices are recorded at 8 kHz: nothing above 3.4 kHz.
OCTAVES = tuple(i for i in SCORED if OCTAVES_HZ[i] <= 2000)


def parts(
    seed: int, seconds: float, mics: int, *, fetch: bool, together: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Each voice in each mic ``(mic, voice, sample)``, and the mics' noise."""
    import pyroomacoustics as pra
    from scipy.signal import fftconvolve, resample_poly

    rng = np.random.default_rng([seed, 3])
    n = int(seconds * RATE)
    size = rng.uniform([4, 4, 2.5], [8, 6, 3.2])
    absorption, order = pra.inverse_sabine(float(rng.uniform(0.25, 0.5)), size)
    box = pra.ShoeBox(size, fs=RATE, materials=pra.Material(absorption), max_order=min(order, 12))
    middle = np.array([size[0] / 2, size[1] / 2, 1.2])
    turns = rng.uniform(0, 2 * np.pi) + 2 * np.pi / mics * np.arange(mics)
    mouths = middle + np.stack(
        [0.8 * np.cos(turns), 0.8 * np.sin(turns), rng.uniform(-0.1, 0.1, mics)], axis=1
    )
    for mouth in mouths:
        box.add_source(mouth)
    for mouth in mouths:
        box.add_microphone(mouth + rng.uniform(0.15, 0.3) * (middle - mouth) / 0.8)
    box.compute_rir()
    voices = []
    for k in range(mics):
        voice = speech((seed + k) % 5, seconds + 30, rng, fetch=fetch)
        if voice is None:
            sys.exit("no speech at hand: run with --fetch")
        # Pauses are cut out: nobody is ever alone.
        frames = voice[: len(voice) // 400 * 400].reshape(-1, 400)
        loud = np.sqrt(np.mean(frames**2, axis=1)) > 0.05 * np.std(voice)
        voices.append(resample_poly(frames[loud].ravel(), RATE // LOW_RATE, 1))
    shortest = min(n, *(len(voice) for voice in voices))
    voices = [0.05 * voice[:shortest] / np.std(voice[:shortest]) for voice in voices]
    if together:
        ridden = np.repeat(10 ** (rng.uniform(-20, 0, int(seconds / 0.3) + 2) / 20), int(0.3 * RATE))[
            :shortest
        ]
        voices = [0.05 * ridden * rng.standard_normal(shortest) for _ in voices]
    heard = np.array(
        [[fftconvolve(voices[s], box.rir[m][s])[:shortest] for s in range(mics)] for m in range(mics)]
    )
    heard[rng.integers(1, mics)] *= rng.choice([-1.0, 1.0])
    return heard, 1e-5 * rng.standard_normal((mics, shortest))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=6)
    parser.add_argument("--from", type=int, default=0, dest="first")
    parser.add_argument("--seconds", type=float, default=40.0)
    parser.add_argument("--split", choices=["development", "report"], default="report")
    parser.add_argument("--mics", type=int, default=3, choices=range(3, 6))
    parser.add_argument("--together", action="store_true")
    parser.add_argument("--fetch", action="store_true")
    options = parser.parse_args()
    commit = subprocess.run(
        ["git", "describe", "--always", "--dirty"], capture_output=True, text=True, check=False
    )
    print(f"{time.strftime('%Y-%m-%d')}, commit {commit.stdout.strip()}, {options.split}")
    print("take | octaves told | leaks: mean, worst dB, in 2 sigma | flips: the same | advised")
    kept: tuple[list, list] = ([], [])
    first = {"development": 1000, "report": 0}[options.split] + options.first
    for seed in range(first, first + options.seeds):
        heard, noise = parts(
            seed, options.seconds, options.mics, fetch=options.fetch, together=options.together
        )
        tracks = dict(zip(NAMES, (heard.sum(axis=1) + noise).astype(np.float32), strict=False))
        found = analyse_several(ArrayRecording(tracks, RATE))
        if found.reason != "found":
            print(f"{seed} | {found.reason}", flush=True)
            continue
        level = np.array([[levels_db(part) for part in row] for row in heard])
        leaks = []
        for one in found.leaks:
            m, s = NAMES.index(one.mic), NAMES.index(one.source)
            true = level[m, m] - level[m, s]
            leaks += [
                (one.isolation_db[i] - true[i], one.isolation_std_db[i])
                for i in OCTAVES
                if one.isolation_db[i] is not None
            ]
        flips, told = [], np.array(found.told)
        for m, option in enumerate(found.flipped):
            for s, voice in enumerate(tracks):
                turned = heard[:, s].sum(axis=0) - 2 * heard[m, s]
                true = levels_db(turned) - levels_db(heard[:, s].sum(axis=0))
                flips += [
                    (option.change_db[voice][i] - true[i], option.change_std_db[voice][i])
                    for i in OCTAVES
                    if told[s, i]
                ]
        row = []
        for into, values in zip(kept, (leaks, flips), strict=True):
            into.extend(values)
            row.append(_figures(values))
        advised = "-"
        if found.advised is not None:
            delays = ", ".join(f"{name} {late:.2f} ms" for name, late in found.advised.delays_ms.items())
            advised = (
                f"flip {', '.join(found.advised.flips) or 'none'}; {delays or 'no delay'}; "
                f"{found.advised.overall_gain_db:+.1f} ± {found.advised.overall_gain_std_db:.1f} dB said, "
                f"{_gain_db(heard, found.advised):+.1f} by the parts"
            )
        print(
            f"{seed} | {told[:, OCTAVES].sum()} of {options.mics * len(OCTAVES)} | "
            f"{' | '.join(row)} | {advised}",
            flush=True,
        )
    if kept[0]:
        print(f"all | {_figures(kept[0])} of {len(kept[0])} | {_figures(kept[1])} of {len(kept[1])}")


def _figures(values: list) -> str:
    if not values:
        return "-"
    away, std = np.abs(np.array(values)).T
    return f"{away.mean():.2f}, {away.max():.2f}, {np.mean(away < 2 * std):.0%}"


def _gain_db(heard: np.ndarray, setting) -> float:
    """Isolation of the first voice under a setting, against as recorded, by the parts (octaves scored)."""
    from polaritykit.base.octaves import a_weight_power

    weight = a_weight_power(np.array(OCTAVES_HZ))[list(OCTAVES)]

    def isolation_db(mics: np.ndarray) -> float:
        power = [
            10 ** (levels_db(mics[:, s].sum(axis=0))[list(OCTAVES)] / 10) @ weight for s in range(len(mics))
        ]
        return float(10 * np.log10(power[0] / sum(power[1:])))

    moved = heard.copy()
    for m, name in enumerate(NAMES[: len(heard)]):
        late = round(setting.delays_ms.get(name, 0.0) * RATE / 1000)
        moved[m] = np.roll(moved[m], late, axis=1) * (-1.0 if name in setting.flips else 1.0)
    return isolation_db(moved) - isolation_db(heard)


if __name__ == "__main__":
    main()
