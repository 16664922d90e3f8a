"""Start times written into the chunks of a wave file.

Conventions: samples since midnight at the file's own rate; layouts as in `broadcast_wave`.
"""

import re
import struct

from polaritykit.audio.broadcast_wave import BEXT_TIME

#: Size of ``bext`` up to its coding history, and its version field (EBU Tech 3285 v2).
_BEXT_BYTES = 602
_VERSION_AT = 346


def stamped(name: bytes, content: bytes, start_samples: int, order: str) -> bytes:
    """Put a start time into a chunk that holds one; any other chunk stays as it is.

    Parameters
    ----------
    name, content : bytes
        Of the chunk.
    start_samples : int
    order : {"<", ">"}
        ``struct`` prefix of the file's numbers.

    Returns
    -------
    bytes
    """
    if name == b"bext" and len(content) >= _VERSION_AT + 2:
        return content[: BEXT_TIME.start] + _words(start_samples, order) + content[BEXT_TIME.stop :]
    if name == b"iXML":
        for tag, word in ((b"LO", start_samples & 0xFFFFFFFF), (b"HI", start_samples >> 32)):
            pattern = rb"(<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_" + tag + rb">\s*)\d{1,19}(\s*</)"
            content = re.sub(pattern, rb"\g<1>" + str(word).encode() + rb"\g<2>", content)
    return content


def new_bext(start_samples: int, order: str) -> bytes:
    """Content of a ``bext`` chunk that says nothing but the start time (EBU Tech 3285, version 1)."""
    content = bytearray(_BEXT_BYTES)
    content[BEXT_TIME] = _words(start_samples, order)
    content[_VERSION_AT : _VERSION_AT + 2] = struct.pack(order + "H", 1)
    return bytes(content)


def _words(start_samples: int, order: str) -> bytes:
    return struct.pack(order + "II", start_samples & 0xFFFFFFFF, start_samples >> 32)
