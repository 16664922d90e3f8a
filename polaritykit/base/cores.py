"""Work that is the same for many things, on all cores.

Conventions: threads, since numpy, the transforms and the decoders let others run meanwhile; results come in
the order of the things, so that answers do not depend on the number of cores.
"""

import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")
R = TypeVar("R")


def on_cores(work: Callable[[T], R], items: Iterable[T], *, most: int | None = None) -> Iterator[R]:
    """Do some work for each item.

    Parameters
    ----------
    work : callable
        Must not depend on what it does for other items.
    items : iterable
    most : int, optional
        Items that may be worked on at a time, where each takes much memory; all cores when left out.

    Yields
    ------
    object
        What the work returns, item by item in their order.
    """
    items = list(items)
    workers = min(len(items), os.cpu_count() or 1, most or len(items))
    if workers <= 1:  # a thread made for one alone costs more than small work does
        yield from map(work, items)
        return
    with ThreadPoolExecutor(workers, thread_name_prefix="work") as threads:
        yield from threads.map(work, items)
