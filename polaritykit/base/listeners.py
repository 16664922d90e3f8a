"""Listeners to the blocks of a recording, beside whoever reads them: in copies of the process or in threads.

Conventions: as in `polaritykit.base.processes`.  A listener hears all blocks in their order, wherever it is,
so that answers do not depend on that.  Blocks are ``(n_tracks, n)`` float32.
"""

import mmap
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from polaritykit.base.processes import copies, copies_are_safe
from polaritykit.base.types import Samples

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

#: Blocks in the memory that copies share: the listeners need not be done with one before the next is read.
_AHEAD = 2
#: That memory takes no more: blocks of 120 tracks.
_BYTES = 1.3e8


class LostError(Exception):
    """A copy ended before all was heard, most likely for want of memory."""


@dataclass(frozen=True, kw_only=True)
class Listener:
    """What listens: it must keep no view of a block, and what it tells can be pickled."""

    #: Takes the next block, and the recording's sample that is its first.
    hear: Callable[[int, Samples], None]
    #: Gives what was heard, after the last block.
    told: Callable[[], Any]


class Listeners(Protocol):
    """Some listeners at work."""

    def hear(self, start: int, block: Samples) -> None:
        """Let all hear a block, the first of it the recording's sample `start`."""

    def wait(self) -> None:
        """Return when the block that was given last may be let go."""

    def told(self) -> list[Any]:
        """Give what each has heard; nothing may be heard after."""


@contextmanager
def in_threads(listeners: Sequence[Listener]) -> Iterator[Listeners]:
    """Let listeners hear in threads of this process."""
    with ThreadPoolExecutor(len(listeners), thread_name_prefix="listen") as threads:
        yield _InThreads(listeners, threads)


@contextmanager
def in_copies(listeners: Sequence[Listener], shape: tuple[int, int]) -> Iterator[Listeners]:
    """Let listeners hear in copies of this process; those here hear nothing.

    Parameters
    ----------
    listeners : sequence of Listener
    shape : (int, int)
        Tracks, and samples of the longest block.

    Raises
    ------
    LostError
        Copies are not safe here, blocks too large, or one copy ended before all was heard.
    """
    n_tracks, n_samples = shape
    if not copies_are_safe() or 4 * _AHEAD * n_tracks * n_samples > _BYTES:
        raise LostError
    shared = np.frombuffer(mmap.mmap(-1, 4 * _AHEAD * n_tracks * n_samples), np.float32)
    slots = shared.reshape(_AHEAD, n_tracks, n_samples)
    try:
        with copies([partial(_listen, listener, slots) for listener in listeners]) as made:
            if len(made) < len(listeners):
                raise LostError
            yield _InCopies(slots, made)
    except (EOFError, OSError) as error:
        raise LostError from error


class _InThreads:
    def __init__(self, listeners: Sequence[Listener], threads: ThreadPoolExecutor) -> None:
        self._listeners, self._threads = listeners, threads
        self._hearing: list[Future[None]] = []

    def hear(self, start: int, block: Samples) -> None:
        self._hearing = [self._threads.submit(one.hear, start, block) for one in self._listeners]

    def wait(self) -> None:
        for one in self._hearing:
            one.result()

    def told(self) -> list[Any]:
        return [one.told() for one in self._listeners]


class _InCopies:
    def __init__(self, slots: Samples, copies: Sequence["Connection"]) -> None:
        self._slots, self._copies = slots, copies
        self._given = 0

    def hear(self, start: int, block: Samples) -> None:
        if self._given >= len(self._slots):
            for copy in self._copies:  # the block that lies where this one goes was heard
                copy.recv()
        slot = self._given % len(self._slots)
        self._slots[slot, :, : block.shape[1]] = block
        for copy in self._copies:
            copy.send((start, slot, block.shape[1]))
        self._given += 1

    def wait(self) -> None:
        pass  # the block was copied

    def told(self) -> list[Any]:
        for copy in self._copies:
            copy.send(None)
        return [self._last(copy) for copy in self._copies]

    def _last(self, copy: "Connection") -> Any:
        for _ in range(min(self._given, len(self._slots))):
            copy.recv()
        return copy.recv()


def _listen(listener: Listener, slots: Samples, asked: "Connection") -> None:
    """Hear what lies in a slot, say when it may be filled anew; at last tell."""
    while (given := asked.recv()) is not None:
        start, slot, n_samples = given
        listener.hear(start, slots[slot, :, :n_samples])
        asked.send(None)
    asked.send(listener.told())
