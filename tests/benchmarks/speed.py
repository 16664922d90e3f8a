"""How long `polaritykit check` takes, against two references measured in the same run.

floor
    every file decoded once and one windowed real Fourier transform per block, on all cores: no program
    that looks at the whole take once can be faster.
naive
    ``scipy.signal.correlate`` of every pair over the whole take, one after the other; measured on a few
    pairs and scaled to all of them (said in the table).

Each measurement is a process of its own, so that start-up, imports and the report are paid for and peak
memory is its own.  Floor and check are measured in turns, for a machine's speed moves within minutes; told is
the pair of runs whose ratio is the middle one.  Modules are compiled before, as an installation does it,
whatever this environment says of bytecode: it lies in the cache folder, and one short check that is not
counted writes it.  The audio (hits of eight sources heard late and quieter by every track, over noise) is
made from a fixed seed and kept in the cache folder; the first run after that reads it from a warm disk.

Run: ``python tests/benchmarks/speed.py --sizes 8x1 8x60`` (tracks x minutes); 24x10, 24x1 and 48x1 when
left out.
"""

import argparse
import itertools
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

RATE = 48_000
FRAME = 4096
#: Samples per track and turn.
BLOCK = 64 * FRAME
HIT_S = 0.5
CORES = os.cpu_count() or 1
BYTECODE = Path(tempfile.gettempdir()) / "polaritykit_bytecode"


def make_session(folder: Path, n_tracks: int, minutes: float, rate: int = RATE) -> None:
    """Write one 24-bit file per track, unless they are there already."""
    import soundfile

    n_samples, hit_samples = int(minutes * 60 * rate), int(HIT_S * rate)
    paths = [folder / f"{number:02d}_mic.wav" for number in range(1, n_tracks + 1)]
    if all(path.exists() and soundfile.info(path).frames == n_samples for path in paths):
        return
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(20)
    time_s = np.arange(hit_samples) / rate
    hits = [
        np.exp(-time_s / decay_s) * (np.sin(2 * np.pi * hz * time_s) + 0.5 * rng.standard_normal(hit_samples))
        for hz, decay_s in zip(
            (55, 90, 130, 190, 270, 350, 480, 700), np.geomspace(0.2, 0.03, 8), strict=True
        )
    ]
    starts = np.cumsum(rng.choice([rate // 8, rate // 4, rate * 3 // 8], size=8 * n_samples // rate + 1))
    score = [(int(start), int(rng.integers(8))) for start in starts if start < n_samples - 2 * hit_samples]
    room = np.random.default_rng(21).standard_normal(4 * BLOCK).astype(np.float32) * 1e-4
    for number, path in enumerate(paths):
        delays = rng.integers(20, 600, size=8)
        delays[number % 8] = 10
        gains = np.where(delays == 10, 0.5, 30.0 / delays).clip(max=0.5)
        heard = [(gain * hit).astype(np.float32) for gain, hit in zip(gains, hits, strict=True)]
        with soundfile.SoundFile(path, "w", rate, 1, "PCM_24") as file:
            for block in _track_blocks(
                n_samples, score=score, heard=heard, delays=delays, room=room, rng=rng
            ):
                file.write(block)


def _track_blocks(n_samples, *, score, heard, delays, room, rng) -> Iterator[np.ndarray]:
    """Noise with the hits of the score added, block by block."""
    ahead = np.zeros(0, np.float32)
    todo = iter(score)
    event = next(todo, None)
    for start in range(0, n_samples, BLOCK):
        stop = min(start + BLOCK, n_samples)
        shift = int(rng.integers(3 * BLOCK))
        sound = np.zeros(stop - start + len(heard[0]) + 1000, np.float32)
        sound[: len(ahead)] += ahead
        sound[: stop - start] += room[shift : shift + stop - start]
        while event is not None and event[0] < stop:
            first = event[0] - start + delays[event[1]]
            sound[first : first + len(heard[0])] += heard[event[1]]
            event = next(todo, None)
        ahead = sound[stop - start :]
        yield sound[: stop - start].clip(-0.99, 0.99)


def run_floor(folder: Path) -> None:
    """Decode each file once, one windowed real transform per frame; files shared out to the cores."""
    import soundfile
    from scipy import fft, signal

    window = signal.get_window("hann", FRAME).astype(np.float32)

    def one(path: Path) -> None:
        for block in soundfile.blocks(path, BLOCK, dtype="float32"):
            frames = block[: len(block) // FRAME * FRAME].reshape(-1, FRAME)
            fft.rfft(frames * window, axis=-1)

    with ThreadPoolExecutor(CORES) as threads:
        list(threads.map(one, sorted(folder.glob("*.wav"))))


def run_naive(folder: Path, n_pairs: int) -> None:
    """Correlate the first pairs over the whole take."""
    import soundfile
    from scipy import signal

    pairs = itertools.combinations(sorted(folder.glob("*.wav")), 2)
    for a, b in itertools.islice(pairs, n_pairs):
        x, y = (soundfile.read(path, dtype="float32")[0] for path in (a, b))
        signal.correlate(y, x, method="fft")


def memory_mb(pid: int) -> float:
    """Memory of a process and the copies it made, pages that several share counted once; 0 where not told."""
    told = 0.0
    try:
        others = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        for one in (str(pid), *others):
            lines = Path(f"/proc/{one}/smaps_rollup").read_text().splitlines()
            told += sum(float(line.split()[1]) for line in lines if line.startswith("Pss:")) / 1024
    except OSError:  # one has just ended, or the system does not tell
        return 0.0
    return told


def measure(command: list[str], bytecode: Path = BYTECODE) -> tuple[float, float, float]:
    """Wall seconds, CPU seconds and peak memory in MB of one process, its modules compiled in a folder.

    Memory is the largest of what the process itself held at any time, and, twice a second, it and its copies.
    """
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    environment["PYTHONPYCACHEPREFIX"] = str(bytecode)
    begin = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, env=environment)
    ended, together_mb = threading.Event(), [0.0]

    def watch() -> None:
        while not ended.wait(0.5):
            together_mb.append(memory_mb(process.pid))

    watching = threading.Thread(target=watch)
    watching.start()
    said = process.stderr.read().decode()
    _, status, usage = os.wait4(process.pid, 0)
    wall_s = time.perf_counter() - begin
    ended.set()
    watching.join()
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in (0, 3):
        sys.exit(f"failed with exit code {process.returncode}: {' '.join(command)}\n{said}")
    return wall_s, usage.ru_utime + usage.ru_stime, max(usage.ru_maxrss / 1024, *together_mb)


def main() -> None:
    """Print one table row per size and program."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument(
        "--sizes",
        nargs="+",
        default=["24x10", "24x1", "48x1"],
        metavar="TRACKSxMINUTES",
        help="what to check",
    )
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "polaritykit_speed")
    parser.add_argument("--naive-pairs", type=int, default=1, help="pairs to correlate; 0 leaves it out")
    parser.add_argument(
        "--repeat", type=int, default=1, help="runs of floor and check, in turns; the middle ratio counts"
    )
    parser.add_argument("--only-references", action="store_true", help="leave `check` itself out")
    parser.add_argument("--markdown", action="store_true", help="write the table of DEVELOPERS.md")
    parser.add_argument("--worker", nargs=2, metavar=("KIND", "FOLDER"), help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.worker:
        kind, folder = options.worker
        run_floor(Path(folder)) if kind == "floor" else run_naive(Path(folder), options.naive_pairs)
        return
    from tables import commit, write_table  # beside this program

    print(f"{CORES} cores, commit {commit()}; 48 kHz, 24-bit WAV; start-up and report included")
    print(
        f"{'tracks':>6} {'min':>5}  {'what':<24} {'wall s':>8} {'CPU s':>8} {'peak MB':>8} "
        f"{'x floor':>8} {'CPU x':>6}"
    )
    rows: list[list[str]] = []
    for size in options.sizes:
        n_tracks, minutes = size.split("x")
        rows += _one_size(options, int(n_tracks), float(minutes))
    if options.markdown:
        words = " ".join(word for word in sys.argv[1:] if word != "--markdown")
        header = [
            "tracks",
            "minutes",
            f"on {CORES} cores",
            "wall s",
            "processor s",
            "peak MB",
            "× floor",
            "× its processor s",
        ]
        write_table("speed", f"python tests/benchmarks/speed.py {words}".strip(), header, rows)


def _one_size(options, n_tracks: int, minutes: float) -> list[list[str]]:
    rows: list[list[str]] = []
    session = options.cache / f"{n_tracks}x{minutes:g}"
    make_session(session, n_tracks, minutes)
    bytecode = options.cache / "bytecode"
    this = [sys.executable, __file__, "--naive-pairs", str(options.naive_pairs), "--worker"]

    def row(what: str, figures: tuple[float, float, float]) -> None:
        wall_s, cpu_s, peak_mb = figures
        print(
            f"{n_tracks:>6} {minutes:>5g}  {what:<24} {wall_s:>8.2f} {cpu_s:>8.2f} {peak_mb:>8.0f} "
            f"{wall_s / floor[0]:>8.2f} {cpu_s / floor[1]:>6.2f}",
            flush=True,
        )
        figures_told = [
            f"{wall_s:.2f}",
            f"{cpu_s:.2f}",
            f"{peak_mb:.0f}",
            f"{wall_s / floor[0]:.2f}",
            f"{cpu_s / floor[1]:.2f}",
        ]
        rows.append([str(n_tracks), f"{minutes:g}", what, *figures_told])

    least = [*this, "floor", str(session)]
    measure(least, bytecode)  # fills the disk cache
    if options.only_references:
        floor = min(measure(least, bytecode) for _ in range(options.repeat))
        row("floor", floor)
    else:
        make_session(options.cache / "2x0.5", 2, 0.5)
        with tempfile.TemporaryDirectory() as out:
            check = [sys.executable, "-m", "polaritykit", "check", "--overwrite", "--out", out]
            measure([*check, str(options.cache / "2x0.5")], bytecode)  # compiles what is imported
            pairs = [
                (measure(least, bytecode), measure([*check, str(session)], bytecode))
                for _ in range(options.repeat)
            ]
        pairs.sort(key=lambda pair: pair[1][0] / pair[0][0])
        floor, checked = pairs[len(pairs) // 2]
        row("floor", floor)
        row("check", checked)
        lowest, highest = (pair[1][0] / pair[0][0] for pair in (pairs[0], pairs[-1]))
        print(f"{len(pairs)} pairs, x floor {lowest:.2f} to {highest:.2f}", flush=True)
    if options.naive_pairs:
        n_pairs = n_tracks * (n_tracks - 1) // 2
        wall_s, cpu_s, peak_mb = measure([*this, "naive", str(session)], bytecode)
        scale = n_pairs / options.naive_pairs
        row(
            f"naive ({options.naive_pairs} of {n_pairs}, scaled)",
            (wall_s * scale, cpu_s * scale, peak_mb),
        )
    return rows


if __name__ == "__main__":
    main()
