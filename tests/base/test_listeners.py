"""Listeners in copies of the process hear what those in threads hear; one that is killed is told of.

The test runner's own threads make copies unsafe, so what is about copies is a program of its own.
"""

import subprocess
import sys
import threading

import numpy as np
import pytest

from polaritykit.base.listeners import Listener, LostError, in_copies, in_threads

_BEGIN = """
import os, signal, multiprocessing
import numpy as np
from polaritykit.base.listeners import Listener, LostError, in_copies, in_threads

def adding(at=None):
    heard = []
    def hear(start, block):
        if at == start and multiprocessing.parent_process() is not None:
            os.kill(os.getpid(), signal.SIGKILL)
        heard.append((start, block.sum(axis=1).tolist()))
    return Listener(hear=hear, told=lambda: (heard, os.getpid()))

sound = np.random.default_rng(3).standard_normal((4, 1000)).astype(np.float32)
blocks = [(start, sound[:, start : start + 64]) for start in range(0, 1000, 64)]

def heard_by(listeners):
    for start, block in blocks:
        listeners.hear(start, block)
        listeners.wait()
    return listeners.told()
"""


def _run(program: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", _BEGIN + program], capture_output=True, text=True, timeout=60, check=False
    )


@pytest.mark.skipif(sys.platform != "linux", reason="processes are copied on Linux alone")
def test_copies_hear_what_threads_hear():
    """Each all blocks in their order, the short one at the end too; none is left over."""
    done = _run("""
with in_copies([adding(), adding()], (4, 64)) as listeners:
    apart = heard_by(listeners)
with in_threads([adding(), adding()]) as listeners:
    here = heard_by(listeners)
assert [heard for heard, _ in apart] == [heard for heard, _ in here]
assert len(apart[0][0]) == len(blocks)
assert len({apart[0][1], apart[1][1], os.getpid()}) == 3
assert not multiprocessing.active_children()
""")

    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.skipif(sys.platform != "linux", reason="processes are copied on Linux alone")
def test_a_copy_that_is_killed_is_told_of():
    """As a system does that runs out of memory: early, and at the last block."""
    done = _run("""
for at in (0, 320, blocks[-1][0]):
    try:
        with in_copies([adding(), adding(at)], (4, 64)) as listeners:
            heard_by(listeners)
    except LostError:
        assert not multiprocessing.active_children()
        continue
    raise AssertionError(at)
""")

    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.skipif(sys.platform != "linux", reason="processes are copied on Linux alone")
def test_a_first_pass_goes_on_without_a_copy_that_is_killed():
    """Its answers are those of one that was not."""
    done = _run("""
from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.evidence import first_pass
from polaritykit.evidence.settings import Settings
recording = ArrayRecording({str(row): np.tile(one, 400) for row, one in enumerate(sound)}, 48000)
def passed():
    found = first_pass.read_first_pass(recording, Settings(), lambda *_: None)
    arrays = found.onsets.onsets(), found.activity_db, found.spectra.matrix
    return found.levels, [array.tobytes() for array in arrays]
whole, update = passed(), first_pass.OnsetDetector.update
def killed(self, block):
    if multiprocessing.parent_process() is not None:
        os.kill(os.getpid(), signal.SIGKILL)
    update(self, block)
first_pass.OnsetDetector.update = killed
assert passed() == whole
""")

    assert (done.returncode, done.stderr) == (0, "")


def test_beside_other_threads_there_are_no_copies():
    """Nor where blocks would take much of the memory."""
    over = threading.Event()
    other = threading.Thread(target=over.wait)
    other.start()
    try:
        with pytest.raises(LostError), in_copies([_none()], (4, 64)):
            pass
    finally:
        over.set()
        other.join()
    with pytest.raises(LostError), in_copies([_none()], (10_000, 1 << 17)):
        pass


def test_a_fault_of_a_listener_reaches_the_caller():
    """When the block it could not hear is waited for."""

    def hear(_start: int, _block: np.ndarray) -> None:
        raise ValueError("deaf")

    with in_threads([Listener(hear=hear, told=list)]) as listeners:
        listeners.hear(0, np.zeros((1, 4), np.float32))
        with pytest.raises(ValueError, match="deaf"):
            listeners.wait()


def _none() -> Listener:
    return Listener(hear=lambda _start, _block: None, told=list)
