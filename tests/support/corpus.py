"""Files for attacks: every format that is read, every kind of damage, names that no one expects.

All is made here, from noise and a seed; layouts of the damaged fields are those of the formats' own texts.
"""

import hashlib
import signal
import struct
from contextlib import contextmanager

import numpy as np
import soundfile

RATE = 48_000
#: Extension of the name -> format and sample format of libsndfile.
FORMATS = {
    "16.wav": ("WAV", "PCM_16"),
    "24.wav": ("WAV", "PCM_24"),
    "float.wav": ("WAV", "FLOAT"),
    "8.wav": ("WAV", "PCM_U8"),
    "law.wav": ("WAV", "ULAW"),
    "ext.wav": ("WAVEX", "PCM_24"),
    "rf64": ("RF64", "PCM_16"),
    "flac": ("FLAC", "PCM_24"),
    "aiff": ("AIFF", "PCM_16"),
    "aifc": ("AIFF", "FLOAT"),
    "caf": ("CAF", "PCM_24"),
    "alac.caf": ("CAF", "ALAC_16"),
    "w64": ("W64", "PCM_16"),
    "au": ("AU", "PCM_16"),
    "ogg": ("OGG", "VORBIS"),
    "opus.ogg": ("OGG", "OPUS"),
    "mp3": ("MP3", "MPEG_LAYER_III"),
}
#: Stems: spaces, a dash in front, a formula, controls, both directions of writing, long, no text, reserved.
NAMES = (
    b"two words",
    b"-o",
    b"=1+1",
    b"k\x1b[2J\nick",
    "a\u202ecba\u2066".encode(),
    b"x" * 240,
    b"t\xfc1",
    b"CON",
    b"a..b",
    "\u0631\u0623\u0633 e\u0301".encode(),
    b"<script>alert(1)<b>",
    b"%s{0}$HOME`id`",
)


def sound(seconds=0.5, seed=0):
    """White noise."""
    return 0.1 * np.random.default_rng(seed).standard_normal(round(seconds * RATE))


def encoded(extension, samples, path):
    """Return one file's bytes, by way of a path that may be written."""
    form, subtype = FORMATS[extension]
    soundfile.write(path, samples, RATE, format=form, subtype=subtype)
    content = path.read_bytes()
    path.unlink()
    return content


def _sizes(value):
    def lie(content, _):
        # The first four-byte size behind a chunk's name, or the last page's position of an Ogg stream.
        for name in (b"data", b"SSND", b"fmt "):
            place = content.find(name)
            if place >= 0:
                return content[: place + 4] + value + content[place + 8 :]
        return content[:20] + value + content[24:]

    return lie


def _bytes(content, chance):
    """Damage bytes, mostly of the head: values, sizes, cuts, repeats."""
    content = bytearray(content)
    for _ in range(chance.randint(1, 4)):
        if not content:
            break
        place = chance.randrange(min(len(content), chance.choice((64, 512, len(content)))))
        kind = chance.randrange(5)
        if kind == 0:
            content[place] = chance.randrange(256)
        elif kind == 1:
            content[place : place + 4] = chance.choice((b"\xff" * 4, bytes(4), b"\x7f" + b"\xff" * 3))
        elif kind == 2:
            content = content[: place + 1]
        elif kind == 3:
            content[place:place] = content[place : place + chance.randrange(64)]
        else:
            content[place : place + 8] = struct.pack("<Q", chance.choice((2**63, 2**32 - 1, 2**31, 7)))
    return bytes(content)


#: Kind of damage -> how it is done to a file's bytes with a source of chance.
DAMAGE = {
    "none": lambda content, _: content,
    "empty": lambda *_: b"",
    "head only": lambda content, _: content[:44],
    "cut in the head": lambda content, _: content[:10],
    "cut in the audio": lambda content, _: content[: len(content) * 2 // 3],
    "size of 0": _sizes(bytes(4)),
    "largest size": _sizes(b"\xff" * 4),
    "zeros behind": lambda content, _: content + bytes(100_000),
    "twice": lambda content, _: content + content,
    "text": lambda *_: b"not audio at all\n" * 100,
    "bytes": _bytes,
}


def digests(folder):
    """SHA-256 (FIPS 180-4) of all files of a folder, by name."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@contextmanager
def soon(seconds=20):
    """Raise where something takes far longer than it can take (POSIX alarms): a failure instead of a hang."""

    def late(*_):
        raise TimeoutError

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
