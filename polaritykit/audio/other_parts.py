"""What a file holds beside its sound that libsndfile does not carry into a copy: named.

Conventions: parts are named as their formats name them.  Layouts: AIFF-C (chunks of an IFF ``FORM``) and
RFC 9639 (FLAC's metadata blocks).
"""

import struct
from pathlib import Path
from typing import BinaryIO

#: Chunks of AIFF that describe the sound itself, or that the library writes anew.
_AIFF_CARRIED = frozenset({b"COMM", b"SSND", b"FVER", b"PEAK", b"NAME", b"AUTH", b"(c) ", b"ANNO"})
#: FLAC's block types; a seek table and padding say nothing of their own.
_FLAC_PARTS = {2: "APPLICATION", 5: "CUESHEET", 6: "PICTURE"}
_COMMENTS = 4
#: Comment fields that the library carries.
_CARRIED_FIELDS = frozenset(
    ["TITLE", "COPYRIGHT", "ENCODER", "ARTIST", "COMMENT", "DATE", "ALBUM", "LICENSE", "TRACKNUMBER", "GENRE"]
)
_MOST_PARTS = 10_000


def other_parts(path: Path, form: str) -> tuple[str, ...]:
    """Name the parts of a file that a copy through libsndfile does not have.

    Parameters
    ----------
    path : Path
    form : str
        libsndfile's name of the format.

    Returns
    -------
    tuple of str
        Each once, in order; for formats other than AIFF and FLAC nothing is known and nothing is returned.
    """
    readers = {"AIFF": _aiff_parts, "FLAC": _flac_parts}
    if form not in readers:
        return ()
    with path.open("rb") as file:
        try:
            return tuple(dict.fromkeys(readers[form](file)))
        except struct.error:  # the file ends within a head
            return ()


def _aiff_parts(file: BinaryIO) -> list[str]:
    file.seek(12)
    found = []
    for _ in range(_MOST_PARTS):
        head = file.read(8)
        if len(head) < 8:
            break
        name, size = struct.unpack(">4sI", head)
        if not (name.isascii() and name.decode("ascii").isprintable()):
            break
        if name not in _AIFF_CARRIED:
            found.append(name.decode("ascii").strip())
        file.seek(size + size % 2, 1)
    return found


def _flac_parts(file: BinaryIO) -> list[str]:
    found: list[str] = []
    if file.read(4) != b"fLaC":
        return found
    for _ in range(_MOST_PARTS):
        (head,) = struct.unpack(">I", file.read(4))
        kind, size = head >> 24 & 0x7F, head & 0xFFFFFF
        content = file.read(size)
        if kind in _FLAC_PARTS:
            found.append(_FLAC_PARTS[kind])
        elif kind == _COMMENTS:
            found += [f"comment {field}" for field in _fields(content) if field not in _CARRIED_FIELDS]
        if head >> 31:
            break
    return found


def _fields(content: bytes) -> list[str]:
    """Names of the fields of a block of comments."""
    (vendor,) = struct.unpack_from("<I", content)
    (count,) = struct.unpack_from("<I", content, 4 + vendor)
    position = 8 + vendor
    fields = []
    for _ in range(min(count, _MOST_PARTS)):
        (size,) = struct.unpack_from("<I", content, position)
        field = content[position + 4 : position + 4 + size].partition(b"=")[0]
        fields.append(field.decode("ascii", "replace").upper())
        position += 4 + size
    return fields
