"""Kills and full disks of `endurance.py`, for every command that writes.

Most runs are forked from a process that has the libraries in memory already, so that the moments fall on the
work and not on the imports; every fifth is a fresh one.
"""

import json
import os
import resource
import shutil
import signal
import sys
import time
from pathlib import Path

from corpus import digests

from polaritykit.base.whole_files import check_output_folder

ROOT = Path(__file__).resolve().parents[2]
SIGNALS = {signal.SIGKILL: {-9}, signal.SIGTERM: {143, -15}, signal.SIGINT: {130, -2}}
#: Every command that writes, as it replaces an earlier result (the demo: one of its sessions).
COMMANDS = {
    "check": ["check", "clean", "--out", "out", "--overwrite", "--audio"],
    "pair": ["pair", "clean/t0.16.wav", "clean/t1.flac", "--out", "out", "--overwrite", "--audio"],
    "bleed": ["bleed", "clean/t0.16.wav", "clean/t1.flac", "--out", "out", "--overwrite", "--audio"],
    "comb": ["comb", "--delay", "1 ms", "--out", "out", "--overwrite"],
    "layout": ["layout", "plan.toml", "--out", "out", "--overwrite"],
    "pulse-read": ["pulse", "read", "clean", "--out", "out", "--overwrite"],
    "pulse-make": ["pulse", "make", "out.wav", "--overwrite"],
    "apply": ["apply", "report", "--out", "out", "--overwrite"],
    "recheck": ["recheck", "report", "report", "--out", "out", "--overwrite"],
    "archive": ["archive", "sessions", "--out", "out", "--again", "--workers", "1"],
    "demo": ["demo", "out", "--overwrite"],
}


def _start(arguments, place, *, fresh, limit=None):
    """Start the program in a folder; return its process number."""
    child = os.fork()
    if child:
        return child
    os.chdir(place)
    said = os.open("../said", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    os.dup2(said, 2)
    if limit is not None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    if fresh:
        os.environ["PYTHONPATH"] = str(ROOT)
        os.execv(sys.executable, [sys.executable, "-m", "polaritykit", *arguments])
    code = 1
    try:
        sys.argv = ["polaritykit", *arguments]
        sys.stdout, sys.stderr = os.fdopen(1, "w"), os.fdopen(2, "w")
        from polaritykit.__main__ import run

        run()
    except SystemExit as ended:
        code = ended.code if isinstance(ended.code, int) else 0
    except BaseException:  # noqa: BLE001
        import traceback

        traceback.print_exc()
    finally:
        sys.stderr.flush()
        os._exit(code or 0)


def _ended(process, place):
    """Wait; return the exit code as a shell's Popen would tell it, and what was said."""
    _, status = os.waitpid(process, 0)
    return os.waitstatus_to_exitcode(status), (place.parent / "said").read_text(errors="replace")


def _place(work, name):
    """Make a folder with all that the command reads, and its first result."""
    place = work / "place"
    place.mkdir()
    for item in ("clean", "report"):
        shutil.copytree(work / item, place / item)
    shutil.copytree(work / "clean", place / "sessions" / "one")
    shutil.copy(work / "plan.toml", place / "plan.toml")
    began = time.monotonic()
    code, said = _ended(_start(COMMANDS[name], place, fresh=False), place)
    assert code == 0, said
    return place, time.monotonic() - began


def _whole(place, name):
    """Tell whether the result is one that was finished: all files as its marker lists them, nothing else."""
    out = place / ("out.wav" if name == "pulse-make" else "out")
    if name == "archive":  # grows in its place; a later run goes on there
        code, _ = _ended(_start(COMMANDS[name], place, fresh=False), place)
        return code == 0 and not list(out.rglob(".unfinished-*"))
    if out.suffix == ".wav":
        return out.is_file() and out.stat().st_size > 1000
    if not out.is_dir():
        return False
    marker = out / ".polaritykit-folder.json"
    listed = {entry["name"]: entry["sha256"] for entry in json.loads(marker.read_text())["files"]}
    found = digests(out)
    found.pop(marker.name)
    return found == listed


def _state(place):
    """Names in the folder, and checksums of what is read."""
    inputs = {name: digest for name, digest in digests(place).items() if not name.startswith(("out", "."))}
    return {path.name for path in place.iterdir()}, inputs


def _check(place, name, before, counts, what):
    """Hold the folder against what it was: right after, and after the next run that writes there."""
    names, inputs = before
    counts["leftovers"] += {path.name for path in place.iterdir()} != names
    for path in place.glob(".unfinished-*"):
        os.utime(path, (0, 0))  # one without a slip is left for a minute: it may be being made
    check_output_folder(place / "after", inputs=[], overwrite=False)
    whole = _whole(place, name)
    now, same = _state(place)
    counts["changed inputs"] += same != inputs
    if now != names or not whole:
        counts["failures"] += 1
        print(f"LEFT {what}: {sorted(now ^ names)}, whole: {whole}", flush=True)


def kills(work, name, number, chance, counts):
    """Kill a command at random moments while it replaces its earlier result."""
    place, lasts = _place(work, name)
    before = _state(place)
    for index in range(number):
        fresh = index % 5 == 4
        process = _start(COMMANDS[name], place, fresh=fresh)
        time.sleep(chance.uniform(0.0, (1.0 if fresh else 0.0) + 1.05 * lasts))
        sent = chance.choice(list(SIGNALS))
        os.kill(process, sent)
        code, said = _ended(process, place)
        counts["kills"] += 1
        what = f"{name} {'fresh' if fresh else 'warm'} {sent.name} number {index}"
        if code not in SIGNALS[sent] | {0} or (sent != signal.SIGKILL and "Traceback" in said):
            counts["failures"] += 1
            print(f"FAILED {what}: code {code} {said[-400:]!r}", flush=True)
        _check(place, name, before, counts, what)
    code, said = _ended(_start(COMMANDS[name], place, fresh=False), place)
    if code:
        counts["failures"] += 1
        print(f"FAILED {name} after all kills: {code} {said[-400:]!r}", flush=True)


def faults(work, name, number, chance, counts):
    """Let the disk be full at a random size of the files, or standard output too."""
    place, _ = _place(work, name)
    before = _state(place)
    largest = max(path.stat().st_size for path in place.glob("out*/**/*" if name != "pulse-make" else "out*"))
    for index in range(number):
        limit = chance.randrange(largest)
        code, said = _ended(_start(COMMANDS[name], place, fresh=False, limit=limit), place)
        counts["faults"] += 1
        what = f"{name} with files of at most {limit} bytes, number {index}"
        if (
            code not in {0, 5}
            or "Traceback" in said
            or len(said.strip().splitlines()) > (3 if code == 0 else 1)
        ):
            counts["failures"] += 1
            print(f"FAILED {what}: code {code} {said[-400:]!r}", flush=True)
        _check(place, name, before, counts, what)
