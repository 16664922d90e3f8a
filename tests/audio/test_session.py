"""Reading sessions: formats against libsndfile's and scipy's own readings, names, order and hashes."""

import hashlib
import warnings
from pathlib import Path

import numpy as np
import pytest
import soundfile
from wave_chunks import bext, insert_chunks
from written_files import RATE, noise, streamed, write

from polaritykit.audio.session import open_session
from polaritykit.base.errors import InputError

FORMATS = [
    ("wav", "WAV", "PCM_16", 2**-15),
    ("wav", "WAV", "PCM_24", 2**-23),
    ("wav", "WAV", "PCM_32", 2**-24),
    ("wav", "WAV", "FLOAT", 2**-24),
    ("wav", "WAV", "DOUBLE", 2**-24),
    ("wav", "WAVEX", "PCM_24", 2**-23),
    ("wav", "RF64", "PCM_24", 2**-23),
    ("w64", "W64", "PCM_24", 2**-23),
    ("flac", "FLAC", "PCM_16", 2**-15),
    ("flac", "FLAC", "PCM_24", 2**-23),
    ("aiff", "AIFF", "PCM_24", 2**-23),
    ("caf", "CAF", "PCM_24", 2**-23),
]


@pytest.mark.parametrize("case", FORMATS, ids=lambda case: "-".join(case[1:3]))
@pytest.mark.parametrize("channels", [1, 2, 3])
def test_what_was_written_is_read(tmp_path, case, channels):
    """Every lossless format comes back within one quantisation step, at its rate, all channels."""
    suffix, container, subtype, step = case
    audio = noise(9_000, channels)
    write(tmp_path / f"a.{suffix}", audio, 44_100, format=container, subtype=subtype)
    session = open_session([tmp_path / f"a.{suffix}"], min_tracks=1)

    assert session.sample_rate_hz == 44_100
    assert session.recording.track_names == {1: ("a",), 2: ("a.L", "a.R"), 3: ("a.1", "a.2", "a.3")}[channels]
    got = streamed(session.recording, 4_000)
    assert got.dtype == np.float32
    np.testing.assert_allclose(got, np.atleast_2d(audio.T), atol=step, rtol=0)
    assert session.notes == ()


@pytest.mark.parametrize(("suffix", "subtype"), [("ogg", "VORBIS"), ("mp3", "MPEG_LAYER_III")])
def test_lossy_streams_equal_one_decoding(tmp_path, suffix, subtype):
    """Reading in blocks gives the samples of one read by libsndfile (blocks must not seek)."""
    path = write(tmp_path / f"a.{suffix}", noise(48_000), subtype=subtype)
    session = open_session([path], min_tracks=1)

    np.testing.assert_array_equal(
        streamed(session.recording, 5_000)[0], soundfile.read(path, dtype="float32")[0]
    )


def test_scipy_wave_files():
    """The odd wave files in scipy's tests read as scipy reads them, or are named as unreadable."""
    import scipy.io

    folder = Path(scipy.io.__file__).parent / "tests" / "data"
    if not list(folder.glob("test-*.wav")):
        pytest.skip("this scipy was installed without its test data")
    read = 0
    for path in sorted(folder.glob("test-*.wav")):
        try:
            info = soundfile.info(path)
        except soundfile.LibsndfileError:
            with pytest.raises(InputError, match=f"{path.name} was left out: it cannot be read as audio"):
                open_session([path], min_tracks=1)
            continue
        if info.subtype == "ULAW" or info.duration < 0.1 or info.frames == 10:
            continue
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", scipy.io.wavfile.WavFileWarning)
            rate, expected = scipy.io.wavfile.read(path)
        session = open_session([path], min_tracks=1)
        got = session.recording.read(0, session.n_samples)
        scale = {"u": 128.0, "i": 2.0**31, "f": 1.0}[expected.dtype.kind]
        offset = 128.0 if expected.dtype.kind == "u" else 0.0
        assert session.sample_rate_hz == rate
        np.testing.assert_allclose(got, np.atleast_2d(((expected - offset) / scale).T), atol=1e-6)
        read += 1
    assert read >= 3


def test_folder_order_names_and_what_is_passed_over(tmp_path):
    """Natural order; other files, hidden files and folders ignored; taken names get a number."""
    for name in ("10_room.wav", "2_oh.flac", "1_kick.WAV", "2_oh.wav"):
        write(tmp_path / name, noise(9_000), format="FLAC" if name.endswith("flac") else "WAV")
    for name in ("notes.txt", "truth.toml", "report.json", "._1_kick.wav"):
        (tmp_path / name).write_text("no audio")
    (tmp_path / "takes.wav").mkdir()
    session = open_session([tmp_path])

    assert [track.name for track in session.tracks] == ["1_kick", "2_oh", "2_oh (2)", "10_room"]
    assert session.name == tmp_path.name
    assert session.faulty == ()
    assert {track.format for track in session.tracks} == {"WAV", "FLAC"}


def test_list_of_files_keeps_its_order(tmp_path):
    """A list is taken in the order given, and a file named twice is used once, which is said."""
    b, a = (write(tmp_path / name, noise(9_000)) for name in ("b.wav", "a.wav"))
    session = open_session([b, a, tmp_path / "." / "b.wav"])

    assert session.recording.track_names == ("b", "a")
    assert session.notes == ("b.wav was given more than once and is used once.",)
    assert session.folder == tmp_path.resolve()


def test_one_path_or_several_as_text_or_path(tmp_path):
    """A folder needs no list around it."""
    write(tmp_path / "a.wav", noise(4_800))
    write(tmp_path / "b.wav", noise(4_800, seed=1))
    both = [tmp_path / "a.wav", str(tmp_path / "b.wav")]

    opened = [open_session(paths) for paths in (tmp_path, str(tmp_path), [tmp_path], [str(tmp_path)], both)]
    assert {session.recording.track_names for session in opened} == {("a", "b")}


def test_places_hold_from_any_working_folder(tmp_path, monkeypatch):
    """Files named by relative ways lie below one resolved folder."""
    audio = noise(9_000)
    for name in ("a/x.wav", "b/c/y.wav"):
        (tmp_path / name).parent.mkdir(parents=True)
        write(tmp_path / name, audio)
    (tmp_path / "b" / "link").symlink_to(tmp_path / "b" / "c")
    monkeypatch.chdir(tmp_path / "a")
    session = open_session([Path("x.wav"), Path("../b/link/y.wav")])
    folder = open_session([Path("../b/link")], min_tracks=1)
    monkeypatch.chdir(tmp_path)

    assert session.folder == tmp_path.resolve()
    assert [session.files[track.path] for track in session.tracks] == ["a/x.wav", "b/c/y.wav"]
    assert (folder.folder, folder.name) == ((tmp_path / "b" / "c").resolve(), "c")
    assert list(folder.files.values()) == ["y.wav"]


@pytest.mark.parametrize("block_samples", [1_000, 4_096, 100_000])
def test_every_file_is_hashed_whole_in_the_pass_that_reads_it(tmp_path, block_samples):
    """The hash is of libsndfile's samples, whatever the block, rate, start time and common span."""
    write(tmp_path / "a.wav", noise(30_000, seed=1), subtype="PCM_24")
    write(tmp_path / "b.flac", noise(20_000, 2, seed=2), subtype="PCM_16")
    write(tmp_path / "c.wav", noise(25_000, seed=3), rate=RATE // 2, subtype="DOUBLE")
    write(tmp_path / "d.ogg", noise(30_000, seed=4))
    late = write(tmp_path / "e.wav", noise(30_000, seed=5), subtype="PCM_16")
    insert_chunks(late, bext(5_000))
    write(tmp_path / "f.wav", np.where(noise(30_000) > 0.49, np.nan, 0.1), subtype="FLOAT")
    insert_chunks(tmp_path / "a.wav", bext(0))
    session = open_session([tmp_path], own_spans=False)
    assert session.n_samples < 20_000
    assert session.recording.audio_hashes == {}
    streamed(session.recording, block_samples)

    hashes = {path.name: found for path, found in session.recording.audio_hashes.items()}
    assert hashes == {
        path.name: hashlib.sha256(
            soundfile.read(path, dtype="float32")[0].astype("<f4").tobytes()
        ).hexdigest()
        for path in sorted(tmp_path.iterdir())
    }


@pytest.mark.parametrize("block_samples", [1_000, 100_000])
def test_the_hash_of_a_damaged_file_is_one_too(tmp_path, block_samples):
    """Where damage lies does not depend on the blocks, and damage outside the common span is no fault."""
    damaged = write(tmp_path / "bad.flac", noise(200_000), format="FLAC", subtype="PCM_16")
    content = bytearray(damaged.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 3_000] = bytes(3_000)
    damaged.write_bytes(content)
    alone = [open_session([damaged], min_tracks=1) for _ in range(2)]
    good = write(tmp_path / "good.wav", noise(9_000))
    beside = open_session([damaged, good])
    for session, block in zip((*alone, beside), (block_samples, 7_777, 7_777), strict=True):
        streamed(session.recording, block)

    assert len({session.recording.audio_hashes[damaged] for session in (*alone, beside)}) == 1
    assert alone[0].recording.faults_met == {"bad": ("unreadable",)}
    assert beside.recording.faults_met == {}


def test_common_span_is_used_and_said(tmp_path):
    """Different lengths: the shorter decides, and a note says so."""
    audio = noise(20_000)
    write(tmp_path / "a.wav", audio, subtype="FLOAT")
    write(tmp_path / "b.wav", audio[:15_000], subtype="FLOAT")
    session = open_session([tmp_path])

    assert session.n_samples == 15_000
    assert "the common span of 0.312 s is used (shortest file b.wav" in session.notes[0]
    got = session.recording.read(-5, 15_005)
    np.testing.assert_array_equal(got[:, 5:-5], np.float32(np.stack([audio[:15_000]] * 2)))
    assert not got[:, :5].any()
    assert not got[:, -5:].any()


@pytest.mark.parametrize("block_samples", [1_000, 4_096, 100_000])
def test_random_access_equals_streaming(tmp_path, block_samples):
    """Mixed rates, channels and formats: any read equals the same stretch of the stream, bit for bit."""
    write(tmp_path / "a.flac", noise(96_000, seed=1))
    write(tmp_path / "b.wav", noise(88_200, 2, seed=2), 44_100)
    write(tmp_path / "c.wav", noise(192_000, seed=3), 96_000)
    session = open_session([tmp_path])
    whole = streamed(session.recording, block_samples)

    assert whole.shape == (4, 192_000)
    for start, stop in ((0, 10), (65_530, 65_540), (150_000, 192_000), (7, 100_001)):
        np.testing.assert_array_equal(session.recording.read(start, stop), whole[:, start:stop])
    np.testing.assert_array_equal(
        session.recording.read(30_000, 70_000, (3, 1)), whole[[3, 1], 30_000:70_000]
    )
