"""Work in processes: in order, in other processes than this, none left over, nothing lost when one dies.

The test runner's own threads make copies unsafe, so each test but one is a program of its own.
"""

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from polaritykit.base.processes import in_processes

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="processes are copied on Linux alone")

_BEGIN = """
import os, signal, sys, time
import multiprocessing
os.cpu_count = lambda: 3
from polaritykit.base.processes import in_processes
here = os.getpid()
"""


def _run(program: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", _BEGIN + program], capture_output=True, text=True, timeout=60, check=False
    )


def test_results_come_in_order_from_other_processes():
    """The first takes longest; none is worked on here."""
    done = _run("""
def work(item):
    time.sleep(0.2 if item == 0 else 0.0)
    return item**2, os.getpid()
told = list(in_processes(work, range(20), long=True))
assert [one for one, _ in told] == [item**2 for item in range(20)]
assert here not in {pid for _, pid in told}
assert not multiprocessing.active_children()
""")

    assert (done.returncode, done.stderr) == (0, "")


def test_what_is_over_soon_is_done_here():
    """Making processes would take longer; work that turns out to be long is shared out."""
    done = _run("""
from polaritykit.base import processes
processes._MADE_S = 5.0
assert {pid for pid in in_processes(lambda item: os.getpid(), range(50))} == {here}
processes._MADE_S = 0.2
def work(item):
    time.sleep(0.0 if item < 3 else 0.1)
    return item, os.getpid()
told = list(in_processes(work, range(30)))
assert [item for item, _ in told] == list(range(30))
assert told[0][1] == here != told[-1][1]
""")

    assert (done.returncode, done.stderr) == (0, "")


def test_nothing_is_lost_when_one_is_killed():
    """As a system does that runs out of memory: what is left is done here."""
    done = _run("""
def work(item):
    if item == 5 and os.getpid() != here:
        os.kill(os.getpid(), signal.SIGKILL)
    return item**2
assert list(in_processes(work, range(20), long=True)) == [item**2 for item in range(20)]
""")

    assert (done.returncode, done.stderr) == (0, "")


def test_a_fault_reaches_the_caller():
    """With its own words; and no process stays."""
    done = _run("""
def work(item):
    raise ValueError(f"item {item}")
try:
    list(in_processes(work, range(20), long=True))
except ValueError as error:
    assert str(error) == "item 0"
    assert not multiprocessing.active_children()
    sys.exit(7)
""")

    assert (done.returncode, done.stderr) == (7, "")


def test_whoever_stops_asking_does_not_wait():
    """The others would take a minute."""
    done = _run("""
def work(item):
    time.sleep(0.0 if item == 0 else 60.0)
    return item
began = time.monotonic()
told = in_processes(work, range(20), long=True)
assert next(told) == 0
told.close()
assert not multiprocessing.active_children()
assert time.monotonic() - began < 30.0
""")

    assert (done.returncode, done.stderr) == (0, "")


def test_one_that_ends_while_it_tells_is_not_waited_for():
    """Half a result lies in the pipe, whether the reader comes back for it or never does."""
    program = """
import threading
def work(item):
    if os.getpid() != here and item == 3:
        threading.Timer(0.2, os.kill, (os.getpid(), signal.SIGKILL)).start()
    return bytes([item]) * 20_000_000
told = in_processes(work, range(6), long=True)
assert next(told)[0] == 0
time.sleep(0.6)
"""
    back = _run(program + "assert [one[0] for one in told] == [1, 2, 3, 4, 5]")
    never = _run(program + "told.close(); assert not multiprocessing.active_children()")

    assert (back.returncode, back.stderr) == (0, "")
    assert (never.returncode, never.stderr) == (0, "")


def test_where_no_process_can_be_made_the_work_is_done_here():
    """A system that allows no more of them says so with an error; as good as none is one."""
    done = _run("""
from multiprocessing.context import ForkProcess
start, made = ForkProcess.start, []
def none(self):
    raise BlockingIOError("no more processes")
def one(self):
    made.append(self)
    (start if len(made) == 1 else none)(self)
ForkProcess.start = one
assert list(in_processes(lambda item: item**2, range(50), long=True)) == [item**2 for item in range(50)]
ForkProcess.start = none
assert [pid for pid in in_processes(lambda item: os.getpid(), range(5), long=True)] == [here] * 5
""")

    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("to_end", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_the_processes_end_with_the_one_that_asked(to_end):
    """However that is ended, and in a call that lets no other thread run: they are told by nobody else."""
    program = """
def work(item):
    os.write(1, f"{os.getpid()}\\n".encode())
    sum(range(3_000_000_000))
from polaritykit.base.interrupt import stopped_by_signals
with stopped_by_signals():
    try:
        list(in_processes(work, range(20), long=True))
    except KeyboardInterrupt:
        sys.exit(9)
"""
    with subprocess.Popen(
        [sys.executable, "-c", _BEGIN + program], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as asked:
        workers = [int(asked.stdout.readline()) for _ in range(3)]
        asked.send_signal(to_end)
        assert asked.wait(30) == (-signal.SIGKILL if to_end == signal.SIGKILL else 9)
        until = time.monotonic() + 10.0
        while any(_runs(pid) for pid in workers) and time.monotonic() < until:
            time.sleep(0.05)
        assert not [pid for pid in workers if _runs(pid)]
        assert asked.stderr.read() == ""


def _runs(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except FileNotFoundError:
        return False


def test_beside_other_threads_threads_do_the_work():
    """A copy would hold for ever what they hold now."""
    over = threading.Event()
    other = threading.Thread(target=over.wait)
    other.start()
    try:
        told = list(in_processes(lambda item: (item, os.getpid()), range(6)))
    finally:
        over.set()
        other.join()

    assert told == [(item, os.getpid()) for item in range(6)]


def test_a_copy_reads_files_at_places_of_its_own(tmp_path):
    """One place in a file is shared by all copies of a process that has it open: they open it anew."""
    done = _run(f"""
import numpy as np, soundfile
from pathlib import Path
from polaritykit.audio.session import open_session
folder = Path({str(tmp_path)!r})
sound = np.random.default_rng(1).uniform(-0.5, 0.5, (400_000, 2)).astype(np.float32)
for row in range(2):
    soundfile.write(folder / f"{{row}}.wav", sound[:, row], 48000, "FLOAT")
recording = open_session([folder]).recording
recording.read(100, 200)
def work(item):
    at = (item * 7919) % 390_000
    return np.array_equal(recording.read(at, at + 5000), sound[at : at + 5000].T)
told = list(in_processes(work, range(300), long=True))
assert all(told), sum(told)
""")

    assert (done.returncode, done.stderr) == (0, "")
