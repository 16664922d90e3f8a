"""A few sessions at a time on this machine.

Conventions: records come in the order in which sessions are done; whoever stops asking stops the work.
"""

import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from itertools import islice

from polaritykit.jobs.archive.records import Request, SessionRecord
from polaritykit.jobs.archive.work import check_session, stop_all

#: Of one check; measured: up to 1 GB for a minute of 48 tracks (`tests/benchmarks/speed.py`).
_BYTES_EACH = 1 << 30


def usual_workers() -> int:
    """As many checks at a time as there are cores, and as memory allows."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    try:
        free = os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (ValueError, OSError, AttributeError):  # a system that does not tell
        return cores
    return max(1, min(cores, free // _BYTES_EACH))


def run_pool(
    requests: Iterable[Request],
    *,
    workers: int,
    check: Callable[[Request], SessionRecord] = check_session,
) -> Iterator[SessionRecord]:
    """Check sessions, each in its own process, and yield what came of each.

    Parameters
    ----------
    requests : iterable of Request
        Taken as they are needed: finding goes on meanwhile.
    workers : int
        Processes at a time.
    check : callable
        What is done with one.
    """
    left = iter(requests)
    with ThreadPoolExecutor(workers) as pool:
        waiting: set[Future[SessionRecord]] = set()
        try:
            while True:
                waiting |= {pool.submit(check, item) for item in islice(left, 2 * workers - len(waiting))}
                if not waiting:
                    return
                done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                for future in done:
                    yield future.result()
        finally:
            for future in waiting:
                future.cancel()
            if waiting:
                stop_all()
