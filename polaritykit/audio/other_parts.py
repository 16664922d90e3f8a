"""What a file holds beside its sound: found part by part, so that a copy carries it or names it.

Conventions: places and sizes in bytes, heads included and padding not, so that a part is carried by copying
it as it stands; parts are named as their formats name them.  Left out is what describes the stored samples
themselves, for the copy has its own (format, audio, seek table, overview, peaks, free space).  Layouts:
AIFF-C (chunks of an IFF ``FORM``), Core Audio Format 1.0, Wave64 as published, RFC 9639 (FLAC).
"""

import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

#: Chunks that describe the stored samples, by format.
_OF_THE_SOUND = {
    "AIFF": frozenset({"COMM", "SSND", "FVER", "PEAK", "FLLR"}),
    "CAF": frozenset({"desc", "data", "pakt", "kuki", "free", "peak", "ovvw", "edct"}),
    "W64": frozenset({"fmt", "fact", "data", "levl", "junk"}),
}
_AUDIO = {"SSND", "data"}
#: FLAC's block types.
STREAMINFO, _PADDING, _APPLICATION, SEEKTABLE, COMMENTS = range(5)
_FLAC_NAMES = {_APPLICATION: "APPLICATION", COMMENTS: "VORBIS_COMMENT", 5: "CUESHEET", 6: "PICTURE"}
#: Applications' blocks that hold the head and sizes of the file that was encoded.
_OTHER_HEADS = frozenset({b"riff", b"aiff", b"w64 "})
_MOST_PARTS = 10_000
#: A chunk's GUID and its size.
_W64_HEAD_BYTES = 24


@dataclass(frozen=True, kw_only=True)
class Part:
    """One chunk or block."""

    name: str
    offset: int
    size: int
    #: The file holds all of it.
    whole: bool = True
    #: FLAC: the type of its block.
    kind: int = 0
    #: It repeats the length of the audio, and is right only in a copy of that length.
    tells_length: bool = False


def find_parts(path: Path, form: str) -> tuple[Part, ...]:
    """List what a file holds beside its sound.

    Parameters
    ----------
    path : Path
        A file that libsndfile opens.
    form : str
        libsndfile's name of the format: ``AIFF``, ``CAF``, ``FLAC`` or ``W64``.

    Returns
    -------
    tuple of Part
        In the order of the file.

    Raises
    ------
    OSError
        When the file cannot be read.
    """
    if form == "FLAC":
        return tuple(part for part in flac_blocks(path)[0] if part.kind in _FLAC_NAMES)
    return tuple(part for part in _chunks(path, form) if part.name not in _OF_THE_SOUND[form])


def audio_place(path: Path, form: str) -> int | None:
    """Return where the audio's chunk starts, head included.

    Parameters
    ----------
    path : Path
        A file of chunks: ``AIFF``, ``CAF`` or ``W64``.
    form : str
        Which of them.

    Returns
    -------
    int or None
        None where there is none.
    """
    return next((part.offset for part in _chunks(path, form) if part.name in _AUDIO), None)


def audio_end(path: Path) -> int | None:
    """Return where the audio of a Wave64 file ends, if something stands behind it.

    Parameters
    ----------
    path : Path
        Any file.

    Returns
    -------
    int or None
        None for other formats, and where the audio goes to the end of the file.
    """
    with path.open("rb") as file:
        if file.read(4) != b"riff":
            return None
        total = file.seek(0, os.SEEK_END)
        audio = next((part for part in _w64(file, total) if part.name in _AUDIO), None)
    end = total if audio is None or audio.size <= _W64_HEAD_BYTES else audio.offset + audio.size
    return end if end < total else None


def _chunks(path: Path, form: str) -> tuple[Part, ...]:
    readers = {"AIFF": _aiff, "CAF": _caf, "W64": _w64}
    with path.open("rb") as file:
        total = file.seek(0, os.SEEK_END)
        return tuple(readers[form](file, total))


def _aiff(file: BinaryIO, total: int) -> Iterator[Part]:
    for offset, head in _heads(file, total, start=12, length=8):
        name, size = struct.unpack(">4sI", head)
        if not _is_name(name):
            return
        yield _part(name, offset, 8 + size, total)
        file.seek(offset + 8 + size + size % 2)


def _caf(file: BinaryIO, total: int) -> Iterator[Part]:
    for offset, head in _heads(file, total, start=8, length=12):
        name, size = struct.unpack(">4sq", head)
        if not _is_name(name):
            return
        size = total - offset - 12 if size < 0 else size  # −1: audio to the end of the file
        yield _part(name, offset, 12 + size, total)
        file.seek(offset + 12 + size)


def _w64(file: BinaryIO, total: int) -> Iterator[Part]:
    for offset, head in _heads(file, total, start=40, length=_W64_HEAD_BYTES):
        (size,) = struct.unpack("<Q", head[16:])  # with its head
        if size < len(head):
            return
        yield _part(head[:4] if _is_name(head[:4]) else head[:16].hex().encode(), offset, size, total)
        if offset + size >= total:
            return
        file.seek(offset + size + -size % 8)


def _heads(file: BinaryIO, total: int, *, start: int, length: int) -> Iterator[tuple[int, bytes]]:
    """Read one head after the other; the reader of each goes to the next."""
    file.seek(start)
    for _ in range(_MOST_PARTS):
        offset = file.tell()
        if offset + length > total:
            return
        yield offset, file.read(length)


def _part(name: bytes, offset: int, size: int, total: int) -> Part:
    return Part(name=name.decode("ascii").strip(), offset=offset, size=size, whole=offset + size <= total)


def _is_name(name: bytes) -> bool:
    return name.isascii() and name.decode("ascii").isprintable()


def flac_blocks(path: Path) -> tuple[tuple[Part, ...], int]:
    """List all metadata blocks of a FLAC file.

    Parameters
    ----------
    path : Path
        The file; a tag in front of the stream (ID3) is passed over.

    Returns
    -------
    tuple of Part
        All blocks, `kind` being their type; none where the file is no FLAC stream.
    int
        Where the audio starts.
    """
    blocks: list[Part] = []
    with path.open("rb") as file:
        total = file.seek(0, os.SEEK_END)
        file.seek(id3_length(file))
        if file.read(4) != b"fLaC":
            return (), 0
        for offset, head in _heads(file, total, start=file.tell(), length=4):
            kind, size = head[0] & 0x7F, int.from_bytes(head[1:], "big")
            name, foreign = _FLAC_NAMES.get(kind, str(kind)), False
            if kind == _APPLICATION:
                foreign = file.read(4) in _OTHER_HEADS
            whole = offset + 4 + size <= total
            blocks.append(
                Part(name=name, offset=offset, size=4 + size, whole=whole, kind=kind, tells_length=foreign)
            )
            file.seek(offset + 4 + size)
            if head[0] & 0x80:
                break
        return tuple(blocks), file.tell()


def id3_length(file: BinaryIO) -> int:
    """Return how many bytes of ID3v2 tag stand at the start of an open file (seven bits of size a byte)."""
    file.seek(0)
    head = file.read(10)
    if len(head) < 10 or head[:3] != b"ID3":
        return 0
    return 10 + sum((byte & 0x7F) << shift for byte, shift in zip(head[6:], (21, 14, 7, 0), strict=True))
