"""Runs of the program for `endurance.py`: every command that writes, in a folder with all that it reads.

Most runs are forked from a process that has the libraries in memory already, so that what is done to them
falls on the work and not on the imports.
"""

import ctypes
import json
import os
import resource
import shutil
import signal
import sys
import time
from pathlib import Path

from corpus import digests

from polaritykit.__main__ import end_quietly, run
from polaritykit.jobs.demo import write

ROOT = Path(__file__).resolve().parents[2]
SIGNALS = {signal.SIGKILL: {-9}, signal.SIGTERM: {143, -15}, signal.SIGINT: {130, -2}}
#: Every command that writes, as it replaces an earlier result.
COMMANDS = {
    "check": ["check", "clean", "--out", "out", "--overwrite", "--audio"],
    "pair": ["pair", "clean/t0.16.wav", "clean/t1.flac", "--out", "out", "--overwrite", "--audio"],
    "bleed": ["bleed", "clean/t0.16.wav", "clean/t1.flac", "--out", "out", "--overwrite", "--audio"],
    "comb": ["comb", "--delay", "1 ms", "--out", "out", "--overwrite"],
    "comb-plot": ["comb", "--delay", "1 ms", "--plot", "out.png"],
    "layout": ["layout", "plan.toml", "--out", "out", "--overwrite"],
    "pulse-read": ["pulse", "read", "clean", "--out", "out", "--overwrite"],
    "pulse-make": ["pulse", "make", "out.wav", "--overwrite"],
    "apply": ["apply", "earlier", "--out", "out", "--overwrite"],
    "recheck": ["recheck", "earlier", "earlier", "--out", "out", "--overwrite"],
    "archive": ["archive", "sessions", "--out", "out", "--again", "--workers", "1"],
    "demo": ["demo", "out", "--overwrite"],
}
#: What a finished single file is, first and last bytes: PNG (ISO/IEC 15948), RIFF.
_ENDS = {"out.png": (b"\x89PNG", b"IEND\xaeB`\x82"), "out.wav": (b"RIFF", b"")}
#: Linux's capabilities(7): CAP_DAC_OVERRIDE and CAP_DAC_READ_SEARCH, and the layout of capset(2)'s arguments.
_BEYOND_RIGHTS = 0b110
_CAPABILITY_VERSION = 0x20080522


def shorten_demo():
    """Let warm runs of the demo write the shortest of its sessions: the writing is the matter."""
    write.SESSIONS = {"stereo_pair": write.SESSIONS["stereo_pair"]}


def start(arguments, place, *, fresh=False, limit=None, out=None, bound=False):
    """Start the program in a folder, as the head of a process group; return its process number.

    `limit` is the most bytes of a file, `out` a descriptor for standard output; `bound` makes modes of files
    hold for root too.
    """
    # A fork is no start of an interpreter: until the program has its handlers, signals wait.
    signal.pthread_sigmask(signal.SIG_BLOCK, SIGNALS)
    child = os.fork()
    if child:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, SIGNALS)
        return child
    code = 1
    try:
        os.setpgid(0, 0)
        os.chdir(place)
        said = os.open("../said", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        if out != "closed":
            os.dup2(os.open(os.devnull, os.O_WRONLY) if out is None else out, 1)
        os.dup2(said, 2)
        if limit is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        if bound and os.getuid() == 0:
            _bind()
        if out == "closed":
            os.close(1)
        if fresh:
            signal.signal(signal.SIGINT, signal.SIG_DFL)  # this copy is no program of ours yet
            signal.pthread_sigmask(signal.SIG_UNBLOCK, SIGNALS)
            os.environ["PYTHONPATH"] = str(ROOT)
            os.execv(sys.executable, [sys.executable, "-m", "polaritykit", *arguments])
        _warm(arguments, closed=out == "closed")
        code = 0
    except SystemExit as ended:
        code = ended.code if isinstance(ended.code, int) else 0
    except BaseException:  # noqa: BLE001
        import traceback

        traceback.print_exc()
    finally:
        sys.stderr.flush()
        os._exit(code or 0)


def _bind():
    """Let modes of files hold for root; another user could not even read root's own Python."""
    header = (ctypes.c_uint32 * 2)(_CAPABILITY_VERSION, 0)
    sets = (ctypes.c_uint32 * 6)()  # effective, permitted, inheritable, twice
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.capget(header, sets) == 0:
        for place in range(3):
            sets[place] &= ~_BEYOND_RIGHTS
        if libc.capset(header, sets) == 0:
            return
    raise OSError(ctypes.get_errno(), "the rights of root cannot be given up")


def _warm(arguments, *, closed):
    sys.argv = ["polaritykit", *arguments]
    sys.stdout = None if closed else os.fdopen(1, "w", closefd=False)
    sys.__stdout__ = sys.stdout
    sys.stderr = os.fdopen(2, "w", closefd=False)
    end_quietly()
    signal.pthread_sigmask(signal.SIG_UNBLOCK, SIGNALS)
    run()


def ended(process, place):
    """Wait; return the exit code as a shell's Popen would tell it, and what was said."""
    _, status = os.waitpid(process, 0)
    return os.waitstatus_to_exitcode(status), (place.parent / "said").read_text(errors="replace")


def timed(name, place, *, fresh=False):
    """Run a command to its end: its code, what it said, and how long it took."""
    began = time.monotonic()
    code, said = ended(start(COMMANDS[name], place, fresh=fresh), place)
    return code, said, time.monotonic() - began


def make_place(work, name):
    """Make a folder with all that the command reads, and its first result."""
    place = work / "place"
    place.mkdir()
    put_inputs(work, place)
    code, said, _ = timed(name, place)
    assert code == 0, said
    return place


def put_inputs(work, place):
    """Put what commands read into a folder where it is not."""
    for source, name in (("clean", "clean"), ("report", "earlier"), ("clean", "sessions/one")):
        if not (place / name).exists():
            shutil.copytree(work / source, place / name)
    shutil.copy(work / "plan.toml", place / "plan.toml")


def result(name):
    """Return what the command's result is called."""
    return next(word for word in COMMANDS[name] if word.startswith("out"))


def is_whole(place, name):
    """Tell whether the result is one that was finished: all files as its marker lists them, nothing else."""
    out = place / result(name)
    if out.name in _ENDS:
        first, last = _ENDS[out.name]
        content = out.read_bytes() if out.is_file() else b""
        return content.startswith(first) and content.endswith(last) and len(content) > 1000
    if name == "archive":  # grows in its place; a later run goes on there
        code, _, _ = timed(name, place)
        (record,) = [json.loads(line) for line in (out / "archive.jsonl").read_bytes().splitlines()]
        return code == 0 and record["status"] == "checked" and not list(out.rglob(".unfinished-*"))
    if not out.is_dir():
        return False
    marker = out / ".polaritykit-folder.json"
    listed = {entry["name"]: entry["sha256"] for entry in json.loads(marker.read_text())["files"]}
    found = digests(out)
    found.pop(marker.name)
    return found == listed


def state(place):
    """Names in the folder, and checksums of what is read."""
    inputs = {name: digest for name, digest in digests(place).items() if not name.startswith(("out", "."))}
    return {path.name for path in place.iterdir()}, inputs
