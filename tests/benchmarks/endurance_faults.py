"""Faults of `endurance.py`: places that take nothing, for every command that writes.

A file may not grow beyond a size (RLIMIT_FSIZE), a file system is full (a small tmpfs, where it may be
mounted), standard output is full, closed or broken, the folder may not be written to, the folder or the input
vanishes while it is worked on.  Each must end in one sentence with its code, and none may blame the input for
what the output's place does.
"""

import os
import shutil
import subprocess
import threading
from pathlib import Path

from endurance_kills import check
from endurance_runs import (
    COMMANDS,
    ended,
    make_place,
    put_inputs,
    result,
    shorten_demo,
    start,
    state,
    timed,
)

#: Names of what is read; a sentence about the output's place has none of them.
_READ = ("clean", "t0.", "t1.", "earlier", "sessions", "plan.toml")


def faults(work, name, number, chance, counts):
    """Do all that can be wrong with a place to one command; `number` times what has a size or a moment."""
    if name == "demo":
        shorten_demo()
    place = make_place(work, name)
    before = state(place)
    _, _, lasts = timed(name, place)
    files = [
        path for path in place.glob("out*/**/*" if "." not in result(name) else "out*") if path.is_file()
    ]
    largest, total = (kind(path.stat().st_size for path in files) for kind in (max, sum))
    for _ in range(number):
        limit = chance.randrange(largest)
        code, said = ended(start(COMMANDS[name], place, limit=limit), place)
        _judge(f"{name} with files of at most {limit} bytes", code, said, {0, 5}, counts)
        check(place, name, before, counts, f"{name} with files of at most {limit} bytes")
    _outputs(place, name, before, counts)
    _read_only(place, name, counts)
    for _ in range(max(number // 5, 3)):
        _small_disk(place, name, chance.randrange(4096, 4096 + round(1.5 * total)), counts)
        _vanishing_folder(place, name, chance.uniform(0.0, lasts), counts)
        _vanishing_input(work, place, name, chance.uniform(0.0, lasts), counts)


def _judge(what, code, said, codes, counts, *, blames=False):
    """One sentence, a documented code, and no word against the input unless it is to blame."""
    counts["faults"] += 1
    lines = said.strip().splitlines()
    named = [word for word in _READ if word in said] if code and not blames else []
    if (
        code not in codes
        or "Traceback" in said
        or (code and len(lines) != 1)
        or named
        or ".unfinished" in said
    ):
        counts["failures"] += 1
        print(f"FAILED {what}: code {code}, names {named}: {said[-400:]!r}", flush=True)


def _outputs(place, name, before, counts):
    """Let standard output be full, broken, closed."""
    reading, broken = os.pipe()
    os.close(reading)
    full = os.open("/dev/full", os.O_WRONLY) if Path("/dev/full").exists() else broken
    for kind, out in (("full", full), ("broken", broken), ("closed", "closed")):
        code, said = ended(start(COMMANDS[name], place, out=out), place)
        what = f"{name} with {kind} standard output"
        silent = name in {"pulse-make", "demo"}  # they print nothing there
        _judge(what, code, said, {0} if silent else {5}, counts)
        check(place, name, before, counts, what)
    for number in {broken, full}:
        os.close(number)


def _elsewhere(name, folder):
    """Return the command with its result in a folder below."""
    return [f"{folder}/{word}" if word.startswith("out") else word for word in COMMANDS[name]]


def _read_only(place, name, counts):
    folder = place / "locked"
    folder.mkdir(mode=0o555)
    code, said = ended(start(_elsewhere(name, "locked"), place, bound=True), place)
    _judge(f"{name} into a folder that is only read", code, said, {2}, counts)
    if any(folder.iterdir()):
        counts["failures"] += 1
    folder.rmdir()


def _small_disk(place, name, size, counts):
    """Give it a file system with room for some of it."""
    folder = place / "small"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={size}", "none", str(folder)]
    if subprocess.run(mount, check=False, capture_output=True).returncode == 0:
        code, said = ended(start(_elsewhere(name, "small"), place), place)
        _judge(f"{name} on a disk of {size} bytes", code, said, {0, 2, 5}, counts)
        left = [path.name for path in folder.iterdir()]
        if code and left and name != "archive":
            counts["failures"] += 1
            print(f"FAILED {name} on a disk of {size} bytes: left {left}", flush=True)
        subprocess.run(["umount", str(folder)], check=True)
    folder.rmdir()


def _meanwhile(arguments, place, wait_s, action):
    process = start(arguments, place)
    later = threading.Timer(wait_s, action)
    later.start()
    code, said = ended(process, place)
    later.cancel()
    later.join()
    return code, said


def _vanishing_folder(place, name, wait_s, counts):
    folder = place / "vanishing"
    folder.mkdir()

    def vanish():
        folder.rename(place / "vanished")
        shutil.rmtree(place / "vanished", ignore_errors=True)

    code, said = _meanwhile(_elsewhere(name, "vanishing"), place, wait_s, vanish)
    _judge(f"{name} into a folder that vanishes after {wait_s:.3f} s", code, said, {0, 2, 5}, counts)
    for path in (folder, place / "vanished"):
        shutil.rmtree(path, ignore_errors=True)


def _vanishing_input(work, place, name, wait_s, counts):
    read = [
        place / word
        for word in ("clean", "earlier", "sessions")
        if any(word in each for each in COMMANDS[name])
    ]
    if not read:
        return

    def vanish():
        for path in read:
            shutil.rmtree(path, ignore_errors=True)

    code, said = _meanwhile(COMMANDS[name], place, wait_s, vanish)
    _judge(f"{name} whose input vanishes after {wait_s:.3f} s", code, said, {0, 2, 4}, counts, blames=True)
    put_inputs(work, place)
