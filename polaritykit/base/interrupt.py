"""Requests to end (Ctrl-C, SIGTERM, a terminal that closes): one exception, so that all is cleared away.

Conventions: the exit code is the shells', 128 and the signal's number.
"""

import _thread
import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

#: Exit codes above tell of a signal.
_SIGNALLED = 128
#: Not on every system.
_SIGNALS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


@contextmanager
def ends_as_told() -> Iterator[None]:
    """End a stopped process with its own code.

    Python kills itself with SIGINT at its end, whatever the code, where Ctrl-C or another signal fell on
    text that is compiled and run (as dataclasses are made), even if the exception was caught.
    """
    try:
        yield
    except SystemExit as ended:
        if isinstance(ended.code, int) and ended.code > _SIGNALLED:
            with suppress(OSError, ValueError):
                sys.stdout.flush()
                sys.stderr.flush()
            os._exit(ended.code)
        raise


@contextmanager
def stopped_by_signals() -> Iterator[list[int]]:
    """Turn a request to end into the exception that Ctrl-C is, so that what is half-written is cleared away.

    Further signals do not disturb that.

    Yields
    ------
    list of int
        The signals met so far.
    """
    met: list[int] = []
    handlers: dict[int, Any] = {}
    told = sys.unraisablehook

    def stop(number: int, _frame: Any) -> None:
        found = sys.exception()
        while found is not None:
            if isinstance(found, KeyboardInterrupt):
                return  # clearing up already
            found = found.__context__
        met.append(number)
        raise KeyboardInterrupt

    def swallowed(unraisable: Any) -> None:
        # Where C code calls back, or an object is finalised, the exception goes no further: ask once more.
        if isinstance(unraisable.exc_value, KeyboardInterrupt):
            _thread.interrupt_main(signal.Signals(met[-1] if met else signal.SIGINT))
        else:
            told(unraisable)

    try:
        if threading.current_thread() is threading.main_thread():  # others may not set handlers
            for wanted in _SIGNALS:
                if signal.getsignal(wanted) is not signal.SIG_IGN:
                    handlers[wanted] = signal.signal(wanted, stop)
            sys.unraisablehook = swallowed
        yield met
    finally:
        for each, handler in handlers.items():
            signal.signal(each, handler)
        sys.unraisablehook = told
