"""The chunks of a wave file: start time, and what must survive when a corrected copy is written.

Conventions: sizes and offsets in bytes; start times in samples since midnight at the rate they were
stamped with.  Layouts after EBU Tech 3285 v2 (``bext``), EBU Tech 3306 and ITU-R BS.2088 (64-bit
sizes in ``ds64``); iXML is a de-facto standard.
"""

import re
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

#: Size field of a 32-bit header that says "look in ds64" (or, in a plain file, "never filled in").
UNKNOWN_SIZE = 0xFFFFFFFF
#: Offset of TimeReferenceLow in ``bext``, and the end of TimeReferenceHigh.
BEXT_TIME = slice(338, 346)
#: Metadata chunks longer than this are not read into memory (iXML is a few kilobytes).
_METADATA_LIMIT_BYTES = 4_000_000
#: More chunks than this is no header (real files have some ten): the walk ends there.
_MOST_CHUNKS = 10_000


@dataclass(frozen=True, kw_only=True)
class Chunk:
    """One chunk: its four-letter name, where its content starts, and how long it is."""

    name: bytes
    offset: int
    #: Size the header announces (64-bit where ``ds64`` says so).
    size: int
    #: What the file really holds of it; smaller than ``size`` when the file was cut off.
    available: int
    #: The header says 0 bytes where the rest of the file is audio: a recorder that lost power.
    unfilled: bool = False


@dataclass(frozen=True, kw_only=True)
class WaveLayout:
    """Order of the chunks of a wave file."""

    #: ``RIFF``, ``RIFX`` (big-endian), ``RF64`` or ``BW64``.
    form: bytes
    chunks: tuple[Chunk, ...]
    #: Bytes behind the last chunk that are no chunk.
    rest_bytes: int = 0

    @property
    def byte_order(self) -> str:
        """``struct`` prefix of the header's numbers."""
        return ">" if self.form == b"RIFX" else "<"

    def find(self, name: bytes) -> Chunk | None:
        """Return the first chunk of that name."""
        return next((chunk for chunk in self.chunks if chunk.name == name), None)


@dataclass(frozen=True, kw_only=True)
class StartTime:
    """When a file says it began; None where it does not say."""

    #: TimeReference of ``bext``, both words.
    bext_samples: int | None
    ixml_samples: int | None
    #: Rate iXML counts in; None when it means the file's own.
    ixml_rate_hz: int | None


def read_layout(path: Path) -> WaveLayout | None:
    """Walk the chunks of a wave file without reading its audio.

    Parameters
    ----------
    path : Path
        Any file.

    Returns
    -------
    WaveLayout or None
        None when the file is no RIFF, RIFX, RF64 or BW64 wave file.

    Raises
    ------
    OSError
        When the file cannot be opened or read.
    """
    with path.open("rb") as file:
        header = file.read(12)
        form = header[:4]
        if form not in {b"RIFF", b"RIFX", b"RF64", b"BW64"} or header[8:12] != b"WAVE":
            return None
        total = file.seek(0, 2)
        chunks = _walk(file, form=form, position=12, total=total)
    end = max((chunk.offset + chunk.size + chunk.size % 2 for chunk in chunks), default=12)
    return WaveLayout(form=form, chunks=chunks, rest_bytes=max(total - end, 0))


def _walk(file: BinaryIO, *, form: bytes, position: int, total: int) -> tuple[Chunk, ...]:
    """List the chunks from a position on; a cut-off file yields what is there."""
    order = ">" if form == b"RIFX" else "<"
    large: dict[bytes, int] = {}
    chunks: list[Chunk] = []
    while position + 8 <= total and len(chunks) < _MOST_CHUNKS:
        file.seek(position)
        name, size = struct.unpack(order + "4sI", file.read(8))
        if not (name.isascii() and name.decode("ascii").isprintable()):
            break  # no chunk's name: zeros behind the audio, or damage
        offset = position + 8
        rest = total - offset
        if name == b"ds64":
            large = _read_ds64(file.read(min(size, _METADATA_LIMIT_BYTES)))
        if size == UNKNOWN_SIZE:
            size = large.get(name, rest)
        unfilled = name == b"data" and size == 0 and not _ends_in_chunks(file, form, offset, total)
        if unfilled:
            size = rest
        available = min(size, rest)
        chunks.append(Chunk(name=name, offset=offset, size=size, available=available, unfilled=unfilled))
        position = offset + size + size % 2
    return tuple(chunks)


def _ends_in_chunks(file: BinaryIO, form: bytes, position: int, total: int) -> bool:
    """Tell whether what follows is chunks to the very end, so that the audio is truly empty."""
    following = _walk(file, form=form, position=position, total=total) if position < total else ()
    last = following[-1] if following else None
    end = position if last is None else last.offset + last.size
    return total - 1 <= end <= total


def _read_ds64(content: bytes) -> dict[bytes, int]:
    """Return the 64-bit sizes by chunk name (``data`` has its own field, the others a table)."""
    if len(content) < 28:
        return {}
    sizes = {b"data": struct.unpack_from("<Q", content, 8)[0]}
    (entries,) = struct.unpack_from("<I", content, 24)
    for index in range(min(entries, (len(content) - 28) // 12)):
        name, size = struct.unpack_from("<4sQ", content, 28 + 12 * index)
        sizes[name] = size
    return sizes


def missing_bytes(layout: WaveLayout) -> int:
    """Return how many bytes of audio the header announces and the file does not hold."""
    data = layout.find(b"data")
    return 0 if data is None else data.size - data.available


def read_start(path: Path, layout: WaveLayout) -> StartTime:
    """Read the start time from the ``bext`` and ``iXML`` chunks.

    Parameters
    ----------
    path : Path
        The file.
    layout : WaveLayout
        Its chunks, from `read_layout`.

    Returns
    -------
    StartTime
        Both accounts, for they may disagree.

    Examples
    --------
    13:00:00 at 96 kHz needs the high word: 4 492 800 000 = 1 · 2³² + 197 832 704.

    >>> 1 * 2**32 + 197_832_704 == 13 * 3600 * 96_000
    True
    """
    bext = _content(path, layout.find(b"bext"))
    ixml = _content(path, layout.find(b"iXML"))
    reference = None
    if len(bext) >= 348:  # up to and with Version; shorter ones are not EBU Tech 3285
        low, high = struct.unpack(layout.byte_order + "II", bext[BEXT_TIME])
        reference = (high << 32) + low
    low_word = _ixml_number(ixml, "TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO")
    high_word = _ixml_number(ixml, "TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI")
    return StartTime(
        bext_samples=reference,
        ixml_samples=None if low_word is None else ((high_word or 0) << 32) + low_word,
        ixml_rate_hz=_ixml_number(ixml, "TIMESTAMP_SAMPLE_RATE") or None,
    )


def _content(path: Path, chunk: Chunk | None) -> bytes:
    if chunk is None or chunk.available > _METADATA_LIMIT_BYTES:
        return b""
    with path.open("rb") as file:
        file.seek(chunk.offset)
        return file.read(chunk.available)


def _ixml_number(content: bytes, tag: str) -> int | None:
    """Find one number by its tag; real iXML is too often broken XML for a parser."""
    match = re.search(rb"<" + tag.encode() + rb">\s*(\d{1,19})\s*</", content)
    return int(match.group(1)) if match else None
