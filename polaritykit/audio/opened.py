"""Opens audio files through libsndfile, also those whose head or end it does not take as they stand.

Conventions: the file is never changed.  Three things are mended in memory, on the way to the library: a data
size of 0 that a recorder never filled in (the audio goes to the end of the file); the form ``BW64`` of
ITU-R BS.2088, whose chunks are those of ``RF64`` (EBU Tech 3306), which the library knows; and chunks behind
the audio of a Wave64 file, which it would take for audio, are kept from it.
"""

import os
import struct
from pathlib import Path
from typing import Any

from polaritykit.audio.broadcast_wave import UNKNOWN_SIZE, read_layout
from polaritykit.audio.other_parts import audio_end
from polaritykit.base.file_names import opened_as


def open_audio(path: Path) -> Any:
    """Open a file for reading.

    Parameters
    ----------
    path : Path
        An existing, regular file.

    Returns
    -------
    soundfile.SoundFile

    Raises
    ------
    OSError, soundfile.LibsndfileError
        When it cannot be opened, or is no audio.
    """
    import soundfile

    patches, end = _patches(path), audio_end(path)
    # By a name that ends so soundfile takes a file for samples without a header, and wants their rate.
    guessed = path.suffix.lower() == ".raw"
    is_mended = patches or guessed or end is not None
    return soundfile.SoundFile(_MendedFile(path, patches, end) if is_mended else opened_as(path))


def _patches(path: Path) -> dict[int, bytes]:
    """Bytes of the header to be given otherwise, by their place."""
    layout = read_layout(path)
    if layout is None:
        return {}
    patches = {}
    if layout.form == b"BW64":
        patches[0] = b"RF64"
    data = layout.find(b"data")
    if data is not None and data.unfilled:
        size = struct.pack(layout.byte_order + "I", min(data.available, UNKNOWN_SIZE))
        patches |= {4: struct.pack(layout.byte_order + "I", UNKNOWN_SIZE - 1), data.offset - 4: size}
    return patches


class _MendedFile:
    """A file with some bytes replaced or its end left out, as libsndfile reads it; not held open."""

    def __init__(self, path: Path, patches: dict[int, bytes], end: int | None) -> None:
        self._path = path
        self._patches = patches
        self._end = path.stat().st_size if end is None else end
        self._position = 0

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        start = {os.SEEK_SET: 0, os.SEEK_CUR: self._position, os.SEEK_END: self._end}[whence]
        self._position = start + offset
        return self._position

    def tell(self) -> int:
        return self._position

    def read(self, size: int) -> bytes:
        with self._path.open("rb") as file:
            file.seek(self._position)
            content = bytearray(file.read(min(size, max(self._end - self._position, 0))))
        for place, patch in self._patches.items():
            for index, byte in enumerate(patch, start=place - self._position):
                if 0 <= index < len(content):
                    content[index] = byte
        self._position += len(content)
        return bytes(content)

    def write(self, content: bytes) -> int:
        raise OSError(f"{self._path} is only read ({len(content)} bytes)")
