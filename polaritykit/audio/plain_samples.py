"""Samples of wave files of 16 and 24 bits, decoded by whole arrays.

Nearly all that is read are such files, and decoding is the largest part of reading them: the library turns
their samples into numbers one by one (24 bits: 7 to 9 ns each), whole arrays take a quarter of that.

Conventions: full scale is 1.0, as the library has it; a number of 24 bits times a power of two is exact in
single precision, so both give the same bits.  Everything else is the library's word: what a file is, how
long, and that its first and last samples are the ones found here; any other file is left to it.
"""

from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from polaritykit.audio.broadcast_wave import read_layout
from polaritykit.base.types import Samples

#: Bytes of a sample, by the library's name of the coding.
_WIDTHS = {"PCM_16": 2, "PCM_24": 3}
_CONTAINERS = {"WAV", "WAVEX", "RF64"}
#: Frames at either end that must be the library's own.
_COMPARED = 256
#: Samples decoded at a time: they stay in the first caches.
_AT_ONCE = 16_384


class PlainSamples:
    """Reads a file as `soundfile.SoundFile` does, as far as a recording needs it."""

    def __init__(self, file: BinaryIO, *, offset: int, frames: int, channels: int, width: int) -> None:
        self._file = file
        self._offset, self._frames, self._channels, self._width = offset, frames, channels, width
        self._position = 0

    def seek(self, frame: int) -> None:
        """Go to a frame."""
        self._position = frame

    def read(self, frames: int, *, out: Samples, **_: Any) -> Samples:
        """Fill contiguous ``(n, channels)`` samples, and return those that the file had."""
        n = max(0, min(frames, self._frames - self._position))
        self._file.seek(self._offset + self._position * self._width * self._channels)
        flat = out[:n].reshape(-1)
        got = 0
        for start in range(0, len(flat), _AT_ONCE):
            part = flat[start : start + _AT_ONCE]
            found = self._decode(part)
            got += found
            if found < len(part):
                break
        self._position += got // self._channels
        return out[: got // self._channels]

    def _decode(self, out: Samples) -> int:
        """Decode the next samples; return how many there were."""
        # One byte more in front: a sample of three is read as the upper three of four.
        raw = bytearray(1 + self._width * len(out))
        got = self._fill(memoryview(raw)[1:]) // self._width
        if self._width == 2:
            np.multiply(np.frombuffer(raw, "<i2", got, 1), np.float32(2.0**-15), out=out[:got])
        else:
            four: NDArray[np.int32] = np.ndarray((got,), "<i4", raw, strides=(3,))
            whole = four & np.int32(-256)
            np.multiply(whole, np.float32(2.0**-31), out=out[:got], dtype=np.float32, casting="unsafe")
        return got

    def _fill(self, room: memoryview) -> int:
        got = 0
        while got < len(room):
            more = self._file.readinto(room[got:])  # type: ignore[attr-defined]
            if not more:
                break
            got += more
        return got

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()

    def __del__(self) -> None:
        """Let go of a file that nobody closed, as the library's own reader does."""
        self._file.close()


def plain_samples(path: Path, opened: Any) -> PlainSamples | None:
    """Open a file for decoding by whole arrays.

    Parameters
    ----------
    path : Path
    opened : soundfile.SoundFile
        The same file, at its beginning and left there.

    Returns
    -------
    PlainSamples or None
        At its beginning; None for all that is no plain wave file of 16 or 24 bits.

    Raises
    ------
    OSError
        The file cannot be read.
    """
    width = _WIDTHS.get(opened.subtype) if opened.format in _CONTAINERS else None
    layout = read_layout(path) if width else None
    data = layout.find(b"data") if layout is not None and layout.form in {b"RIFF", b"RF64"} else None
    if width is None or data is None or data.available < opened.frames * opened.channels * width:
        return None
    found = PlainSamples(
        path.open("rb", buffering=0),
        offset=data.offset,
        frames=opened.frames,
        channels=opened.channels,
        width=width,
    )
    agree = False
    try:
        agree = _agree(found, opened)
    finally:
        if not agree:
            found.close()
        opened.seek(0)
        found.seek(0)
    return found if agree else None


def _agree(found: PlainSamples, opened: Any) -> bool:
    """Whether both read the same at either end."""
    n = min(_COMPARED, opened.frames)
    for start in (0, opened.frames - n):
        ours, theirs = (np.empty((n, opened.channels), np.float32) for _ in range(2))
        for reader, out in ((found, ours), (opened, theirs)):
            reader.seek(start)
            if len(reader.read(n, dtype="float32", always_2d=True, out=out)) < n:
                return False
        if not np.array_equal(ours, theirs):
            return False
    return True
