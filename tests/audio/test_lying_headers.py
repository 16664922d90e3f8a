"""Headers that lie, and what is no file: named and left out, or read as far as there is audio; never a hang.

Layouts: RFC 3533 (Ogg page, its CRC), EBU Tech 3306 (RF64), ITU-R BS.2088 (BW64), EBU Tech 3285 (bext).
"""

import os
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from corpus import soon
from places import ROOT

from polaritykit.audio.broadcast_wave import read_layout
from polaritykit.audio.header import FileHeader, read_header
from polaritykit.audio.opened import open_audio
from polaritykit.base.file_names import shown

RATE = 48_000
SOUND = 0.1 * np.random.default_rng(0).standard_normal(RATE)


def written(path, *, form="WAV", subtype="PCM_16", rate=RATE):
    """Write a second of noise."""
    soundfile.write(path, SOUND, rate, format=form, subtype=subtype)
    return path


def with_chunk(path, name, content):
    """Put a chunk before the audio."""
    old = path.read_bytes()
    path.write_bytes(old[:12] + struct.pack("<4sI", name, len(content)) + content + old[12:])
    return path


def ogg_checksum(page):
    """CRC of RFC 3533: polynomial 0x04c11db7, no reflection, start 0."""
    value = 0
    for byte in page:
        value ^= byte << 24
        for _ in range(8):
            value = ((value << 1) ^ (0x04C11DB7 if value & 0x80000000 else 0)) & 0xFFFFFFFF
    return value


@pytest.mark.parametrize("claimed", [RATE * 3600, 2**40, 2**62])
def test_lying_length_of_an_ogg_stream(tmp_path, claimed):
    """The last page claims an hour, or for ever: the second that is there is used."""
    path = written(tmp_path / "a.ogg", form="OGG", subtype="VORBIS")
    content = bytearray(path.read_bytes())
    last = content.rfind(b"OggS")
    content[last + 6 : last + 14] = struct.pack("<q", claimed)
    content[last + 22 : last + 26] = bytes(4)
    content[last + 22 : last + 26] = struct.pack("<I", ogg_checksum(content[last:]))
    path.write_bytes(content)

    assert read_header(path).frames == RATE


def test_first_frame_of_an_mp3_is_damaged(tmp_path):
    """The decoder resyncs and finds itself behind the length it announced: what decodes is used, or none."""
    path = written(tmp_path / "a.mp3", form="MP3", subtype="MPEG_LAYER_III")
    path.write_bytes(b"\xff" * 4 + path.read_bytes()[4:])

    found = read_header(path)
    assert not isinstance(found, FileHeader) or found.frames <= RATE + 2 * 1152  # a frame of MPEG-1 layer III


def test_zeros_behind_the_audio(tmp_path):
    """They are no chunks (each would be an entry of 8 bytes)."""
    path = written(tmp_path / "a.wav")
    with path.open("ab") as file:
        file.write(bytes(1 << 20))

    layout = read_layout(path)
    assert len(layout.chunks) < 10
    assert layout.rest_bytes == 1 << 20
    assert read_header(path).frames == RATE


def test_chunks_without_end(tmp_path):
    """As many empty chunks as fit are no header either."""
    path = written(tmp_path / "a.wav")
    with path.open("ab") as file:
        file.write(b"JUNK\0\0\0\0" * 100_000)
    assert len(read_layout(path).chunks) <= 10_000


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="POSIX pipes")
def test_pipes_and_devices(tmp_path):
    """A named pipe would be waited for for ever."""
    os.mkfifo(tmp_path / "a.wav")
    with soon():
        assert "a device or a pipe" in read_header(tmp_path / "a.wav").remark


@pytest.mark.parametrize("rate", [1, 100, 2**31 - 1])
def test_impossible_rates(tmp_path, rate):
    """No microphone was recorded so."""
    path = written(tmp_path / "a.wav", rate=RATE)
    content = bytearray(path.read_bytes())
    content[24:28] = struct.pack("<I", rate)
    path.write_bytes(content)
    assert f"its sample rate is {rate} Hz" in read_header(path).remark


def test_impossible_start_times(tmp_path):
    """A start near 2⁶⁴ samples and one of thousands of digits are not used, and the first is told."""
    bext = bytearray(602)
    bext[338:346] = b"\xff" * 7 + b"\xfe"
    found = read_header(with_chunk(written(tmp_path / "a.wav"), b"bext", bytes(bext)))
    assert found.reference is None
    assert "impossible start time" in found.remark

    tag = b"TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO"
    ixml = b"<%s>%s</%s>" % (tag, b"9" * 5001, tag)
    assert read_header(with_chunk(written(tmp_path / "b.wav"), b"iXML", ixml)).reference is None


def test_long_chunks_are_not_looked_into(tmp_path):
    """A broadcast header of 4 MB is none: its start is not read, and its bytes are not either."""
    bext = bytearray(602)
    bext[338:342] = struct.pack("<I", 48_000)
    path = written(tmp_path / "a.wav")
    clean = path.read_bytes()
    assert read_header(with_chunk(path, b"bext", bytes(bext))).reference == 48_000
    path.write_bytes(clean)
    assert read_header(with_chunk(path, b"bext", bytes(bext) + bytes(4_000_000))).reference is None


#: Format -> where its header tells the length, and the largest that fits there.
LIES = {
    "WAV": (b"data", "<I", 4, 2**32 - 2),
    "RF64": (b"ds64", "<QQQ", 8, 2**62),
    "AIFF": (b"COMM", ">I", 10, 2**32 - 1),
    "CAF": (b"data", ">q", 4, 2**62),
    "W64": (b"data", "<Q", 16, 2**62),
    "AU": (b".snd", ">I", 8, 2**32 - 2),
    "FLAC": (b"fLaC", ">Q", 18, None),  # 36 bits of a word of 64 (RFC 9639, 8.2)
}
READ = """
import resource, sys, time
from pathlib import Path
import numpy, soundfile
from polaritykit.audio.header import read_header
from polaritykit.audio.opened import open_audio
used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
resource.setrlimit(resource.RLIMIT_AS, (used + 200_000_000,) * 2)
for name in sys.argv[1:]:
    began = time.process_time()
    header = read_header(Path(name))
    print(Path(name).suffix, getattr(header, "frames", 0), time.process_time() - began)
"""


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="Linux tells memory there")
def test_largest_lengths_cost_nothing(tmp_path):
    """Each header claims all it can: within 200 MB and two seconds the second that is there, or none."""
    for form, (name, layout, offset, value) in LIES.items():
        path = written(tmp_path / f"a.{form.lower()}", form=form)
        content = bytearray(path.read_bytes())
        place = content.index(name) + offset
        if value is None:
            (word,) = struct.unpack_from(layout, content, place)
            struct.pack_into(layout, content, place, word | 2**36 - 1)
        else:
            struct.pack_into(layout, content, place, *[value] * (len(layout) - 1))
        path.write_bytes(content)
    ended = subprocess.run(
        [sys.executable, "-c", READ, *map(str, sorted(tmp_path.iterdir()))],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        check=True,
        capture_output=True,
        text=True,
        timeout=120,
    )
    lines = [line.split() for line in ended.stdout.splitlines()]
    assert len(lines) == len(LIES)
    for suffix, frames, seconds in lines:
        assert int(frames) <= RATE + 4096, suffix  # a block of FLAC, or the bytes of chunks behind
        assert float(seconds) < 2.0, suffix


def same_audio(path, reference):
    """Decode both and compare."""
    with open_audio(path) as opened:
        samples = opened.read(dtype="float32")
    assert np.array_equal(samples, soundfile.read(reference, dtype="float32")[0])
    assert isinstance(read_header(path), FileHeader)


def test_wave_whose_size_was_never_filled_in(tmp_path):
    """A recorder that lost power wrote 0: the audio goes to the end; the file stays as it is."""
    reference = written(tmp_path / "a.wav")
    content = bytearray(reference.read_bytes())
    content[4:8] = content[40:44] = bytes(4)
    (tmp_path / "b.wav").write_bytes(content)

    same_audio(tmp_path / "b.wav", reference)
    assert (tmp_path / "b.wav").read_bytes() == content


def test_wave_that_is_empty(tmp_path):
    """A size of 0 with chunks behind it is what it says."""
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros(0), RATE, subtype="PCM_16")
    content = bytearray(path.read_bytes()) + b"LIST\4\0\0\0INFO"
    path.write_bytes(content)
    assert read_header(path).frames == 0


def test_bw64(tmp_path):
    """The form of BS.2088 is read as the RF64 that it is but for the name."""
    reference = written(tmp_path / "a.rf64", form="RF64")
    content = bytearray(reference.read_bytes())
    content[:4] = b"BW64"
    (tmp_path / "b.wav").write_bytes(content)
    same_audio(tmp_path / "b.wav", reference)


def test_chunks_behind_the_audio_of_a_wave64_file(tmp_path):
    """They are no sound.  Wave64 as published: a GUID, 64 bits of size with the head, padded to 8 bytes."""
    reference = written(tmp_path / "a.w64", form="W64")
    content = reference.read_bytes()
    tail = b"note".ljust(16, b"\1") + struct.pack("<Q", 24 + 4000) + b"\x7f" * 4000
    total = struct.pack("<Q", len(content) + len(tail))
    (tmp_path / "b.w64").write_bytes(content[:16] + total + content[24:] + tail)

    same_audio(tmp_path / "b.w64", reference)
    assert read_header(tmp_path / "b.w64").frames == RATE


def test_names_that_steer_a_terminal():
    """Controls of ECMA-48 and the bidirectional controls of UAX #9 are shown as escapes."""
    assert shown("a\x1b[2J\n\x9b\u202eb") == "a\\x1b[2J\\x0a\\u009b\\u202eb"
