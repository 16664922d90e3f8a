"""Work that is the same for many things, in a process for each core: Python runs its own lines one at a time.

Conventions: results come in the order of the things, so that answers do not depend on the number of cores.  A
process begins as a copy of this one, so that nothing has to be sent to it; what it returns is.  Where a copy
is not safe (other threads are running, or the system is not known to allow it), threads do the work.
"""

import os
import signal
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, TypeVar

from polaritykit.base.cores import on_cores

T = TypeVar("T")
R = TypeVar("R")

#: Making processes takes some hundredths of a second: what is over sooner is done here.
_MADE_S = 0.1
#: What the processes that are being made are for: each finds it in its copy of the memory.
_given: list[tuple[Callable[[Any], Any], Sequence[Any]]] = []


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
    items = items[done:]
    done = 0
    for result in _told_by_copies(work, items, workers):
        yield result
        done += 1
    yield from map(work, items[done:])


def _told_by_copies(work: Callable[[T], R], items: Sequence[T], workers: int) -> Iterator[R]:
    """Yield results as long as there are processes.

    One may be killed, most likely for want of memory; a system may lack what they wait for each other with.
    """
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool

    others = set(multiprocessing.active_children())
    try:
        with ProcessPoolExecutor(workers, multiprocessing.get_context("fork"), begin_as_copy) as pool:
            try:
                with signals_held_back():
                    _given.append((work, items))
                    told = deque(pool.submit(_one, number) for number in range(len(items)))
                while told:
                    yield told.popleft().result()
            except BaseException:  # whoever stops asking, or is told to end, does not wait
                for child in set(multiprocessing.active_children()) - others:
                    child.kill()
                raise
            finally:
                _given.clear()
    except (BrokenProcessPool, OSError, ImportError, NotImplementedError):
        return


def copies_are_safe() -> bool:
    """Whether no other thread can hold what the copy would wait for, on a system where nothing else does."""
    return sys.platform == "linux" and threading.active_count() == 1


def _one(number: int) -> Any:
    work, items = _given[-1]
    return work(items[number])


@contextmanager
def signals_held_back() -> Iterator[None]:
    """Let no signal fall between the making of a process and its `begin_as_copy`."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT, signal.SIGTERM, signal.SIGHUP})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def begin_as_copy() -> None:
    """Say nothing when told to end, and do not outlive the process that asked."""
    import multiprocessing

    asked_by = multiprocessing.parent_process()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT, signal.SIGTERM, signal.SIGHUP})

    def follow() -> None:
        if asked_by is not None:
            asked_by.join()
        os._exit(1)

    threading.Thread(target=follow, daemon=True).start()
