"""Archives of many small sessions on a pool, killed and gone on with, on a cluster; what the machinery costs.

Run it as a program::

    python tests/benchmarks/archive.py                     # 40 sessions of two tracks each way
    python tests/benchmarks/archive.py --sessions 200 --keep FOLDER --way pool  # in parts; goes on
    python tests/benchmarks/archive.py --simulated 10000   # no audio: what finding, keeping and telling cost

The sessions' truth is known (every third one has its second track turned over), and all ways must give the
same records.
"""

import argparse
import itertools
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
from tables import commit, write_table

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


def told(out: Path) -> tuple[dict, list[bytes]]:
    """Return what an archive tells, without when it was made and what of it earlier; and its tables."""
    document = json.loads((out / "archive.json").read_text(encoding="utf-8"))
    del document["created"], document["counts"]["kept"]
    return document, [(out / name).read_bytes() for name in ("tracks.csv", "pairs.csv", "faults.csv")]


def done(out: Path) -> int:
    """How many sessions are in the journal."""
    return len(stored_records(out)) if (out / "archive.jsonl").is_file() else 0


def wait_for(out: Path, process: "subprocess.Popen[bytes]", sessions: int) -> None:
    """Wait until so many sessions are done, or the process has ended."""
    while process.poll() is None and done(out) < sessions:
        time.sleep(0.2)


def on_pool(root: Path, out: Path, count: int) -> str:
    """Run to the end."""
    del count
    assert archive(root, out).wait() == 0
    return ""


def killed(root: Path, out: Path, count: int) -> str:
    """Kill it after each quarter, and go on."""
    kills = 0
    for quarter in (1, 2, 3):
        process = archive(root, out)
        wait_for(out, process, count * quarter // 4)
        kills += process.poll() is None
        process.kill()
        process.wait()
    assert archive(root, out).wait() == 0
    return f"the run, {kills} times"


def on_cluster(root: Path, out: Path, count: int) -> str:
    """Run on two worker processes of a real scheduler, one of which is killed."""
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
    ) as cluster:
        process = archive(root, out, "--scheduler", cluster.scheduler_address)
        wait_for(out, process, count // 3)
        os.kill(next(iter(cluster.workers.values())).pid, signal.SIGKILL)
        assert process.wait() == 0
    return "a worker, once"


WAYS = {"pool": on_pool, "pool, killed and gone on with": killed, "cluster of two workers": on_cluster}
HEADER = [
    "way",
    "sessions",
    "killed",
    "told inverted, of those that are",
    "equal to the pool's",
    "wall s each",
]


def real(place: Path, count: int, names: list[str]) -> list[list[str]]:
    """Each way, one result; what an earlier call with the same folder has done stays."""
    kept = place / "rows.json"
    rows = json.loads(kept.read_text()) if kept.is_file() else {}
    root = place / "shelf"
    if not root.exists():
        shelf(root, count)
    for name in names:
        out = place / name.partition(" ")[0].rstrip(",") / str(list(WAYS).index(name))
        out.parent.mkdir(exist_ok=True)
        begun, had = time.perf_counter(), done(out)
        kills = WAYS[name](root, out, count)
        seconds = time.perf_counter() - begun
        turned = sum(session["flips"] == 1 for session in told(out)[0]["sessions"])
        equal = told(out) == told(place / "pool" / "0")
        each = f"{seconds / (count - had):.1f}" if count > had else ""
        rows[name] = [
            name,
            str(count),
            kills,
            f"{turned} of {len(range(0, count, 3))}",
            "yes" if equal else "no",
            each,
        ]
        kept.write_text(json.dumps(rows))
        print(*rows[name], sep="; ", flush=True)
    return [rows[name] for name in WAYS if name in rows]


SIMULATED_HEADER = [
    "sessions",
    "finding, processor ms each",
    "pool and journal",
    "reading and counting",
    "tables, JSON and page",
    "page MB",
    "JSON MB",
    "peak MB",
]


def simulated(place: Path, count: int) -> list[str]:
    """Find, keep and tell many sessions whose checks are made up."""
    root, out = place / "shelf", place / "out"
    empty_shelf(root, count)
    marks = [time.process_time()]
    requests = list(find_sessions(root, out, program="simulated"))
    marks.append(time.process_time())
    with journal(out) as add:
        for record in run_pool(requests, workers=os.cpu_count() or 1, check=made_up):
            add(record)
    marks.append(time.process_time())
    records = stored_records(out, order=badness)
    document = archive_document("shelf", records, across(records), kept=0)
    marks.append(time.process_time())
    write_archive(out, document)
    marks.append(time.process_time())
    each_ms = [f"{1e3 * (end - begin) / count:.2f}" for begin, end in itertools.pairwise(marks)]
    sizes = [(out / name).stat().st_size / 1e6 for name in ("index.html", "archive.json")]
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    row = [f"{count}", *each_ms, *(f"{size:.1f}" for size in sizes), f"{peak_mb:.0f}"]
    print(*(f"{what}: {figure}" for what, figure in zip(SIMULATED_HEADER, row, strict=True)), sep="\n")
    return row


def empty_shelf(root: Path, count: int) -> None:
    """Write sessions of two short silent files."""
    root.mkdir(parents=True)
    soundfile.write(root.parent / "a.wav", np.zeros(4000), RATE)
    sound = (root.parent / "a.wav").read_bytes()
    for number in range(count):
        (root / str(number)).mkdir()
        for name in ("a.wav", "b.wav"):
            (root / str(number) / name).write_bytes(sound)


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


def main() -> None:
    """Run what is asked for and print it."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--sessions", type=int, default=40)
    parser.add_argument("--way", action="append", choices=WAYS, help="again for several; else all")
    parser.add_argument("--keep", type=Path, help="folder to keep it in; a later call goes on there")
    parser.add_argument("--simulated", type=int, metavar="N", help="N sessions whose checks are made up")
    parser.add_argument("--markdown", action="store_true", help="write the table into DEVELOPERS.md")
    options = parser.parse_args()
    print(f"{os.cpu_count()} cores, commit {commit()}")
    with tempfile.TemporaryDirectory() as place:
        if options.simulated:
            name, header, rows = "simulated", SIMULATED_HEADER, [simulated(Path(place), options.simulated)]
        else:
            (options.keep or Path(place)).mkdir(exist_ok=True)
            rows = real(options.keep or Path(place), options.sessions, options.way or list(WAYS))
            name, header = "archive", HEADER
    if options.markdown:
        asked = f"--simulated {options.simulated}" if options.simulated else f"--sessions {options.sessions}"
        write_table(name, f"python tests/benchmarks/archive.py {asked}", header, rows)


if __name__ == "__main__":
    main()
