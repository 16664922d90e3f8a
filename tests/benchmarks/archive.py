"""Archives of many small sessions on a pool, killed and gone on with, on a cluster; what the machinery costs.

Run it as a program::

    python tests/benchmarks/archive.py                     # 40 sessions of two tracks each way
    python tests/benchmarks/archive.py --sessions 200
    python tests/benchmarks/archive.py --simulated 10000   # no audio: what finding, keeping and telling cost

The sessions' truth is known (every third one has its second track turned over), and all ways must give the
same records.
"""

import argparse
import json
import os
import resource
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

from polaritykit.commands.archive import write_archive
from polaritykit.jobs.archive.across import across
from polaritykit.jobs.archive.document import archive_document, badness
from polaritykit.jobs.archive.find import find_sessions
from polaritykit.jobs.archive.journal import journal, stored_records
from polaritykit.jobs.archive.pool import run_pool
from polaritykit.jobs.archive.records import PairRecord, SessionRecord, TrackRecord

RATE = 8000
SECONDS = 2


def shelf(root: Path, count: int) -> None:
    """Write sessions of two tracks; of every third the second is turned over."""
    for number in range(count):
        rng = np.random.default_rng(number)
        sound = 0.1 * rng.standard_normal(SECONDS * RATE)
        folder = root / f"{number % 7}" / f"session {number}"
        folder.mkdir(parents=True)
        sign = -1.0 if number % 3 == 0 else 1.0
        for name, heard in (("near", sound), ("far", sign * np.roll(sound, 5))):
            noise = 0.002 * rng.standard_normal(len(sound))
            soundfile.write(folder / f"{name}.wav", heard + noise, RATE, subtype="PCM_16")


def archive(root: Path, out: Path, *options: str) -> "subprocess.Popen[bytes]":
    """Start the command."""
    command = [sys.executable, "-m", "polaritykit", "archive", str(root), "--out", str(out), *options]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def told(out: Path) -> list[dict]:
    """All records of an archive, in the order of their names, without what a run may change."""
    document = json.loads((out / "archive.json").read_text(encoding="utf-8"))
    return sorted(document["sessions"], key=lambda session: session["session"])


def on_cluster(root: Path, out: Path) -> int:
    """Run on two worker processes of a real scheduler, one of which is killed; return the exit code."""
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
    ) as cluster:
        process = archive(root, out, "--scheduler", cluster.scheduler_address)
        while not (out / "archive.jsonl").is_file() or len(stored_records(out)) < 3:
            time.sleep(0.1)
        worker = next(iter(cluster.workers.values()))
        os.kill(worker.pid, signal.SIGKILL)
        return process.wait()


def real(count: int) -> None:
    """Three ways, one result."""
    with tempfile.TemporaryDirectory() as place:
        root = Path(place) / "shelf"
        shelf(root, count)
        begun = time.perf_counter()
        assert archive(root, Path(place) / "pool").wait() == 0
        seconds = time.perf_counter() - begun
        whole = told(Path(place) / "pool")
        turned = sum(session["flips"] == 1 for session in whole)
        print(f"pool: {count} sessions in {seconds:.0f} s, {seconds / count:.2f} s each")
        print(f"told inverted: {turned} of {len(range(0, count, 3))} that are, of {count}")

        halves = Path(place) / "halves"
        process = archive(root, halves)
        while not halves.is_dir() or len(stored_records(halves)) < count // 3:
            time.sleep(0.1)
        process.send_signal(signal.SIGKILL)
        process.wait()
        had = len(stored_records(halves))
        assert archive(root, halves).wait() == 0
        print(f"killed after {had} sessions and gone on with: equal {told(halves) == whole}")

        spread = Path(place) / "spread"
        code = on_cluster(root, spread)
        print(f"cluster of two workers, one killed: exit code {code}, equal {told(spread) == whole}")


def simulated(count: int) -> None:
    """Find, keep and tell many sessions whose checks are made up."""
    with tempfile.TemporaryDirectory() as place:
        root, out = Path(place) / "shelf", Path(place) / "out"
        first = root / "0"
        first.mkdir(parents=True)
        soundfile.write(first / "a.wav", np.zeros(4000), RATE)
        sound = (first / "a.wav").read_bytes()
        for number in range(count):
            folder = root / str(number)
            folder.mkdir(exist_ok=True)
            for name in ("a.wav", "b.wav"):
                (folder / name).write_bytes(sound)
        stages = {}
        begun = time.process_time()
        requests = list(find_sessions(root, out, program="simulated"))
        stages["finding"] = time.process_time() - begun

        begun = time.process_time()
        with journal(out) as add:
            for record in run_pool(requests, workers=os.cpu_count() or 1, check=made_up):
                add(record)
        stages["pool and journal"] = time.process_time() - begun

        begun = time.process_time()
        records = stored_records(out, order=badness)
        document = archive_document("shelf", records, across(records), kept=0)
        stages["reading and counting"] = time.process_time() - begun
        begun = time.process_time()
        write_archive(out, document)
        stages["tables, JSON, page"] = time.process_time() - begun
        for stage, seconds in stages.items():
            print(f"{stage}: {seconds:.1f} s, {1e3 * seconds / count:.2f} ms a session (processor)")
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(f"page {(out / 'index.html').stat().st_size / 1e6:.1f} MB, peak memory {peak:.0f} MB")


def made_up(request) -> SessionRecord:
    """Make the record of a session of twelve tracks."""
    names = [f"track {number}" for number in range(12)]
    tracks = [
        TrackRecord(name=name, invert=False, flip_reason=None, shift_ms=0.0, status="agrees", faults=())
        for name in names
    ]
    pairs = [
        PairRecord(reference=a, other=b, polarity="same", confidence=0.99, offset_ms=1.0, offset_std_ms=0.01)
        for place, a in enumerate(names)
        for b in names[place + 1 :]
    ]
    return SessionRecord(
        session=request.session,
        made_by=request.made_by,
        files=request.files,
        status="checked",
        reason=None,
        report="sessions/x",
        headline="Nothing to correct: every pair that could be judged agrees.",
        duration_s=60.0,
        flips=0,
        delays=0,
        unclear=0,
        tracks=tuple(tracks),
        pairs=tuple(pairs),
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--sessions", type=int, default=40)
    parser.add_argument("--simulated", type=int)
    options = parser.parse_args()
    print(f"{os.cpu_count()} cores")
    if options.simulated:
        simulated(options.simulated)
    else:
        real(options.sessions)
