"""Work that is the same for many things, in a process for each core: Python runs its own lines one at a time.

Conventions: results come in the order of the things, so that answers do not depend on the number of cores.  A
process begins as a copy of this one, so that nothing has to be sent to it; what it returns is.  Where a copy
is not safe (other threads are running, or the system is not known to allow it), threads do the work.  The
library's own pool of processes waits for ever for the rest of what one that was killed was just telling;
here each has a pipe of its own, which ends with it.
"""

import gc
import os
import signal
import sys
import threading
import time
import warnings
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any, TypeVar, cast

from polaritykit.base.cores import on_cores

if TYPE_CHECKING:
    from multiprocessing.connection import Connection
    from multiprocessing.context import ForkProcess

T = TypeVar("T")
R = TypeVar("R")

#: Making processes takes some hundredths of a second: what is over sooner is done here.
_MADE_S = 0.2
_PR_SET_PDEATHSIG = 1
_TO_END = {signal.SIGINT, signal.SIGTERM, *({signal.SIGHUP} if hasattr(signal, "SIGHUP") else ())}


def in_processes(
    work: Callable[[T], R], items: Iterable[T], *, most: int | None = None, long: bool = False
) -> Iterator[R]:
    """Do some work for each item.

    Parameters
    ----------
    work : callable
        Must not depend on what it does for other items.  Only what it returns counts, and that can be
        pickled: what else it changes may be lost.
    items : iterable
    most : int, optional
        Items that may be worked on at a time, where each takes much memory; all cores when left out.
    long : bool
        Each item takes longer than processes take to be made.  Otherwise the first are worked on here, to
        see how long they take.

    Yields
    ------
    object
        What the work returns, item by item in their order.
    """
    items = list(items)
    workers = min(len(items), os.cpu_count() or 1, most or len(items))
    if workers <= 1 or not copies_are_safe():
        yield from on_cores(work, items, most=most)
        return
    done, spent_s = 0, 0.0
    while done < len(items) and not (long or (done and spent_s / done * (len(items) - done) > _MADE_S)):
        begin = time.perf_counter()
        result = work(items[done])
        spent_s += time.perf_counter() - begin
        yield result
        done += 1
    if done < len(items):
        yield from _by_copies(work, items[done:], workers)


def _by_copies(work: Callable[[T], R], items: Sequence[T], workers: int) -> Iterator[R]:
    """Yield results in order; what a copy does not tell, whatever ended it, is worked on here."""

    def be_asked(asked: "Connection") -> None:
        while True:
            number = asked.recv()
            asked.send((number, work(items[number])))

    with copies([be_asked] * workers) as made:
        shared_out = _SharedOut(len(items), made)
        for number, item in enumerate(items):
            told = shared_out.told(number)
            yield told[0] if told else work(item)


class _SharedOut:
    """Numbers of items shared out to copies, and what these told."""

    def __init__(self, count: int, made: Sequence["Connection"]) -> None:
        self._left = deque(range(count))
        self._given: dict[Connection, set[int]] = {copy: set() for copy in made}
        self._found: dict[int, Any] = {}
        for copy in [*made, *made]:  # one to work on, one to go on with
            with suppress(OSError):  # heard of later
                self._give(copy)

    def told(self, number: int) -> tuple[Any] | None:
        """Wait for the result of an item; None where no copy will tell it."""
        while number not in self._found and any(number in some for some in self._given.values()):
            self._hear()
        if number in self._found:
            return (self._found.pop(number),)
        self._left = deque(one for one in self._left if one != number)
        return None

    def _give(self, copy: "Connection") -> None:
        if self._left:
            copy.send(self._left[0])
            self._given[copy].add(self._left.popleft())

    def _hear(self) -> None:
        from multiprocessing.connection import wait

        for copy in cast("list[Connection]", wait(list(self._given))):
            try:
                number, result = copy.recv()
                self._found[number] = result
                self._given[copy].remove(number)
                self._give(copy)
            except (EOFError, OSError):
                del self._given[copy]


@contextmanager
def copies(tasks: Sequence[Callable[["Connection"], None]]) -> Iterator[list["Connection"]]:
    """Make a copy of this process for each task.

    Parameters
    ----------
    tasks : sequence of callable
        Each is called, in its copy, with an end of a pipe.  Whatever goes wrong there ends the pipe and says
        nothing: it is met again by whoever then does it here.

    Yields
    ------
    list of Connection
        The other ends; fewer where the system allows no more processes.  Copies are gone after.
    """
    import multiprocessing

    context = multiprocessing.get_context("fork")
    made: list[tuple[ForkProcess, Connection]] = []
    try:
        with _signals_held_back(), suppress(OSError), warnings.catch_warnings():
            # Of threads that Python does not know of: libraries of linear algebra look after theirs.
            warnings.simplefilter("ignore", DeprecationWarning)
            for task in tasks:
                ours, theirs = context.Pipe()
                copy = context.Process(target=_be_a_copy, args=(task, theirs), daemon=True)
                with theirs:  # none but the copy holds it, so that it ends with that
                    copy.start()
                made.append((copy, ours))
        yield [ours for _, ours in made]
    finally:
        for copy, ours in made:
            ours.close()
            copy.kill()
        for copy, _ in made:  # all told first: they let go of their memory beside one another
            copy.join()


def copies_are_safe() -> bool:
    """Whether no other thread can hold what a copy would wait for, on a system where nothing else does."""
    import multiprocessing

    first = multiprocessing.parent_process() is None
    return sys.platform == "linux" and first and threading.active_count() == 1


@contextmanager
def _signals_held_back() -> Iterator[None]:
    """Let none fall between the making of a copy and its readiness."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, _TO_END)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _be_a_copy(task: Callable[["Connection"], None], asked: "Connection") -> None:
    """Say nothing when told to end, and do not outlive the process that asked."""
    gc.freeze()  # what there is would be copied where it is looked through
    for number in _TO_END:
        signal.signal(number, signal.SIG_DFL)
    _end_with_parent()
    signal.pthread_sigmask(signal.SIG_UNBLOCK, _TO_END)
    with suppress(Exception):
        task(asked)


def _end_with_parent() -> None:
    """Let the system end this copy with the process that asked, whatever it is at: prctl(2) of Linux.

    A thread that waits for that would not run while a long call holds the interpreter; meanwhile the copy
    holds what the other had locked.
    """
    import ctypes
    import multiprocessing

    asked_by = multiprocessing.parent_process()
    try:
        told = ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
    except (OSError, AttributeError):
        told = -1
    # One that ended before is told by nobody.
    if told != 0 or asked_by is None or os.getppid() != asked_by.pid:
        os._exit(1)
