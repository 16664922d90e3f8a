"""Builds broadcast-wave chunks for tests, by the tables of EBU Tech 3285 v2."""

import struct


def bext(reference, *, version=2):
    """Return a ``bext`` chunk's name and content with the given 64-bit TimeReference."""
    content = struct.pack(
        "<256s32s32s10s8sIIH64s5h180s",
        b"a description",
        b"an originator",
        b"a reference",
        b"2024-05-06",
        b"10:00:00",
        reference & 0xFFFFFFFF,
        reference >> 32,
        version,
        bytes(64),
        *(0x7FFF,) * 5,
        bytes(180),
    )
    assert len(content) == 602  # EBU Tech 3285: CodingHistory begins here
    return b"bext", content + b"A=PCM,F=48000\r\n"


def ixml(samples):
    """Return an ``iXML`` chunk with a start time in its two words."""
    text = (
        '<?xml version="1.0"?><BWFXML><SPEED>'
        f"<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>{samples >> 32}</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>"
        f"<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>{samples & 0xFFFFFFFF}</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>"
        "<TIMESTAMP_SAMPLE_RATE>48000</TIMESTAMP_SAMPLE_RATE></SPEED></BWFXML>"
    )
    return b"iXML", text.encode()


def insert_chunks(path, *chunks, behind=False):
    """Put chunks before (or behind) the audio of a wave file and mend the header's size."""
    data = path.read_bytes()
    extra = b"".join(
        struct.pack("<4sI", name, len(content)) + content + b"\0" * (len(content) % 2)
        for name, content in chunks
    )
    place = len(data) if behind else data.index(b"fmt ")
    data = data[:place] + extra + data[place:]
    if data[:4] == b"RF64":  # EBU Tech 3306: the size stands first in ds64
        path.write_bytes(data[:20] + struct.pack("<Q", len(data) - 8) + data[28:])
    else:
        path.write_bytes(data[:4] + struct.pack("<I", len(data) - 8) + data[8:])
    return path
