"""The sign of recorded voices, upright and in rooms, and of what is no voice.

Run from the checkout: ``python tests/benchmarks/voices.py`` (``--fetch`` gets the packages).  Nobody states
the polarity of these recordings: what can be checked is that one speaker's messages agree.
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
from shared_data import shared_data_dir

from polaritykit.evidence.voice_sign import voice_sign
from polaritykit.sustained.whitened import LOW_RATE_HZ as RATE
from polaritykit.sustained.whitened import low_rate


def read(paths: list[Path]) -> list[np.ndarray]:
    """All that are longer than two seconds, at the low rate."""
    import soundfile

    found = []
    for path in paths:
        raw = {"samplerate": 16000, "channels": 1, "subtype": "PCM_16"} if path.suffix == ".raw" else {}
        x, rate = soundfile.read(path, dtype="float32", always_2d=True, **raw)
        if len(x) > 2 * rate:
            found.append(low_rate([x[:, 0]], rate))
    return found


def files(package: str, pattern: str, *, fetch: bool) -> list[Path]:
    """Files of a package, where it is at hand."""
    folder = packages.unpacked(package, fetch=fetch)
    return sorted(folder.rglob(pattern)) if folder else []


def in_room(x: np.ndarray, rng: np.random.Generator, *, distance_m: float, rt60_s: float) -> np.ndarray:
    """Return the voice at a mic that far away in a shoebox room."""
    import pyroomacoustics as pra
    from scipy.signal import fftconvolve

    size = rng.uniform([5, 4, 2.6], [8, 6, 3.2])
    absorption, order = pra.inverse_sabine(rt60_s, size)
    box = pra.ShoeBox(size, fs=RATE, materials=pra.Material(absorption), max_order=min(order, 17))
    source = rng.uniform([2, 1.8, 1.2], [3, 2.2, 1.6])
    box.add_source(source)
    aim = rng.uniform(0, 2 * np.pi)
    box.add_microphone(source + distance_m * np.array([np.cos(aim), np.sin(aim), 0.0]))
    box.compute_rir()
    return fftconvolve(x, box.rir[0][0])[: len(x)].astype(np.float32)


def row(name: str, takes: list[np.ndarray]) -> None:
    """Print one group."""
    found = [voice_sign(x) for x in takes]
    given = [f for f in found if f.sign is not None]
    plus = sum(f.sign == 1 for f in given)
    least = min((abs(f.figure) for f in given), default=0.0)
    reasons = [f.reason for f in found]
    print(
        f"{name} | {len(found)} | {plus} | {len(given) - plus} | {reasons.count('unclear')} | "
        f"{reasons.count('no_voice')} | {least:.2f}",
        flush=True,
    )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fetch", action="store_true")
    options = parser.parse_args()
    commit = subprocess.run(
        ["git", "describe", "--always", "--dirty"], capture_output=True, text=True, check=False
    )
    print(f"{time.strftime('%Y-%m-%d')}, commit {commit.stdout.strip()}")
    print("takes | number | +1 | -1 | unclear | no voice | least figure given")
    rows = {}
    for language in ("en", "es", "fr", "it", "ru"):
        package = f"asterisk-core-sounds-{language}-wav"
        rows[f"one speaker, {language}"] = read(files(package, "*.wav", fetch=options.fetch))
    sphinx = "pocketsphinx-testdata"
    for name, pattern in (("device 1", "cards/*.wav"), ("device 2", "librivox/*.wav"), ("device 3", "*.raw")):
        rows[name] = read(files(sphinx, pattern, fetch=options.fetch))
    for name, takes in rows.items():
        row(name, takes)
    upright = [x for name in ("device 1", "device 2") for x in rows[name]]
    for distance in (0.08, 0.3, 0.8, 1.5):
        for rt60 in (0.25, 0.5):
            rng = np.random.default_rng([int(100 * distance), int(100 * rt60)])
            takes = [in_room(x, rng, distance_m=distance, rt60_s=rt60) for x in upright]
            row(f"devices 1, 2 at {distance:g} m, {rt60:g} s", takes)
    row("instruments, loops", read(files("sonic-pi-samples", "*.flac", fetch=options.fetch)))
    music = read(files("asterisk-moh-opsound-wav", "*.wav", fetch=options.fetch))
    row("music", [part for x in music for part in np.array_split(x, 8)])
    base = shared_data_dir()
    if base is not None:
        row("saxophone", read(sorted((base / "sax").glob("*.flac"))))


if __name__ == "__main__":
    main()
