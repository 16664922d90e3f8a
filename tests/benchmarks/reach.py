"""Takes of two recorders that did not start together: found, wrong, and how near; and unrelated takes.

Run from the checkout: ``python tests/benchmarks/reach.py``.  The second recorder stands elsewhere in a
simulated room (pyroomacoustics, where installed), is narrow in band, noisy, rides its level, starts at
another time and has another clock.  Sounds: spoken messages and music that ship as packages (``--fetch`` gets
them), drums of the shared recordings, loops and strict grids made of them.  A *wrong* match is given and more
than 50 ms off (a reflection is not: the fine estimate follows), or is given between unrelated takes.
``--only long`` lines up two takes of half an hour from their files, reading included (``--minutes``).
"""

# ruff: noqa: E402 - the folders of this checkout have to be found first

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

sys.path[:0] = [
    str(Path(__file__).parent),
    str(Path(__file__).parents[1] / "support"),
    str(Path(__file__).parents[2]),
]

import sessions_packages as packages
from sessions_kit import kit_session

from polaritykit.sustained.coarse import coarse_match
from polaritykit.sustained.whitened import LOW_RATE_HZ as RATE
from polaritykit.sustained.whitened import low_rate

MESSAGES = tuple(f"asterisk-core-sounds-{language}-wav" for language in ("en", "es", "fr", "it", "ru"))
MUSIC = "asterisk-moh-opsound-wav"


@dataclass(frozen=True)
class Case:
    """Two takes, and where the second lies: None where nothing is shared."""

    group: str
    first: np.ndarray
    second: np.ndarray
    #: Of the sound in the first take to the second, at the first take's start; and growth.
    offset_s: float | None
    drift_ppm: float = 0.0


def speech(speaker: int, seconds: float, rng: np.random.Generator, *, fetch: bool) -> np.ndarray | None:
    """Messages of one speaker one after the other, each once."""
    import soundfile

    folder = packages.unpacked(MESSAGES[speaker], fetch=fetch)
    if folder is None:
        return None
    paths = sorted(p for p in folder.rglob("*.wav") if soundfile.info(p).duration > 2.0)
    parts, total = [], 0
    for k in rng.permutation(len(paths)):
        x, rate = soundfile.read(paths[k], dtype="float32")
        assert rate == RATE
        parts += [x / (np.abs(x).max() + 1e-9), np.zeros(int(rng.uniform(0.2, 0.9) * RATE), np.float32)]
        total += len(parts[-1]) + len(parts[-2])
        if total > seconds * RATE:
            break
    return np.concatenate(parts)[: int(seconds * RATE)]


def music(*, fetch: bool) -> list[np.ndarray]:
    """Five pieces of music, minutes long."""
    import soundfile

    folder = packages.unpacked(MUSIC, fetch=fetch)
    if folder is None:
        return []
    found = []
    for path in sorted(folder.rglob("*.wav")):
        x, rate = soundfile.read(path, dtype="float32")
        assert rate == RATE
        found.append(x)
    return found


def drums(seed: int, seconds: float, *, split: str = "all") -> np.ndarray:
    """Played drums, an overhead mic, bars that are not alike."""
    session = kit_session(seed, split=split, seconds=seconds, mics=("oh_left",), flips=False, delays=False)
    [x] = session.tracks.values()
    return low_rate([x], session.sample_rate_hz)


def grid(seed: int, seconds: float, *, bars: int = 1) -> np.ndarray:
    """Make a drum machine: the same few strokes of a real kit at the same steps, bar after bar."""
    rng = np.random.default_rng([seed, 77])
    strokes = drums(seed, 8.0)
    step = RATE // 8
    bar = np.zeros(bars * 16 * step + RATE, np.float32)
    for _ in range(9 * bars):
        at = int(rng.integers(0, 16 * bars)) * step
        piece = strokes[(start := int(rng.integers(0, 7)) * RATE) : start + RATE // 2]
        bar[at : at + len(piece)] += piece
    loop = bar[: 16 * bars * step]
    return np.tile(loop, int(seconds * RATE / len(loop)) + 1)[: int(seconds * RATE)]


def hum(seconds: float, rng: np.random.Generator) -> np.ndarray:
    """Mains harmonics to 2 kHz."""
    t = np.arange(int(seconds * RATE)) / RATE
    return sum(
        rng.uniform(0.2, 1) / k * np.sin(2 * np.pi * 50 * k * t + rng.uniform(0, 6.3)) for k in range(1, 40)
    ).astype(np.float32)


def on_clock(x: np.ndarray, ppm: float) -> np.ndarray:
    """Record the take with a clock that runs faster by so many millionths: band-limited interpolation."""
    import soxr

    up = 16
    fine = soxr.resample(x.astype(np.float64), RATE, RATE * up, quality="HQ")
    at = np.arange(int(len(x) * (1 + 1e-6 * ppm)) - 1) / (1 + 1e-6 * ppm) * up
    return np.interp(at, np.arange(len(fine)), fine).astype(np.float32)


def room(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, float] | None:
    """Responses of a room to a near and a far mic, and how much later the far one hears, s."""
    try:
        import pyroomacoustics as pra
    except ImportError:
        return None
    size = rng.uniform([4, 4, 2.5], [9, 7, 3.5])
    absorption, order = pra.inverse_sabine(float(rng.uniform(0.25, 0.6)), size)
    box = pra.ShoeBox(size, fs=RATE, materials=pra.Material(absorption), max_order=min(order, 12))
    source = rng.uniform([1, 1, 1.2], size - 1)
    box.add_source(source)
    near, far = source + np.array([0.3, 0.1, 0.1]), rng.uniform([0.5, 0.5, 1.0], size - 0.5)
    box.add_microphone_array(np.stack([near, far], axis=1))
    box.compute_rir()
    travel = (np.linalg.norm(far - source) - np.linalg.norm(near - source)) / box.c
    return box.rir[0][0], box.rir[1][0], float(travel)


def second_device(x: np.ndarray, rng: np.random.Generator, *, snr_db: float) -> np.ndarray:
    """Narrow in band (zero phase: the truth stays where it is), its level ridden, noisy."""
    from scipy import signal

    x = signal.sosfiltfilt(signal.butter(1, [300, 3000], "bandpass", fs=RATE, output="sos"), x)
    level = np.sqrt(signal.lfilter([1e-4], [1, -(1 - 1e-4)], x**2) + 1e-3 * np.mean(x**2))
    x = x / level
    return (x + 10 ** (-snr_db / 20) * np.std(x) * rng.standard_normal(len(x))).astype(np.float32)


def recorded(
    group: str, sound: np.ndarray, rng: np.random.Generator, *, snr_db: float, ppm: float, shared_s: float
) -> Case:
    """One sound through both devices, the second started later or earlier, `shared_s` together."""
    from scipy import signal

    responses = room(rng)
    near = signal.fftconvolve(sound, responses[0])[: len(sound)] if responses else sound
    far = signal.fftconvolve(sound, responses[1])[: len(sound)] if responses else sound
    travel = responses[2] if responses else 0.0
    late = len(sound) - int(shared_s * RATE)
    if rng.random() < 0.5:
        first, second, offset = near, far[late:], -late / RATE
    else:
        first, second, offset = near[late:], far, late / RATE
    second = on_clock(second_device(second, rng, snr_db=snr_db), ppm)
    noisy = first + 1e-3 * np.std(first) * rng.standard_normal(len(first))
    offset = (offset + travel) * (1 + 1e-6 * ppm)
    return Case(group, noisy.astype(np.float32), second, offset, ppm)


def related_cases(seeds: range, *, fetch: bool, longest_s: float = 180.0) -> Iterator[Case]:
    """Record the same sound on two devices."""
    songs = music(fetch=fetch)
    for seed in seeds:
        for kind in ("speech", "music", "drums"):
            rng = np.random.default_rng([seed, *kind.encode()])
            seconds = float(rng.uniform(longest_s / 3, longest_s))
            if kind == "speech":
                sound = speech(seed % len(MESSAGES), seconds, rng, fetch=fetch)
            elif kind == "music":
                sound = songs[seed % len(songs)][: int(seconds * RATE)] if songs else None
            else:
                sound = drums(seed, seconds)
            if sound is None:
                continue
            seconds = len(sound) / RATE
            ppm = float(rng.choice([0, 12, -40, 100, -200, 200]))
            shared = float(rng.choice([30.0, seconds / 2, seconds - 2.1, seconds - 0.3]))
            snr = float(rng.choice([20, 10, 5]))
            yield recorded(kind, sound, rng, snr_db=snr, ppm=ppm, shared_s=shared)


def trap_cases(seeds: range, *, fetch: bool) -> Iterator[Case]:
    """Make what fits in several places, and what shares nothing, or hum only."""
    from scipy import signal

    songs = music(fetch=fetch)
    for seed in seeds:
        rng = np.random.default_rng([seed, 99])
        yield recorded(
            "loop, both devices", grid(seed, 60, bars=1 + seed % 4), rng, snr_db=15, ppm=20.0, shared_s=40
        )
        yield Case("two grids of one kit", grid(seed, 50), grid(seed + 1000, 50), None)
        a, b = grid(seed, 50), grid(seed, 50, bars=2)
        yield Case("two patterns of one kit", a, b, None)
        a, b = drums(seed, 40, split="development"), drums(seed + 500, 40, split="report")
        yield Case("drums, two takes", a, b, None)
        yield Case("drums, two takes of the same samples", drums(seed, 40), drums(seed + 500, 40), None)
        one = speech(seed % 5, 50, rng, fetch=fetch)
        other = speech((seed + 1 + seed // 5) % 5, 50, rng, fetch=fetch)
        if one is not None and other is not None:
            yield Case("two speakers", one, other, None)
            h = 0.3 * hum(50, rng)
            yield Case("two speakers and hum", one + h, other + h, None)
            responses = room(rng), room(rng)
            if responses[0] and responses[1]:
                apart = [
                    signal.fftconvolve(x, r[1])[: len(x)]
                    for x, r in zip((one, other), responses, strict=True)
                ]
                apart = [(x / np.std(x)).astype(np.float32) for x in apart]
                yield Case("two speakers in two rooms", apart[0], apart[1], None)
                # A foreign feed on a cable beside, 50 dB lower: it may only be found where it is.
                yield Case("crosstalk", apart[0], apart[1] + np.float32(10 ** (-50 / 20)) * apart[0], 0.0)
        if songs:
            i, k = seed % 5, (seed + 1 + seed // 5 % 4) % 5
            start = [int(rng.integers(0, len(songs[j]) - 50 * RATE)) for j in (i, k)]
            yield Case(
                "two songs", songs[i][start[0] :][: 50 * RATE], songs[k][start[1] :][: 50 * RATE], None
            )
            half = len(songs[i]) // 2
            yield Case("two halves of a song", songs[i][:half], songs[i][half:], None)
        noise = rng.standard_normal((2, 50 * RATE)).astype(np.float32)
        yield Case("two noises", noise[0], noise[1], None)
        yield Case("noise and hum", noise[0] + hum(50, rng), noise[1] + hum(50, rng), None)


def long_takes(minutes: float, folder: Path, *, fetch: bool) -> tuple[float, float]:
    """Write two takes of speech, music and drums in turn, in which nothing comes twice; start and drift."""
    import soundfile
    import soxr
    from scipy import signal

    rng = np.random.default_rng([7, round(minutes)])
    parts: list[np.ndarray] = []
    songs = [x for song in music(fetch=fetch) for x in np.array_split(song, 4)]
    wanted, total = int((minutes * 60 + 120) * RATE), 0
    for number in range(200):
        kind = number % 3
        if kind == 0:
            part = speech(number // 3 % len(MESSAGES), 60, np.random.default_rng(number), fetch=fetch)
        elif kind == 1:
            part = songs.pop() if songs else None
        else:
            part = drums(number, 60)
        if part is not None:
            parts.append(part / np.std(part))
            total += len(part)
        if total > wanted:
            break
    sound = np.concatenate(parts)[:wanted].astype(np.float64)
    late, ppm = 97.3, 18.0
    first, second = sound[: int(minutes * 60 * RATE)], sound[int(late * RATE) :]
    # Not of one length: such files are taken to share a clock.
    second = soxr.resample(second, 1.0, 1.0 + 1e-6 * ppm, quality="VHQ")[: int((minutes * 60 - 41) * RATE)]
    second = second_device(second, rng, snr_db=15)
    for name, x in (("first", first), ("second", second)):
        fine = signal.resample_poly(x, 6, 1)
        soundfile.write(folder / f"{name}.wav", 0.3 * fine / np.abs(fine).max(), 6 * RATE, subtype="PCM_24")
    return late, ppm


def end_to_end(minutes: float, *, fetch: bool) -> None:
    """Line up two long takes from their files, and tell how long it takes."""
    from polaritykit.recorders.open import open_lined_up

    with tempfile.TemporaryDirectory() as place:
        late_s, ppm = long_takes(minutes, Path(place), fetch=fetch)
        begun, clock = time.process_time(), time.perf_counter()
        session = open_lined_up([Path(place) / "first.wav", Path(place) / "second.wav"])
        spent, lasted = time.process_time() - begun, time.perf_counter() - clock
        found = [one for one in session.recorders if one.state == "found"]
        said = "not found"
        if found:
            away_ms, ppm_off = 1e3 * (found[0].start_s - late_s), found[0].drift_ppm - ppm
            said = f"start {away_ms:+.3f} ms off, drift {ppm_off:+.3f} ppm off"
        print(
            f"two takes of {minutes:g} min at 48 kHz: {said}; processor {spent:.1f} s, clock {lasted:.1f} s"
        )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--from", type=int, default=0, dest="first", help="first seed: runs in pieces")
    parser.add_argument("--only", choices=["related", "traps", "long"], help="one part of it")
    parser.add_argument("--longest", type=float, default=180.0, help="seconds of the longest related take")
    parser.add_argument("--minutes", type=float, default=30.0, help="length of the two long takes")
    parser.add_argument("--split", choices=["development", "report"], default="report")
    parser.add_argument("--fetch", action="store_true")
    parser.add_argument("--cases", action="store_true", help="print every case")
    options = parser.parse_args()
    first = {"development": 1000, "report": 0}[options.split] + options.first
    seeds = range(first, first + options.seeds)
    rows: dict[str, list[tuple]] = {}
    halves = {
        "related": partial(related_cases, seeds, fetch=options.fetch, longest_s=options.longest),
        "traps": partial(trap_cases, seeds, fetch=options.fetch),
    }
    for name, cases in halves.items():
        if options.only not in (None, name):
            continue
        for k, case in enumerate(cases()):
            begun = time.process_time()
            found = coarse_match(case.first, case.second)
            spent = time.process_time() - begun
            error = drift = None
            if found.reason == "found" and case.offset_s is not None:
                true = case.offset_s + 1e-6 * case.drift_ppm * found.middle_s
                error, drift = found.offset_s - true, found.drift_ppm - case.drift_ppm
            rows.setdefault(case.group, []).append((found, error, drift, spent))
            if options.cases:
                print(case.group, k, case.offset_s, case.drift_ppm, found, error, drift, flush=True)
    commit = subprocess.run(
        ["git", "describe", "--always", "--dirty"], capture_output=True, text=True, check=False
    )
    if options.only == "long":
        print(f"{time.strftime('%Y-%m-%d')}, commit {commit.stdout.strip()}")
        end_to_end(options.minutes, fetch=options.fetch)
        return
    print(
        f"{time.strftime('%Y-%m-%d')}, commit {commit.stdout.strip()}, {options.seeds} seeds from "
        f"{options.first}, {options.split}"
    )
    print("group | takes | found | wrong | several | nothing | error ms, median / worst | drift ppm | CPU s")
    all_wrong = 0
    for group, got in rows.items():
        errors = np.abs([e for _, e, _, _ in got if e is not None])
        drifts = np.abs([d for _, _, d, _ in got if d is not None])
        reasons = [f.reason for f, *_ in got]
        all_wrong += (wrong := sum(f.reason == "found" and (e is None or abs(e) > 0.05) for f, e, *_ in got))
        print(
            f"{group} | {len(got)} | {reasons.count('found')} | {wrong} | "
            f"{reasons.count('several_places')} | {reasons.count('nothing_shared')} | "
            + (
                f"{np.median(errors) * 1e3:.3f} / {errors.max() * 1e3:.3f} | {drifts.max():.2f}"
                if len(errors)
                else "- | -"
            )
            + f" | {np.mean([s for *_, s in got]):.1f}"
        )
    print(f"wrong matches: {all_wrong} of {sum(map(len, rows.values()))}")


if __name__ == "__main__":
    main()
