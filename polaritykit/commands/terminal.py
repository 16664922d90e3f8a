"""Progress on standard error, and what the terminal can show.

Conventions: a stream that is no terminal gets no control codes and no progress; ``NO_COLOR`` is honoured.
"""

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


def wants_emphasis() -> bool:
    """Whether standard output may carry bold text (see https://no-color.org for the variable)."""
    return sys.stdout is not None and sys.stdout.isatty() and not os.environ.get("NO_COLOR")


@contextmanager
def progress_line(*, quiet: bool) -> Iterator[Callable[[str, float], None]]:
    """Yield a function that shows stage and share on one line of a terminal; clear the line at the end."""
    shown = not quiet and sys.stderr is not None and sys.stderr.isatty()
    last = ""

    def show(stage: str, share: float) -> None:
        nonlocal last
        text = f"{stage} {share:4.0%}"
        if shown and text != last:
            sys.stderr.write(f"\r{text:<40}")
            sys.stderr.flush()
            last = text

    try:
        yield show
    finally:
        if shown and last:
            sys.stderr.write("\r" + " " * 40 + "\r")
            sys.stderr.flush()
