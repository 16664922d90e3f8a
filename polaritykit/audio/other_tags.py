"""Tags of formats whose parts are not carried as they stand: which of them libsndfile does not carry either.

Conventions: tags are named as their formats name them.  Layouts: RFC 3533 (Ogg pages), Vorbis I section 5 and
RFC 7845 (comments), RFC 9639 section 10 (FLAC in Ogg), ID3v2.3 and 2.4, the header of AU files.
"""

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from polaritykit.audio.other_parts import id3_length

#: Comment fields and ID3 frames that the library carries.
_CARRIED_FIELDS = frozenset(
    [
        *("TITLE", "COPYRIGHT", "SOFTWARE", "ENCODER", "ARTIST", "COMMENT", "DATE", "ALBUM", "LICENSE"),
        *("TRACKNUMBER", "GENRE"),
    ]
)
_CARRIED_FRAMES = frozenset(["TIT2", "TPE1", "TALB", "TCON", "TRCK", "TDRC", "TYER", "COMM", "TSSE", "TLEN"])
#: What stands before the comments of an Ogg stream.
_COMMENT_HEADS = (b"\x03vorbis", b"OpusTags")
_FLAC_IN_OGG = b"\x7fFLAC"
_MOST_BYTES = 64_000_000
_MOST_FIELDS = 10_000


def lost_tags(path: Path, form: str) -> tuple[str, ...]:
    """Name the tags of a file that a copy through libsndfile does not have.

    Parameters
    ----------
    path : Path
        A file that libsndfile opens.
    form : str
        libsndfile's name of the format.

    Returns
    -------
    tuple of str
        Each once, in order; for formats other than Ogg, MP3 and AU one word for whatever there may be.
    """
    readers = {"OGG": _ogg, "MP3": _id3, "AU": _au}
    if form not in readers:
        return ("whatever else such a file has beside its sound",)
    with path.open("rb") as file:
        try:
            return tuple(dict.fromkeys(readers[form](file)))
        except struct.error:  # a tag that ends within a number
            return ("damaged tags",)


def _ogg(file: BinaryIO) -> Iterator[str]:
    packets = _first_packets(file)
    first, second = next(packets, b""), next(packets, b"")
    if first.startswith(_FLAC_IN_OGG):
        names = {2: "APPLICATION", 5: "CUESHEET", 6: "PICTURE"}
        yield from _fields(second, 4)
        while second and not second[0] & 0x80:  # the last block is marked
            second = next(packets, b"")
            if second and second[0] & 0x7F in names:
                yield names[second[0] & 0x7F]
        return
    head = next((head for head in _COMMENT_HEADS if second.startswith(head)), b"")
    yield from _fields(second, len(head))


def _first_packets(file: BinaryIO) -> Iterator[bytes]:
    """Put the packets of an Ogg file's first stream together, one after the other."""
    serial, packet, read = None, bytearray(), 0
    while read < _MOST_BYTES and (head := file.read(27))[:4] == b"OggS" and len(head) == 27:
        lacing = file.read(head[26])
        content = file.read(sum(lacing))
        read += len(content) + len(head)
        serial = serial or head[14:18]
        if head[14:18] != serial:
            continue
        position = 0
        for length in lacing:
            packet += content[position : position + length]
            position += length
            if length < 255:
                yield bytes(packet)
                packet.clear()


def _fields(content: bytes, position: int) -> Iterator[str]:
    """Names of the fields of a block of comments."""
    (vendor,) = struct.unpack_from("<I", content, position)
    (count,) = struct.unpack_from("<I", content, position + 4 + vendor)
    position += 8 + vendor
    for _ in range(min(count, _MOST_FIELDS)):
        (size,) = struct.unpack_from("<I", content, position)
        name = (
            content[position + 4 : position + 4 + size].partition(b"=")[0].decode("ascii", "replace").upper()
        )
        if name not in _CARRIED_FIELDS:
            yield f"comment {name}"
        position += 4 + size


def _id3(file: BinaryIO) -> Iterator[str]:
    end = id3_length(file)
    file.seek(3)
    version = file.read(1)
    position = 10
    while version in {b"\3", b"\4"} and position + 10 <= end:
        file.seek(position)
        head = file.read(10)
        name = head[:4].decode("ascii", "replace")
        if len(head) < 10 or not name.isalnum():  # padding
            return
        if name not in _CARRIED_FRAMES:
            yield f"ID3 {name}"
        bits = 8 if version == b"\3" else 7
        position += 10 + sum(byte << bits * (3 - index) for index, byte in enumerate(head[4:8]))


def _au(file: BinaryIO) -> Iterator[str]:
    magic, place = file.read(4), file.read(4)
    if magic in {b".snd", b"dns."}:
        start = int.from_bytes(place, "big" if magic == b".snd" else "little")
        file.seek(24)
        if file.read(min(max(start - 24, 0), _MOST_BYTES)).strip(b"\0 "):
            yield "annotation"
