"""What `polaritykit check` takes of time, memory and page for sessions of very many tracks.

A session holds a few kits (struck sources heard late and quieter by eight mics each), a few groups of mics on
one sustained sound, and else tracks that share nothing: noises of several colours and music of random notes.
Each check is a process of its own, so that start-up, imports and the report are paid for and peak memory is
its own.  The audio is made from a fixed seed and kept in the cache folder.

Run: ``python tests/benchmarks/many_tracks.py --sizes 255x0.2 200x2`` (tracks x seconds); with ``256x60`` when
left out.
"""

import argparse
import json
import sys
import tempfile
from pathlib import Path

import numpy as np
from speed import CORES, measure

RATE = 48_000
#: Mics of one kit, and of one group on a sustained sound.
KIT, GROUP = 8, 4
#: Tracks of each 64: two kits of eight and four groups of four leave half of them by themselves.
KITS_OF_64, GROUPS_OF_64 = 2, 4
HIT_S = 0.4


def make_session(folder: Path, n_tracks: int, seconds: float) -> None:
    """Write one 24-bit file per track, unless they are there already."""
    import soundfile

    n = round(seconds * RATE)
    paths = [folder / f"{number:03d}_mic.wav" for number in range(1, n_tracks + 1)]
    if all(path.exists() and soundfile.info(path).frames == n for path in paths):
        return
    folder.mkdir(parents=True, exist_ok=True)
    for path, samples in zip(paths, mixture(n_tracks, n), strict=True):
        soundfile.write(path, samples, RATE, subtype="PCM_24")


def mixture(n_tracks: int, n: int, seed: int = 30):
    """Yield the tracks of one session."""
    rng = np.random.default_rng(seed)
    kits = [KIT] * round(KITS_OF_64 * n_tracks / 64)
    groups = [GROUP] * round(GROUPS_OF_64 * n_tracks / 64)
    for number in range(len(kits)):
        yield from kit(np.random.default_rng([seed, 1, number]), n)
    for number in range(len(groups)):
        yield from group(np.random.default_rng([seed, 2, number]), n)
    for number in range(n_tracks - sum(kits) - sum(groups)):
        own = np.random.default_rng([seed, 3, number])
        yield music(own, n) if number % 2 else noise(own, n, colour=float(rng.uniform(0.0, 0.9)))


def kit(rng: np.random.Generator, n: int):
    """Yield eight mics of as many drums: each near to one, metres from the others."""
    time_s = np.arange(round(HIT_S * RATE)) / RATE
    hits = [
        np.exp(-time_s / decay_s) * (np.sin(2 * np.pi * hz * time_s) + 0.5 * rng.standard_normal(len(time_s)))
        for hz, decay_s in zip(np.geomspace(55, 700, KIT), np.geomspace(0.2, 0.03, KIT), strict=True)
    ]
    starts = np.cumsum(rng.choice([6000, 12_000, 18_000], size=n // 6000 + 1))
    score = [(int(start), int(rng.integers(KIT))) for start in starts if start < n]
    for mic in range(KIT):
        delays = rng.integers(60, 600, size=KIT)
        delays[mic] = 10
        track = 1e-4 * rng.standard_normal(n + len(time_s) + 600)
        for start, drum in score:
            gain = min(0.5, 30.0 / delays[drum]) if drum != mic else 0.5
            first = start + delays[drum]
            track[first : first + len(time_s)] += gain * hits[drum]
        yield track[:n].clip(-0.99, 0.99).astype(np.float32)


def group(rng: np.random.Generator, n: int):
    """Yield four mics on one sustained sound, some of them turned over, each with its own noise."""
    sound = noise(rng, n + 600, colour=0.7) + music(rng, n + 600)
    for _ in range(GROUP):
        late, sign = int(rng.integers(0, 600)), int(rng.choice([-1, 1]))
        own = 0.02 * rng.standard_normal(n)
        yield (0.5 * sign * sound[600 - late : 600 - late + n] + own).clip(-0.99, 0.99).astype(np.float32)


def noise(rng: np.random.Generator, n: int, *, colour: float) -> np.ndarray:
    """Noise through a one-pole low pass."""
    from scipy.signal import lfilter

    made = lfilter([1.0 - colour], [1.0, -colour], rng.standard_normal(n))
    return (0.1 * made / made.std()).astype(np.float32)


def music(rng: np.random.Generator, n: int) -> np.ndarray:
    """Play notes of the equal temperament, four harmonics each, with attacks and decays."""
    track = np.zeros(n + RATE)
    time_s = np.arange(RATE) / RATE
    envelope = np.minimum(time_s / 0.02, 1.0) * np.exp(-time_s / 0.3)
    at = 0
    while at < n:
        hz = 440.0 * 2.0 ** (int(rng.integers(-24, 24)) / 12.0)
        phases = rng.uniform(0, 2 * np.pi, 4)
        note = sum(np.sin(2 * np.pi * hz * k * time_s + p) / k for k, p in enumerate(phases, start=1))
        track[at : at + RATE] += 0.1 * envelope * note
        at += int(rng.choice([6000, 12_000, 24_000]))
    return (track[:n] + 1e-4 * rng.standard_normal(n)).astype(np.float32)


def one_size(folder: Path, n_tracks: int, seconds: float) -> list[str]:
    """Check one session and return what it took."""
    make_session(folder, n_tracks, seconds)
    with tempfile.TemporaryDirectory() as out:
        command = [sys.executable, "-m", "polaritykit", "check", str(folder), "--overwrite", "--out", out]
        wall_s, cpu_s, peak_mb = measure(command)
        report = json.loads((Path(out) / "report.json").read_text())
        sizes = [(Path(out) / name).stat().st_size / 1e6 for name in ("report.html", "report.json")]
    counts = report["summary"]["counts"]
    figures = [f"{wall_s:.1f}", f"{cpu_s:.1f}", f"{peak_mb:.0f}", *(f"{size:.1f}" for size in sizes)]
    return [str(n_tracks), f"{seconds:g}", str(counts["pairs"]), str(counts["related"]), *figures]


def main() -> None:
    """Print one row per size."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument(
        "--sizes", nargs="+", default=["255x0.2", "200x2", "256x60"], metavar="TRACKSxSECONDS"
    )
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "polaritykit_many")
    parser.add_argument("--markdown", action="store_true", help="write the table of DEVELOPERS.md")
    options = parser.parse_args()
    from tables import commit, write_table  # beside this program

    header = [
        "tracks",
        "seconds",
        "pairs",
        "related",
        "wall s",
        "processor s",
        "peak MB",
        "page MB",
        "JSON",
    ]
    print(f"{CORES} cores, commit {commit()}; 48 kHz, 24-bit WAV; start-up and report included")
    print(" ".join(f"{name:>11}" for name in header))
    rows = []
    for size in options.sizes:
        n_tracks, seconds = size.split("x")
        rows.append(one_size(options.cache / size, int(n_tracks), float(seconds)))
        print(" ".join(f"{cell:>11}" for cell in rows[-1]), flush=True)
    if options.markdown:
        words = " ".join(word for word in sys.argv[1:] if word != "--markdown")
        write_table("many", f"python tests/benchmarks/many_tracks.py {words}".strip(), header, rows)


if __name__ == "__main__":
    main()
