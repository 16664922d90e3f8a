"""Attack: spoiled files, reports and plans, kills at random moments; prints how many and what was left.

What must hold: exit codes of README.md, no traceback, inputs unchanged (SHA-256), and after a kill the next
run in that place leaves either the old folder or the new one, whole, and nothing else.
Usage: python tests/benchmarks/endurance.py [--minutes 10] [--kills 50] [--seed 0]
"""

import argparse
import hashlib
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np
import soundfile

ROOT = Path(__file__).resolve().parents[2]
CODES = {0, 2, 3, 4, 5}
TIME_LIMIT_S = 120.0
FORMATS = {"a.wav": "WAV", "b.flac": "FLAC", "c.aiff": "AIFF", "d.ogg": "OGG", "e.rf64": "RF64"}


def start(arguments, cwd):
    """Start the program in a process group of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "polaritykit", *arguments],
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )


def digest(folder):
    """SHA-256 of all files of a folder, by name."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def make_session(folder):
    """Write two seconds of one sound in several formats, one file upside down."""
    folder.mkdir()
    sound = 0.1 * np.random.default_rng(0).standard_normal(2 * 48_000)
    for number, (name, form) in enumerate(FORMATS.items()):
        shift = 10 * number
        samples = sound[shift : 48_000 + shift] * (-1 if name == "b.flac" else 1)
        soundfile.write(folder / name, samples, 48_000, format=form)
    return folder


def spoil(content, chance):
    """Damage bytes: flips in the head, cuts, zeros, repeats."""
    content = bytearray(content)
    for _ in range(chance.randint(1, 4)):
        place = chance.randrange(min(len(content), chance.choice((64, 512, len(content)))))
        kind = chance.randrange(4)
        if kind == 0:
            content[place] = chance.randrange(256)
        elif kind == 1:
            content[place : place + 4] = chance.choice((b"\xff" * 4, bytes(4), b"\x7f" + b"\xff" * 3))
        elif kind == 2:
            content = content[: place + 1]
        else:
            content[place:place] = content[place : place + chance.randrange(64)]
    return bytes(content)


def run(arguments, cwd, counts, what):
    """Run to the end and count what should not be."""
    process = start(arguments, cwd)
    try:
        _, said = process.communicate(timeout=TIME_LIMIT_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.communicate()
        counts["hangs"] += 1
        print("HANG", what, arguments)
        return
    counts["executions"] += 1
    if process.returncode not in CODES or b"Traceback" in said or b"Warning" in said:
        counts["failures"] += 1
        print("FAILED", process.returncode, what, arguments, said[-400:])


def fuzz(work, minutes, chance, counts):
    """Spoil a file, a report or a plan, and run what reads it."""
    clean = work / "clean"
    plan = (ROOT / "polaritykit/jobs/layout/templates/ab.toml").read_bytes()
    report = (work / "report" / "report.json").read_bytes()
    until = time.monotonic() + 60 * minutes
    while time.monotonic() < until:
        counts["inputs"] += 1
        place = work / "spoiled"
        shutil.rmtree(place, ignore_errors=True)
        shutil.copytree(clean, place)
        number = counts["inputs"]
        kind = chance.choice(("audio", "audio", "report", "plan"))
        if kind == "audio":
            name = chance.choice(sorted(FORMATS))
            (place / name).write_bytes(spoil((clean / name).read_bytes(), chance))
            commands = [chance.choice((["check", "spoiled", "--json"], ["pulse", "read", "spoiled"]))]
        elif kind == "report":
            (place / "report.json").write_bytes(spoil(report, chance))
            commands = [["recheck", "report", "spoiled"], ["apply", "spoiled", "--out", f"copies{number}"]]
        else:
            (place / "plan.toml").write_bytes(spoil(plan, chance))
            commands = [["layout", "spoiled/plan.toml"]]
        before = digest(place)
        for arguments in commands:
            run(arguments, work, counts, f"input {number}")
        counts["changed inputs"] += digest(place) != before
        shutil.rmtree(work / f"copies{number}", ignore_errors=True)


def kills(work, number, chance, counts):
    """Kill every command that writes at random moments, while it replaces an earlier result."""
    commands = {
        "check": ["check", "clean", "--out", "out", "--overwrite"],
        "pair": ["pair", "clean/a.wav", "clean/b.flac", "--out", "out", "--overwrite", "--audio"],
        "bleed": ["bleed", "clean/a.wav", "clean/b.flac", "--out", "out", "--overwrite"],
        "comb": ["comb", "--delay", "1 ms", "--out", "out", "--overwrite"],
        "layout": ["layout", "plan.toml", "--out", "out", "--overwrite"],
        "pulse read": ["pulse", "read", "clean", "--out", "out", "--overwrite"],
        "pulse make": ["pulse", "make", "out.wav", "--overwrite"],
        "apply": ["apply", "report", "--out", "out", "--overwrite"],
        "recheck": ["recheck", "report", "report", "--out", "out", "--overwrite"],
        "demo": ["demo", "out", "--overwrite"],
    }
    for name, arguments in commands.items():
        place = work / "place"
        shutil.rmtree(place, ignore_errors=True)
        place.mkdir()
        for item in ("clean", "report"):
            shutil.copytree(work / item, place / item)
        shutil.copy(ROOT / "polaritykit/jobs/layout/templates/ab.toml", place / "plan.toml")
        began = time.monotonic()
        run(arguments, place, counts, name)
        lasts = time.monotonic() - began
        names = {path.name for path in place.iterdir()}
        inputs = digest(place / "clean")
        for _ in range(number):
            process = start(arguments, place)
            time.sleep(chance.uniform(0.0, 1.1 * lasts))
            process.send_signal(chance.choice((signal.SIGKILL, signal.SIGTERM, signal.SIGINT)))
            process.communicate()
            counts["kills"] += 1
            counts["leftovers"] += {path.name for path in place.iterdir()} != names
            # The cheapest run that writes there clears up, and its own result goes again.
            run(["comb", "--delay", "1 ms", "--out", "after"], place, counts, "after a kill")
            shutil.rmtree(place / "after", ignore_errors=True)
            if {path.name for path in place.iterdir()} != names or digest(place / "clean") != inputs:
                counts["failures"] += 1
                print("LEFT", name, sorted({path.name for path in place.iterdir()} ^ names))
        run(arguments, place, counts, f"{name} after all kills")


def main():
    """Run and print the counts."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0, help="of spoiled inputs")
    parser.add_argument("--kills", type=int, default=50, help="for each command that writes")
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    chance = random.Random(given.seed)
    counts = Counter()
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        make_session(work / "clean")
        run(["check", "clean", "--out", "report"], work, counts, "the clean session")
        fuzz(work, given.minutes, chance, counts)
        kills(work, given.kills, chance, counts)
    keys = ("inputs", "executions", "kills", "leftovers", "changed inputs", "hangs", "failures")
    print(f"seed {given.seed}: " + ", ".join(f"{key} {counts[key]}" for key in keys))
    print(
        "leftovers are what stood there right after a kill; the next run has to clear them (else: failures)."
    )
    return int(counts["failures"] + counts["hangs"] + counts["changed inputs"] > 0)


if __name__ == "__main__":
    sys.exit(main())
