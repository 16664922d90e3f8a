"""Decoding by whole arrays against the library that decodes everything else, bit by bit."""

import struct

import numpy as np
import pytest
import soundfile

from polaritykit.audio import plain_samples as plain
from polaritykit.audio.plain_samples import plain_samples

RATE = 48_000
#: Longer than one step of the decoder, and no multiple of it.
FRAMES = 25_011


def write(path, *, channels=1, subtype="PCM_24", form="WAV"):
    """Write noise with the extreme codes in it."""
    sound = np.random.default_rng(channels).uniform(-1.0, 1.0, (FRAMES, channels))
    sound[5], sound[6], sound[7] = 1.0, -1.0, 0.0
    soundfile.write(path, sound, RATE, subtype=subtype, format=form)
    return path


def opened(path):
    """Open it both ways."""
    file = soundfile.SoundFile(path)
    return plain_samples(path, file), file


@pytest.mark.parametrize("form", ["WAV", "WAVEX", "RF64"])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24"])
@pytest.mark.parametrize("channels", [1, 2, 5])
def test_the_bits_of_the_library(tmp_path, form, subtype, channels):
    """From any frame on, and to the end."""
    path = write(tmp_path / "a.wav", channels=channels, subtype=subtype, form=form)
    found, file = opened(path)
    assert file.tell() == 0
    expected = soundfile.read(path, dtype="float32", always_2d=True)[0]
    out = np.full((7, channels), np.nan, np.float32)
    assert np.array_equal(found.read(7, out=out), expected[:7])  # it begins at the beginning
    for start, count in ((0, FRAMES), (0, 1), (1, 100), (4097, 16_384), (FRAMES - 3, 3)):
        out = np.full((count, channels), np.nan, np.float32)
        found.seek(start)
        assert len(found.read(count, dtype="float32", always_2d=True, out=out)) == count
        assert np.array_equal(out, expected[start : start + count])
    out = np.full((10, channels), np.nan, np.float32)
    found.seek(FRAMES - 4)
    assert len(found.read(10, out=out)) == 4
    assert np.array_equal(out[:4], expected[-4:])
    assert len(found.read(10, out=out)) == 0


@pytest.mark.parametrize(
    ("name", "subtype", "form"),
    [
        ("a.flac", "PCM_24", "FLAC"),
        ("a.aiff", "PCM_24", "AIFF"),
        ("a.wav", "PCM_32", "WAV"),
        ("a.wav", "FLOAT", "WAV"),
        ("a.wav", "PCM_U8", "WAV"),
        ("a.w64", "PCM_24", "W64"),
    ],
)
def test_all_else_is_the_library_s(tmp_path, name, subtype, form):
    """It is left where it was."""
    found, file = opened(write(tmp_path / name, subtype=subtype, form=form))
    assert found is None
    assert file.tell() == 0


def test_big_endian_is_the_library_s(tmp_path):
    """RIFX holds its bytes the other way round."""
    path = tmp_path / "a.wav"
    with soundfile.SoundFile(path, "w", RATE, 1, "PCM_24", endian="BIG", format="WAV") as file:
        file.write(np.random.default_rng(1).uniform(-1, 1, 1000))
    assert path.read_bytes()[:4] == b"RIFX"
    assert opened(path)[0] is None


def test_where_the_two_disagree_the_library_has_its_way(tmp_path, monkeypatch):
    """An offset off by one frame is noticed."""
    path = write(tmp_path / "a.wav")
    real = plain.read_layout(path)
    content = path.read_bytes()
    other = tmp_path / "b.wav"
    other.write_bytes(content[:12] + b"junk" + struct.pack("<I", 4) + bytes(4) + content[12:])
    shifted = plain.read_layout(other)
    assert shifted.find(b"data").offset != real.find(b"data").offset
    assert opened(other)[0] is not None

    monkeypatch.setattr(plain, "read_layout", lambda _: real)
    found, file = opened(other)
    assert found is None
    assert file.tell() == 0


def test_a_file_cut_off_while_it_is_read(tmp_path):
    """What it no longer has is not made up."""
    path = write(tmp_path / "a.wav", channels=2)
    found, _ = opened(path)
    expected = soundfile.read(path, dtype="float32", always_2d=True)[0]
    with path.open("r+b") as file:
        file.truncate(path.stat().st_size - 6 * 100 - 1)
    out = np.zeros((FRAMES, 2), np.float32)
    assert len(found.read(FRAMES, out=out)) == FRAMES - 101
    assert np.array_equal(out[: FRAMES - 101], expected[: FRAMES - 101])
