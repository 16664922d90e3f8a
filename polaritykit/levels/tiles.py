"""Blocks of any length to tiles of one length, each with what comes before and after it.

Conventions: samples are ``(n_tracks, n)`` float32; digital silence lies before the first and after the last.
"""

from collections.abc import Iterator

import numpy as np

from polaritykit.base.types import Samples

#: Tiles handed out together: large enough to keep Python out of the way (a block at a time, at up to 48 kHz).
_AT_ONCE = 80


class Tiles:
    """Cuts consecutive blocks into tiles.

    Parameters
    ----------
    n_tracks, tile_samples : int
    context : int
        Samples wanted before and after.
    """

    def __init__(self, n_tracks: int, tile_samples: int, context: int) -> None:
        self._tile, self._context = tile_samples, context
        #: What is handed out at once and what is around it; made once, for new memory costs time.
        self._buffer: Samples = np.zeros((n_tracks, 2 * context + (_AT_ONCE + 1) * tile_samples), np.float32)
        self._held = context

    def cut(self, block: Samples) -> Iterator[Samples]:
        """Take in the next samples, shape ``(n_tracks, n)``, any n.

        Yields
        ------
        array, shape (n_tracks, context + n_tiles * tile_samples + context)
            Whole tiles and what is around them, good until the next are asked for.
        """
        step = _AT_ONCE * self._tile
        for start in range(0, block.shape[1], step):
            part = block[:, start : start + step]
            self._buffer[:, self._held : self._held + part.shape[1]] = part
            self._held += part.shape[1]
            n_tiles = (self._held - 2 * self._context) // self._tile
            if n_tiles < 1:
                continue
            end = self._context + n_tiles * self._tile
            yield self._buffer[:, : end + self._context]
            rest = self._buffer[:, end - self._context : self._held].copy()
            self._held = rest.shape[1]
            self._buffer[:, : self._held] = rest

    def last(self) -> Iterator[Samples]:
        """Yield what is left, filled up with silence to whole tiles; nothing may be taken in afterwards."""
        rest = (self._held - self._context) % self._tile
        missing = self._context + (self._tile - rest) % self._tile
        yield from self.cut(np.zeros((len(self._buffer), missing), np.float32))
