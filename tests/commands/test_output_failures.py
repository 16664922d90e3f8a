"""Where nothing can be written or printed: one sentence, exit code 5, and no word against the input.

/dev/full is Linux's device on which every write fails with ENOSPC (full(4)); RLIMIT_FSIZE makes writes beyond
a size fail with EFBIG (POSIX setrlimit).  The exit code is README.md's.
"""

import os
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from places import ROOT

DEMO = ROOT / "demo_audio" / "stereo_pair"
COMB = ("comb", "--delay", "1 ms")

pytestmark = pytest.mark.skipif(not Path("/dev/full").exists(), reason="Linux's /dev/full")


def run(*arguments, cwd=None, program=("-m", "polaritykit"), **how):
    """Run the program as a process of its own."""
    return subprocess.run(
        [sys.executable, *program, *map(str, arguments)],
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        check=False,
        text=True,
        **({"stdout": subprocess.PIPE, "stderr": subprocess.PIPE} | how),
    )


def said_once(stderr):
    """One sentence, no traceback."""
    (line,) = stderr.strip().splitlines()
    assert line.startswith("polaritykit: ")
    return line


@pytest.mark.parametrize("arguments", [COMB, ("--help",)])
def test_full_standard_output(arguments):
    """What is printed does not fit."""
    with Path("/dev/full").open("w") as full:
        ended = run(*arguments, stdout=full)
    assert (ended.returncode, "no space left" in said_once(ended.stderr)) == (5, True)


def test_closed_standard_output():
    """A shell's ``>&-``."""
    ended = run(*COMB, stdout=None, preexec_fn=lambda: os.close(1))
    assert (ended.returncode, "it is closed" in said_once(ended.stderr)) == (5, True)


def test_all_streams_closed(tmp_path):
    """No file that is opened takes the place of a standard stream: the folder is right."""

    def close_all():
        for number in range(3):
            os.close(number)

    ended = run(*COMB, "--out", "out", cwd=tmp_path, stdout=None, stderr=None, preexec_fn=close_all)
    assert ended.returncode == 5
    assert (tmp_path / "out" / "report.json").read_text(encoding="utf-8").startswith("{")


def test_no_file_takes_the_place_of_a_closed_stream(tmp_path):
    """POSIX open gives the lowest free number: 3 once the three streams are held; nothing prints into it."""
    script = (
        "import os, sys\nfrom polaritykit.base.terminal_safe import hold_closed_streams\n"
        "[os.close(number) for number in range(3)]\nhold_closed_streams()\n"
        "os._exit(os.open('out', os.O_CREAT | os.O_WRONLY))"
    )
    ended = run(script, cwd=tmp_path, program=["-c"])
    assert ended.returncode >= 3


def test_broken_pipe():
    """The reader has gone."""
    reading, writing = os.pipe()
    os.close(reading)
    ended = run(*COMB, stdout=writing)
    os.close(writing)
    assert (ended.returncode, "broken pipe" in said_once(ended.stderr)) == (5, True)


def test_full_standard_error(tmp_path):
    """Nobody can be told, and the code still tells."""
    with Path("/dev/full").open("w") as full:
        ended = run("check", tmp_path / "nothing", stderr=full)
    assert ended.returncode == 4


@pytest.mark.parametrize(
    "arguments",
    [
        ("pair", DEMO, "--out", "out", "--audio"),
        ("comb", "--delay", "1 ms", "--plot", "out.png"),
        ("pulse", "make", "out.flac"),
    ],
)
def test_full_disk(tmp_path, arguments):
    """No file may grow beyond 4 kB: nothing is left, nothing is blamed but the place."""
    limit = (4096, 4096)
    ended = run(*arguments, cwd=tmp_path, preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, limit))
    line = said_once(ended.stderr)
    assert (ended.returncode, "could not be written" in line) == (5, True), line
    assert "unfinished" not in line
    assert list(tmp_path.iterdir()) == []


def test_a_file_as_large_as_may_be(tmp_path):
    """The limit of one file (of a file system, of a quota) is reached while others could still be written."""
    limit = (500_000, 500_000)
    ended = run(
        *("pulse", "make", "out.wav"),
        cwd=tmp_path,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, limit),
    )
    line = said_once(ended.stderr)
    assert (ended.returncode, "could not be written" in line) == (5, True), line
    assert list(tmp_path.iterdir()) == []


def test_full_disk_while_applying(tmp_path):
    """The copies do not fit: the sources are not called unreadable."""
    import soundfile

    (tmp_path / "session").mkdir()
    for path in DEMO.glob("*.flac"):
        samples, rate = soundfile.read(path)
        turned = -samples if "right" in path.name else samples
        soundfile.write(
            tmp_path / "session" / f"{path.stem}.{'wav' if 'left' in path.name else 'flac'}", turned, rate
        )
    assert run("check", "session", "--out", "report", "--purpose", "pair", cwd=tmp_path).returncode == 0

    limit = (65536, 65536)
    ended = run(
        *("apply", "report", "--out", "copies"),
        cwd=tmp_path,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, limit),
    )
    line = said_once(ended.stderr)
    assert (ended.returncode, "copies could not be written" in line) == (5, True), line
    assert not (tmp_path / "copies").exists()


def test_interrupted_at_any_early_moment():
    """Ctrl-C between the program's first line and its work: 130 (128 and SIGINT's number), no traceback."""
    seen = set()
    for number in range(6):
        started = subprocess.Popen(
            [sys.executable, "-X", "importtime", "-m", "polaritykit", "comb", "--delay", "1 ms"],
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        # The interpreter's own start is not the program's: wait for its first module.
        for line in started.stderr:
            if "polaritykit.base.interrupt" in line:
                break
        time.sleep(0.04 * number + 0.01)
        started.send_signal(signal.SIGINT)
        _, said = started.communicate()
        seen.add(started.returncode)
        assert "Traceback" not in said
        assert "KeyboardInterrupt" not in said
    assert seen <= {0, 130, -signal.SIGINT}  # the last: while the interpreter ends, after all work
    assert 130 in seen


def test_ready_for_interruption_before_anything_else():
    """What is imported before the handler is set could be interrupted with a traceback: nothing is."""
    script = (
        "import sys; before = set(sys.modules); import polaritykit.__main__\n"
        "print(*sorted(set(sys.modules) - before))"
    )
    assert run(script, program=["-c"]).stdout.split() == ["polaritykit", "polaritykit.__main__"]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_interrupted_while_text_is_run(tmp_path, number):
    """With `-m` Python takes what leaves `exec` for Ctrl-C, caught or not: the code stays the signal's."""
    (tmp_path / "stopped.py").write_text(
        f"""
import os, sys
from polaritykit import __main__, cli
cli._run = lambda *_: exec("import os; os.kill(os.getpid(), {int(number)}); x = 1")
sys.argv = ["polaritykit"]
__main__.run()
"""
    )
    ended = subprocess.run(
        [sys.executable, "-m", "stopped"],
        env={**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{tmp_path}"},
        cwd=tmp_path,
        check=False,
        capture_output=True,
        text=True,
    )
    assert ended.returncode == 128 + number
    assert "Traceback" not in ended.stderr


def test_warnings_of_libraries_are_not_shown(tmp_path):
    """A user's standard error holds sentences only; a developer asks Python for warnings, and gets them."""
    (tmp_path / "warned.py").write_text(
        """
import sys, warnings
from polaritykit import __main__, cli
cli._run = lambda *_: warnings.warn("divide by zero", RuntimeWarning) or 0
sys.argv = ["polaritykit"]
__main__.run()
"""
    )
    said = [
        subprocess.run(
            [sys.executable, *asked, "-m", "warned"],
            env={**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{tmp_path}"},
            cwd=tmp_path,
            check=True,
            capture_output=True,
            text=True,
        ).stderr
        for asked in ([], ["-W", "always"])
    ]
    assert said[0] == ""
    assert "divide by zero" in said[1]
