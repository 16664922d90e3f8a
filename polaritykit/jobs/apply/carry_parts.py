"""Carries what a file holds beside its sound into its corrected copy, byte for byte, or names it.

Conventions: the copy is one that libsndfile just wrote without any of it.  FLAC's blocks go
before the audio (RFC 9639), and so do chunks, which may stand anywhere: libsndfile takes what follows the
audio of a Wave64 file for audio.  In AIFF they go behind it, where long ones do not exhaust its reader.
"""

import os
import struct
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from polaritykit.audio.other_parts import (
    COMMENTS,
    SEEKTABLE,
    STREAMINFO,
    Part,
    audio_place,
    find_parts,
    flac_blocks,
)
from polaritykit.audio.other_tags import lost_tags

#: Formats whose parts are carried as they stand (libsndfile's names), and what their chunks end on.
_PADDED_TO = {"AIFF": 2, "CAF": 1, "W64": 8, "FLAC": 1}
#: An IFF form counts its bytes with 32 bits.
_AIFF_LIMIT_BYTES = 2**32
#: Parts that name moments of the file's own clock.
_MOMENTS = frozenset({"MARK", "INST", "COMT", "mark", "regn", "CUESHEET", "cue", "bext"})


def is_carried(form: str) -> bool:
    """Tell whether all that a file of this format holds is carried, its names and comments too."""
    return form in _PADDED_TO


def carry_parts(
    source: Path, target: Path, form: str, *, same_length: bool, same_clock: bool = True
) -> tuple[str, ...]:
    """Put the parts of a file into its copy.

    Parameters
    ----------
    source, target : Path
        The file, and the copy that libsndfile closed.
    form : str
        libsndfile's name of their format.
    same_length : bool
        The copy has as many samples as the file.
    same_clock : bool
        The copy begins at the file's moment and runs at its pace, so that marks stay where they were.

    Returns
    -------
    tuple of str
        What could not be carried, by name.
    """
    if not is_carried(form):
        return lost_tags(source, form)
    parts = find_parts(source, form)
    kept = [
        part
        for part in parts
        if part.whole and (same_length or not part.tells_length) and (same_clock or part.name not in _MOMENTS)
    ]
    if form == "FLAC":
        _insert_blocks(source, target, kept)
    elif not _insert_chunks(source, target, kept, form):
        kept = []
    return tuple(dict.fromkeys(part.name for part in parts if part not in kept))


def _insert_chunks(source: Path, target: Path, parts: Sequence[Part], form: str) -> bool:
    place = target.stat().st_size if form == "AIFF" else audio_place(target, form)
    padded_to = _PADDED_TO[form]
    most = target.stat().st_size + sum(part.size + padded_to for part in parts)
    if not parts or place is None or (form == "AIFF" and most > _AIFF_LIMIT_BYTES):
        return not parts
    with _rewritten(target) as (written, new), source.open("rb") as old:
        copy_bytes(written, new, 0, place)
        new.write(bytes(-place % padded_to))
        for part in parts:
            copy_bytes(old, new, part.offset, part.size)
            new.write(bytes(-part.size % padded_to))
        copy_bytes(written, new, place, target.stat().st_size - place)
        total = new.tell()
        if form == "AIFF":
            new.seek(4)
            new.write(struct.pack(">I", total - 8))
        elif form == "W64":
            new.seek(16)  # behind the GUID; the whole file counts
            new.write(struct.pack("<Q", total))
    return True


def _insert_blocks(source: Path, target: Path, parts: Sequence[Part]) -> None:
    """Write the copy anew: its own stream description and seek table, the file's blocks, its audio."""
    if not parts:
        return
    own, audio = flac_blocks(target)
    wanted = {STREAMINFO, SEEKTABLE}
    if all(part.kind != COMMENTS for part in parts):
        wanted.add(COMMENTS)
    with _rewritten(target) as (written, new), source.open("rb") as old:
        new.write(b"fLaC")
        blocks = [(written, part) for part in own if part.kind in wanted] + [(old, part) for part in parts]
        for index, (file, part) in enumerate(blocks, start=1):
            is_last = index == len(blocks)
            new.write(bytes([part.kind | (0x80 if is_last else 0)]))
            copy_bytes(file, new, part.offset + 1, part.size - 1)
        copy_bytes(written, new, audio, target.stat().st_size - audio)


@contextmanager
def _rewritten(path: Path) -> Iterator[tuple[BinaryIO, BinaryIO]]:
    """Open a file as it is and one to take its place (both lie in a folder that is not finished yet)."""
    number, name = tempfile.mkstemp(dir=path.parent)
    with os.fdopen(number, "wb") as new, path.open("rb") as written:
        yield written, new
    Path(name).replace(path)


def copy_bytes(old: BinaryIO, new: BinaryIO, offset: int, size: int) -> None:
    """Copy a stretch of one open file to where another one stands.

    Parameters
    ----------
    old, new : binary file
        From and to.
    offset, size : int
        The stretch, bytes.

    Raises
    ------
    OSError
        When the file no longer holds it.
    """
    old.seek(offset)
    while size:
        piece = old.read(min(size, 1 << 20))
        if not piece:
            raise OSError(0, "it became shorter while it was read")
        new.write(piece)
        size -= len(piece)
