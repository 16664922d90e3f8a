"""A corrected copy keeps the file's permissions and what stands beside its sound, or names it.

Layouts: RFC 9639 (FLAC's metadata blocks), AIFF-C (chunks of a FORM), Core Audio Format 1.0, Wave64 as
published, RFC 3533 and Vorbis I (Ogg).  FLAC and AIFF are read back by mutagen, the rest by parsers written
here from those texts; the samples by libsndfile.
"""

import struct
import wave

import mutagen
import numpy as np
import pytest
import soundfile

from polaritykit.audio.other_clock import Clock
from polaritykit.jobs.apply.copy_file import Lining, write_corrected
from polaritykit.jobs.apply.render import ChannelCorrection, Corrector

RATE = 48_000
FLIP = [ChannelCorrection(invert=True)]
LATE = [ChannelCorrection(invert=True, delay_samples=10.0)]
SOUND = (0.1 * np.random.default_rng(0).standard_normal(RATE // 4)).astype("float32")


def written(path, *, subtype="PCM_16", **how):
    """Write a quarter of a second of noise."""
    soundfile.write(path, SOUND, RATE, subtype=subtype, **how)
    return path


def upside_down(copy, source):
    """Hold the copy against the source: the other sign, the same length."""
    samples, _ = soundfile.read(copy, dtype="int16")
    assert np.array_equal(samples, -soundfile.read(source, dtype="int16")[0])


def blocks_of_flac(*blocks):
    """Encode metadata blocks, none of them marked as the last."""
    return b"".join(bytes([kind]) + len(block).to_bytes(3, "big") + block for kind, block in blocks)


def comments(*fields):
    """Vorbis I section 5.2.1."""
    body = b"".join(struct.pack("<I", len(field)) + field for field in fields)
    return struct.pack("<I4sI", 4, b"made", len(fields)) + body


def with_blocks(path, *blocks):
    """Put blocks behind STREAMINFO (4 + 4 + 34 bytes) of a FLAC file, in place of its comments."""
    content = path.read_bytes()
    size = int.from_bytes(content[43:46], "big")
    assert content[42] & 0x7F == 4
    encoded = bytearray(blocks_of_flac(*blocks))
    last = len(encoded) - len(blocks[-1][1]) - 4
    encoded[last] |= content[42] & 0x80
    path.write_bytes(content[:42] + encoded + content[46 + size :])
    return path


PICTURE = struct.pack(">II9sI4sIIIII6s", 3, 9, b"image/png", 4, b"desk", 1, 1, 24, 0, 6, b"\x89PNG\r\n")


def test_flac_blocks_are_carried(tmp_path):
    """A picture, an application's block, a cue sheet and comments of the user's own, in order."""
    cue = struct.pack(">128sQB258xB", b"", 0, 0, 1) + struct.pack(">QB12xB13xB", 0, 170, 0, 0)
    path = with_blocks(
        written(tmp_path / "a.flac"),
        *((6, PICTURE), (2, b"abcd1234"), (4, comments(b"TAKE=7", b"TITLE=snare")), (5, cue)),
    )
    copy = write_corrected(path, tmp_path / "b.flac", FLIP)
    assert copy.remarks == ()
    upside_down(tmp_path / "b.flac", path)

    old, new = (mutagen.File(tmp_path / name) for name in ("a.flac", "b.flac"))
    assert new.pictures[0].write() == PICTURE == old.pictures[0].write()
    assert new.tags["TAKE"] == ["7"]
    assert new.tags["TITLE"] == ["snare"]
    assert [block.data for block in new.metadata_blocks if block.code == 2] == [b"abcd1234"]
    assert new.cuesheet.write() == old.cuesheet.write()
    assert [block.code for block in new.metadata_blocks].count(4) == 1
    assert new.info.md5_signature != old.info.md5_signature  # of the samples (RFC 9639, 8.2)
    assert new.info.total_samples == len(SOUND)


def test_flac_head_of_another_file_only_at_its_length(tmp_path):
    """A block `riff` holds the size of the audio that was encoded: right, or named."""
    path = with_blocks(written(tmp_path / "a.flac"), (2, b"riffdata\0\0\0\0"), (2, b"abcd"))
    assert write_corrected(path, tmp_path / "b.flac", FLIP).remarks == ()
    (remark,) = write_corrected(path, tmp_path / "c.flac", LATE).remarks
    assert "does not have APPLICATION" in remark
    kept = [block.data for block in mutagen.File(tmp_path / "c.flac").metadata_blocks if block.code == 2]
    assert kept == [b"abcd"]
    assert len(soundfile.read(tmp_path / "c.flac")[0]) == len(SOUND) + 10


def aiff_chunk(name, content):
    """One chunk of an IFF form."""
    return name + struct.pack(">I", len(content)) + content + bytes(len(content) % 2)


def with_aiff_chunks(path, *chunks, behind=True):
    """Put chunks behind, or before, all others."""
    content = path.read_bytes()
    more = b"".join(aiff_chunk(*chunk) for chunk in chunks)
    body = content[12:] + more if behind else more + content[12:]
    path.write_bytes(b"FORM" + struct.pack(">I", len(body) + 4) + content[8:12] + body)
    return path


def aiff_chunks(path):
    """Walk an IFF form by its text, which the whole file must be."""
    content = path.read_bytes()
    assert struct.unpack(">4sI", content[:8]) == (b"FORM", len(content) - 8)
    found, place = [], 12
    while place < len(content):
        name, size = struct.unpack(">4sI", content[place : place + 8])
        found.append((name, content[place + 8 : place + 8 + size]))
        place += 8 + size + size % 2
    assert place == len(content)
    return found


# Two marks with their places and names; a pad byte follows the second name (even length with its count).
MARKS = struct.pack(">HHI6sHI6s", 2, 1, 100, b"\5verse", 2, 200, b"\4take\0")
ID3 = b"ID3\4\0\0\0\0\0\x11TIT2\0\0\0\7\0\0\3snare\0"


@pytest.mark.parametrize("behind", [True, False])
@pytest.mark.parametrize("how", [{}, {"endian": "LITTLE"}, {"subtype": "PCM_S8"}])
def test_aiff_chunks_are_carried(tmp_path, behind, how):
    """Marks, ID3, an odd text and two annotations; wherever they stood."""
    path = written(tmp_path / "a.aiff", **how)
    chunks = [(b"MARK", MARKS), (b"ID3 ", ID3), (b"NAME", b"top"), (b"ANNO", b"one"), (b"ANNO", b"two!")]
    with_aiff_chunks(path, *chunks, behind=behind)

    assert write_corrected(path, tmp_path / "b.aiff", FLIP).remarks == ()
    upside_down(tmp_path / "b.aiff", path)
    found = aiff_chunks(tmp_path / "b.aiff")
    assert [chunk for chunk in found if chunk[0] not in {b"COMM", b"SSND", b"FVER"}] == chunks
    assert mutagen.File(tmp_path / "b.aiff").tags["TIT2"].text == ["snare"]


def test_marks_of_another_clock_are_named(tmp_path):
    """A copy that begins elsewhere and runs at another pace has no marks at the file's samples."""
    path = with_aiff_chunks(written(tmp_path / "a.aiff"), (b"MARK", MARKS), (b"ID3 ", ID3))
    lining = Lining(clock=Clock(start_s=0.1, drift_ppm=50.0), start_samples=0)
    (remark,) = write_corrected(path, tmp_path / "b.aiff", FLIP, lining=lining).remarks
    assert remark.endswith("the copy does not have MARK.")
    names = {name for name, _ in aiff_chunks(tmp_path / "b.aiff")}
    assert b"ID3 " in names
    assert b"MARK" not in names


def test_a_chunk_that_is_cut_off_is_named(tmp_path):
    """It announces more than the file holds: in AIFF and in a wave file."""
    path = with_aiff_chunks(written(tmp_path / "a.aiff"), (b"MARK", MARKS), (b"ID3 ", ID3))
    path.write_bytes(path.read_bytes()[:-5])
    (remark,) = write_corrected(path, tmp_path / "b.aiff", FLIP).remarks
    assert "does not have ID3" in remark
    assert b"MARK" in dict(aiff_chunks(tmp_path / "b.aiff"))

    path = written(tmp_path / "a.wav")
    with path.open("ab") as file:
        file.write(b"bext" + struct.pack("<I", 602) + bytes(100))
    (remark,) = write_corrected(path, tmp_path / "b.wav", FLIP).remarks
    assert "does not have bext, which is cut off" in remark
    with wave.open(str(tmp_path / "b.wav")) as file:
        assert file.getnframes() == len(SOUND)


def caf_chunks(path):
    """Walk a Core Audio file by its text: no size of the whole, 64-bit sizes of the chunks."""
    content = path.read_bytes()
    assert content[:8] == b"caff\0\1\0\0"
    found, place = [], 8
    while place < len(content):
        name, size = struct.unpack(">4sq", content[place : place + 12])
        found.append((name, content[place + 12 : place + 12 + size]))
        place += 12 + size
        if name == b"data":  # the library leaves a byte behind ALAC data
            break
    return found


@pytest.mark.parametrize("subtype", ["PCM_16", "ALAC_16"])
def test_caf_chunks_are_carried(tmp_path, subtype):
    """Marks, a text of an odd length and information in one's own words."""
    path = written(tmp_path / "a.caf", subtype=subtype)
    content = path.read_bytes()
    chunks = [(b"mark", bytes(8)), (b"strg", b"odd"), (b"info", b"\0\0\0\1take\0seven\0")]
    more = b"".join(struct.pack(">4sq", name, len(body)) + body for name, body in chunks)
    place = content.index(b"data")
    path.write_bytes(content[:place] + more + content[place:])

    assert write_corrected(path, tmp_path / "b.caf", FLIP).remarks == ()
    upside_down(tmp_path / "b.caf", path)
    found = caf_chunks(tmp_path / "b.caf")
    assert [chunk for chunk in found if chunk[0] in {b"mark", b"strg", b"info"}] == chunks


TAIL = bytes.fromhex("f3acd3118cd100c04f8edb8a")  # of the GUIDs of fmt, data, fact, bext


def w64_chunks(path):
    """Walk a Wave64 file by its text: GUIDs, sizes with the head, padding to 8 bytes."""
    content = path.read_bytes()
    assert struct.unpack("<Q", content[16:24]) == (len(content),)
    found, place = [], 40
    while place < len(content):
        name, tail, size = struct.unpack("<4s12sQ", content[place : place + 24])
        assert tail == TAIL
        found.append((name, content[place + 24 : place + size]))
        place += size + -size % 8
    assert place == len(content)
    return found


def test_w64_chunks_are_carried(tmp_path):
    """A broadcast header of an odd length before the audio."""
    path = written(tmp_path / "a.w64", subtype="PCM_24")
    content = path.read_bytes()
    more = b"bext" + TAIL + struct.pack("<Q", 24 + 605) + bytes(range(121)) * 5 + bytes(3)
    place = content.index(b"data")
    content = content[:place] + more + content[place:]
    path.write_bytes(content[:16] + struct.pack("<Q", len(content)) + content[24:])

    assert write_corrected(path, tmp_path / "b.w64", FLIP).remarks == ()
    old, new = (soundfile.read(tmp_path / name, dtype="int32")[0] for name in ("a.w64", "b.w64"))
    assert np.array_equal(new, -old)
    assert dict(w64_chunks(tmp_path / "b.w64"))[b"bext"] == bytes(range(121)) * 5


@pytest.mark.parametrize("name", ["a.flac", "a.aiff", "a.caf"])
def test_large_parts(tmp_path, name):
    """A picture of three megabytes before the audio: the library still finds the sound."""
    path, large = written(tmp_path / name), bytes(3_000_001)
    if name == "a.flac":
        with_blocks(path, (2, b"abcd" + large))
    elif name == "a.aiff":
        with_aiff_chunks(path, (b"APPL", large))
    else:
        content = path.read_bytes()
        place = content.index(b"data")
        chunk = struct.pack(">4sq", b"uuid", len(large)) + large
        path.write_bytes(content[:place] + chunk + content[place:])
    copy = tmp_path / f"b_{name}"
    assert write_corrected(path, copy, FLIP).remarks == ()
    upside_down(copy, path)
    assert copy.stat().st_size > len(large)


def with_ogg_comments(path, *fields):
    """Write comments with mutagen."""
    file = mutagen.File(path)
    for name, value in fields:
        file[name] = value
    file.save()
    return path


@pytest.mark.parametrize("subtype", ["VORBIS", "OPUS"])
def test_ogg_comments_are_kept_or_named(tmp_path, subtype):
    """What the library carries is in the copy; what not is named, a picture too."""
    known = [
        *(("TITLE", "snare"), ("ARTIST", "me"), ("COMMENT", "two\nlines"), ("DATE", "2026"), ("ALBUM", "a")),
        *(("LICENSE", "none"), ("TRACKNUMBER", "3"), ("GENRE", "test"), ("COPYRIGHT", "me")),
    ]
    path = with_ogg_comments(
        written(tmp_path / "a.ogg", subtype=subtype, format="OGG"),
        *known,
        *(("TAKE", "7"), ("METADATA_BLOCK_PICTURE", "A" * 70_000)),
    )
    copy = write_corrected(path, tmp_path / "b.ogg", FLIP)
    named = copy.remarks[0]
    assert named.endswith("the copy does not have comment TAKE and comment METADATA_BLOCK_PICTURE.")
    kept = mutagen.File(tmp_path / "b.ogg")
    assert {name: kept[name][0] for name, _ in known} == dict(known)


def test_mp3_frames_are_kept_or_named(tmp_path):
    """A title is carried, a picture named."""
    path = written(tmp_path / "a.mp3", subtype="MPEG_LAYER_III")
    tags = mutagen.File(path)
    if tags.tags is None:
        tags.add_tags()
    id3 = pytest.importorskip("mutagen.id3")
    tags.tags.add(id3.TIT2(encoding=3, text=["snare"]))
    tags.tags.add(id3.APIC(encoding=3, mime="image/png", type=3, desc="desk", data=b"\x89PNG" * 100))
    tags.save()
    named = write_corrected(path, tmp_path / "b.mp3", FLIP).remarks[0]
    assert named.endswith("the copy does not have ID3 APIC.")
    assert mutagen.File(tmp_path / "b.mp3").tags["TIT2"].text == ["snare"]


@pytest.mark.parametrize("subtype", ["MPEG_LAYER_III", "VORBIS", "OPUS"])
def test_no_encoder_is_given_what_ends_the_process(tmp_path, monkeypatch, subtype):
    """Damage decodes to hundreds of millions of times full scale, or to no number: LAME would abort."""
    path = written(tmp_path / "a.x", subtype=subtype, format="MP3" if subtype[0] == "M" else "OGG")
    monkeypatch.setattr(Corrector, "render", lambda _, start, stop: spoiled[start:stop].copy())
    spoiled = np.random.default_rng(0).standard_normal((len(SOUND) + 4096, 1)) * 2.9e8
    spoiled[100] = np.nan
    given = []
    monkeypatch.setattr(soundfile.SoundFile, "write", lambda _, block: given.append(block))
    write_corrected(path, tmp_path / "b.x", FLIP)
    assert 1.0 <= np.abs(np.concatenate(given)).max() <= 8.0  # NaN would not compare


def test_annotation_of_au_is_named(tmp_path):
    """The bytes between the header's 24 and the audio."""
    path = written(tmp_path / "a.au")
    content = path.read_bytes()
    path.write_bytes(content[:4] + struct.pack(">I", 32) + content[8:24] + b"take 7\0\0" + content[24:])
    (remark,) = write_corrected(path, tmp_path / "b.au", FLIP).remarks
    assert remark.endswith("the copy does not have annotation.")


def test_other_formats_say_that_nothing_is_known(tmp_path):
    """Their parts are not read here."""
    path = written(tmp_path / "a.voc")
    (remark,) = write_corrected(path, tmp_path / "b.voc", FLIP).remarks
    assert "whatever else such a file has beside its sound" in remark


@pytest.mark.parametrize("name", ["a.flac", "a.aiff", "a.wav", "a.caf", "a.w64", "a.au"])
def test_nothing_is_named_where_nothing_is_lost(tmp_path, name):
    """Plain files."""
    assert write_corrected(written(tmp_path / name), tmp_path / f"b_{name}", FLIP).remarks == ()


@pytest.mark.parametrize("name", ["a.flac", "a.aiff", "a.caf", "a.w64"])
def test_what_was_carried_is_carried_again(tmp_path, name):
    """A copy of a copy holds it once."""
    path = written(tmp_path / name)
    if name == "a.flac":
        with_blocks(path, (6, PICTURE))
    elif name == "a.aiff":
        with_aiff_chunks(path, (b"MARK", MARKS))
    once, twice = tmp_path / f"b_{name}", tmp_path / f"c_{name}"
    write_corrected(path, once, FLIP)
    write_corrected(once, twice, FLIP)
    size_b, size_c = once.stat().st_size, twice.stat().st_size
    assert size_b == pytest.approx(size_c, abs=64)  # coding of the residuals may differ


def test_bytes_behind_a_wave_are_named(tmp_path):
    """They are no chunk."""
    path = written(tmp_path / "a.wav")
    with path.open("ab") as file:
        file.write(bytes(100))
    (remark,) = write_corrected(path, tmp_path / "b.wav", FLIP).remarks
    assert "100 bytes behind its last chunk" in remark


@pytest.mark.parametrize("mode", [0o640, 0o444, 0o600])
@pytest.mark.parametrize("correction", [ChannelCorrection(), ChannelCorrection(invert=True)])
@pytest.mark.parametrize("name", ["a.wav", "a.flac", "a.aiff"])
def test_permissions_are_kept(tmp_path, mode, correction, name):
    """The POSIX mode of the source, whatever the umask."""
    path = written(tmp_path / name)
    if name == "a.flac":
        with_blocks(path, (6, PICTURE))
    path.chmod(mode)
    write_corrected(path, tmp_path / f"b_{name}", [correction])
    assert (tmp_path / f"b_{name}").stat().st_mode & 0o777 == mode
