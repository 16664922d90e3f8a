"""Many objects that live on, made without the search for circles of references in between.

Python looks through all that lives whenever so many objects were made: of a document of many thousand pairs,
in which nothing is given up, that takes nearly as long as making it.
"""

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def no_collection() -> Iterator[None]:
    """Make objects without the search; as a decorator, during a call."""
    searched = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if searched:
            gc.enable()
