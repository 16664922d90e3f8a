"""Wave-file chunks against files built from the tables of EBU Tech 3285, 3306 and ITU-R BS.2088."""

import struct

import pytest
from wave_chunks import bext, insert_chunks, ixml

from polaritykit.audio.broadcast_wave import missing_bytes, read_layout, read_start


def wave(*chunks, form=b"RIFF", order="<", ds64=b""):
    """Return a wave file's bytes, chunk by chunk as ``(name, content, size written)``."""
    body = b"WAVE" + ds64
    for name, content, size in chunks:
        body += struct.pack(order + "4sI", name, len(content) if size is None else size)
        body += content + b"\0" * (len(content) % 2)
    size = 0xFFFFFFFF if form in {b"RF64", b"BW64"} else len(body)
    return form + struct.pack(order + "I", size) + body


FMT = (b"fmt ", struct.pack("<HHIIHH", 1, 1, 48_000, 144_000, 3, 24), None)


@pytest.mark.parametrize(
    ("hours", "rate", "low", "high"),
    [
        (10, 48_000, 1_728_000_000, 0),
        (13, 96_000, 197_832_704, 1),  # 4 492 800 000 − 2³²
        (23, 192_000, 15_897_600_000 - 3 * 2**32, 3),
    ],
)
def test_time_reference_has_two_words(tmp_path, hours, rate, low, high):
    """Samples since midnight at TimeReferenceLow @338 and High @342 (EBU Tech 3285 v2)."""
    reference = hours * 3600 * rate
    name, content = bext(reference)
    assert struct.unpack_from("<II", content, 338) == (low, high)
    path = tmp_path / "a.wav"
    path.write_bytes(wave(FMT, (name, content, None), (b"data", bytes(30), None)))

    assert read_start(path, read_layout(path)).bext_samples == reference


@pytest.mark.parametrize(("length", "known"), [(347, False), (348, True), (602, True), (5_000, True)])
def test_bext_of_any_length(tmp_path, length, known):
    """Writers differ in length; up to Version (348 bytes) is needed, the rest may be missing."""
    content = bext(1_234)[1].ljust(length, b"\0")[:length]
    path = tmp_path / "a.wav"
    path.write_bytes(wave(FMT, (b"bext", content, None), (b"data", bytes(30), None)))

    assert read_start(path, read_layout(path)).bext_samples == (1_234 if known else None)


def test_ixml_has_two_words_and_its_own_rate(tmp_path):
    """High · 2³² + low; broken XML around it does not matter."""
    content = b"\xef\xbb\xbf<junk & " + ixml(4_492_800_000)[1] + b"\0\0"
    path = tmp_path / "a.wav"
    path.write_bytes(wave(FMT, (b"data", bytes(30), None), (b"iXML", content, None)))
    start = read_start(path, read_layout(path))

    assert (start.bext_samples, start.ixml_samples, start.ixml_rate_hz) == (None, 4_492_800_000, 48_000)


@pytest.mark.parametrize("form", [b"RF64", b"BW64"])
def test_sizes_of_64_bits(tmp_path, form):
    """``ds64`` gives the size of the audio, and of other chunks by its table (EBU Tech 3306)."""
    table = struct.pack("<4sQ4sQ", b"big1", 6, b"big2", 10)
    content = struct.pack("<QQQI", 999, 30, 10, 2) + table
    ds64 = struct.pack("<4sI", b"ds64", len(content)) + content
    chunks = [
        FMT,
        (b"big2", b"0123456789", 0xFFFFFFFF),
        (b"big1", b"abcdef", 0xFFFFFFFF),
        (b"data", bytes(30), 0xFFFFFFFF),
        (b"iXML", ixml(77)[1], None),
    ]
    path = tmp_path / "a.wav"
    path.write_bytes(wave(*chunks, form=form, ds64=ds64))
    layout = read_layout(path)

    assert layout.form == form
    assert [(chunk.name, chunk.size) for chunk in layout.chunks[2:5]] == [
        (b"big2", 10),
        (b"big1", 6),
        (b"data", 30),
    ]
    assert read_start(path, layout).ixml_samples == 77


def test_big_endian(tmp_path):
    """RIFX has its numbers the other way round."""
    path = tmp_path / "a.wav"
    path.write_bytes(wave((b"odd ", b"123", None), (b"data", bytes(30), None), form=b"RIFX", order=">"))
    layout = read_layout(path)

    assert [(chunk.name, chunk.size) for chunk in layout.chunks] == [(b"odd ", 3), (b"data", 30)]
    assert layout.byte_order == ">"


@pytest.mark.parametrize(("size", "missing"), [(30, 0), (300, 270), (0, 0), (0xFFFFFFFF, 0)])
def test_audio_that_is_missing(tmp_path, size, missing):
    """A cut-off file lacks bytes; a size that was never filled in (0 or all ones) means "to the end"."""
    path = tmp_path / "a.wav"
    path.write_bytes(wave(FMT, (b"data", bytes(30), size)))

    assert missing_bytes(read_layout(path)) == missing


@pytest.mark.parametrize("content", [b"", b"RIFF", b"RIFF\0\0\0\0AVI ", b"fLaC" + bytes(40)])
def test_other_files(tmp_path, content):
    """What is no wave file has no layout."""
    (tmp_path / "a").write_bytes(content)
    assert read_layout(tmp_path / "a") is None


@pytest.mark.parametrize("keep", range(0, 700, 7))
def test_cut_anywhere(tmp_path, keep):
    """A header cut off at any byte is walked as far as it goes, without an exception."""
    path = tmp_path / "a.wav"
    path.write_bytes(wave(FMT, (b"data", bytes(30), None)))
    insert_chunks(path, bext(5))
    data = path.read_bytes()
    path.write_bytes(data[:keep])
    layout = read_layout(path)

    if keep < 12:
        assert layout is None
    else:
        assert read_start(path, layout).bext_samples == (5 if keep >= 20 + 348 else None)
