"""Reading sessions: formats against libsndfile's and scipy's own readings, clocks against closed forms."""

import hashlib
import warnings
from pathlib import Path

import numpy as np
import pytest
import soundfile
from wave_chunks import bext, insert_chunks, ixml

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.audio.session import open_session
from polaritykit.base.errors import InputError, UsageError

RATE = 48_000


def noise(n, channels=1, seed=0):
    """White noise, well below full scale."""
    shape = (n,) if channels == 1 else (n, channels)
    return np.random.default_rng(seed).uniform(-0.5, 0.5, shape)


def write(path, samples, rate=RATE, **how):
    """Write one file through libsndfile, in small portions (its Vorbis writer needs that)."""
    channels = 1 if samples.ndim == 1 else samples.shape[1]
    with soundfile.SoundFile(path, "w", rate, channels, **how) as file:
        for start in range(0, len(samples), 4096):
            file.write(samples[start : start + 4096])
    return path


def streamed(recording, block_samples):
    """Everything that `blocks` yields, joined, after checking the starts."""
    pieces = []
    position = 0
    for start, block in recording.blocks(block_samples):
        assert start == position
        position += block.shape[1]
        pieces.append(block)
    return np.concatenate(pieces, axis=1)


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


@pytest.mark.parametrize("low_rate", [44_100, 32_000, 11_025, 47_999])
def test_resampling_delay(tmp_path, low_rate):
    """A band-limited sound sampled at two rates is the same sound after resampling.

    The sound is a sum of cosines, whose samples at either rate are a closed form.  The delay is read
    from the cross-spectrum's phase; 0.01 sample is what is promised.
    """
    frequencies = np.linspace(200, 0.4 * low_rate, 40)
    phases = np.random.default_rng(5).uniform(0, 2 * np.pi, 40)

    def sound(rate):
        t = np.arange(rate * 2) / rate
        return 0.02 * np.cos(2 * np.pi * np.outer(t, frequencies) + phases).sum(axis=1)

    write(tmp_path / "high.wav", sound(RATE), RATE, subtype="FLOAT")
    write(tmp_path / "low.wav", sound(low_rate), low_rate, subtype="FLOAT")
    session = open_session([tmp_path])
    high, low = session.recording.read(8_192, 8_192 + 65_536).astype(float)

    assert any(f"low.wav ({low_rate} Hz) resampled to 48000 Hz" in note for note in session.notes)
    window = np.hanning(65_536)
    spectra = [np.fft.rfft(window * x) for x in (high, low)]
    cross = spectra[0] * np.conj(spectra[1])
    bins = np.round(frequencies * 65_536 / RATE).astype(int)
    delays = np.angle(cross[bins]) / (2 * np.pi * frequencies) * RATE
    assert np.abs(delays).max() < 0.01
    assert np.abs(low - high).max() < 1e-3 * np.abs(high).max()


def test_start_times_place_tracks(tmp_path):
    """Two pieces of one long sound, begun at different moments, coincide by their time reference."""
    audio = noise(60_000)
    midnight = 10 * 3600 * RATE  # 10:00:00 at 48 kHz = 1 728 000 000 (EBU Tech 3285)
    for name, first, last in (("a", 0, 50_000), ("b", 12_345, 60_000)):
        write(tmp_path / f"{name}.wav", audio[first:last], subtype="FLOAT")
        insert_chunks(tmp_path / f"{name}.wav", bext(midnight + first))
    session = open_session([tmp_path])

    got = streamed(session.recording, 10_000)
    assert session.n_samples == 50_000 - 12_345
    np.testing.assert_array_equal(got, np.float32(np.stack([audio[12_345:50_000]] * 2)))
    assert "Start times differ by up to 0.257 s" in session.notes[0]
    assert [track.time_reference for track in session.tracks] == [midnight, midnight + 12_345]
    assert [track.lead_s for track in session.tracks] == pytest.approx([12_345 / RATE, 0.0])

    ignored = open_session([tmp_path], ignore_start_times=True)
    assert ignored.n_samples == 60_000 - 12_345
    np.testing.assert_array_equal(ignored.recording.read(0, 9)[0], np.float32(audio[:9]))
    assert any("ignored as asked" in note for note in ignored.notes)


def test_start_times_across_rates_and_the_high_word(tmp_path):
    """96 kHz at 13:00:00 needs the high word; a 44.1 kHz file begun 10 ms later is placed exactly."""
    tone = 2 * np.pi * 997.0

    def sound(rate, first_s, n):
        return 0.5 * np.cos(tone * (first_s + np.arange(n) / rate))

    write(tmp_path / "a.wav", sound(96_000, 0.0, 96_000), 96_000, subtype="FLOAT")
    insert_chunks(tmp_path / "a.wav", bext(4_492_800_000))  # high 1, low 197 832 704
    write(tmp_path / "b.wav", sound(44_100, 0.01, 44_100), 44_100, subtype="FLOAT")
    insert_chunks(tmp_path / "b.wav", bext(13 * 3600 * 44_100 + 441))
    session = open_session([tmp_path])

    assert session.n_samples == 96_000 - 960
    a, b = session.recording.read(10_000, 80_000)
    np.testing.assert_allclose(b, a, atol=1e-4)


def test_some_files_without_start_time(tmp_path):
    """A file without a start time is placed at the earliest one, and that is said."""
    for name in ("a", "b", "c"):
        write(tmp_path / f"{name}.wav", noise(20_000))
    insert_chunks(tmp_path / "a.wav", bext(48_000))
    insert_chunks(tmp_path / "b.wav", bext(50_000))
    session = open_session([tmp_path])

    assert session.recording.spans == ((0, 20_000), (2_000, 20_000), (0, 20_000))
    assert open_session([tmp_path], own_spans=False).n_samples == 18_000
    assert any(
        "c.wav has no start time and was placed at the earliest one, 00:00:01.000" in n for n in session.notes
    )


def test_bext_and_ixml_disagree(tmp_path):
    """Both accounts are reported and bext counts; iXML alone is used, both words of it."""
    for name in ("a", "b"):
        write(tmp_path / f"{name}.wav", noise(20_000))
    insert_chunks(tmp_path / "a.wav", bext(48_000), ixml(96_000))
    insert_chunks(tmp_path / "b.wav", ixml(48_000))
    session = open_session([tmp_path])

    assert session.n_samples == 20_000
    assert session.notes == (
        "a.wav gives two start times, 00:00:01.000 in bext and 00:00:02.000 in iXML; bext counts.",
    )


def test_start_times_that_share_nothing(tmp_path):
    """Start times by which the files do not overlap are an error that names the way out."""
    for name, reference in (("a", 0), ("b", 10**9)):
        write(tmp_path / f"{name}.wav", noise(20_000))
        insert_chunks(tmp_path / f"{name}.wav", bext(reference))
    with pytest.raises(InputError, match=r"a\.wav ends before b\.wav begins .*--ignore-start-times"):
        open_session([tmp_path])
    assert open_session([tmp_path], ignore_start_times=True).n_samples == 20_000


def test_bad_files_are_results(tmp_path):
    """Unreadable, empty, zero-length and stray files are named; the rest goes on."""
    for name in ("a", "b", "c"):
        write(tmp_path / f"{name}.wav", noise(RATE))
    (tmp_path / "text.wav").write_text("this is no audio at all, whatever its name says")
    (tmp_path / "phone.m4a").write_bytes(b"\0\0\0\x20ftypM4A ")
    (tmp_path / "empty.wav").touch()
    write(tmp_path / "zero.wav", noise(0))
    write(tmp_path / "stray.wav", noise(4_700))
    session = open_session([tmp_path])

    assert session.recording.track_names == ("a", "b", "c")
    assert {fault.name: fault.fault for fault in session.faulty} == {
        "text": "unreadable",
        "phone": "unreadable",
        "empty": "unreadable",
        "zero": "too_short",
        "stray": "too_short",
    }
    assert all(fault.remark in session.notes and fault.path.name in fault.remark for fault in session.faulty)
    assert session.n_samples == RATE


def test_permission_denied(tmp_path, monkeypatch):
    """A file that may not be read is named with that reason (simulated: tests may run as root)."""
    for name in ("a", "b", "locked"):
        write(tmp_path / f"{name}.wav", noise(9_000))
    original = Path.open

    def guarded(path, *args, **kwargs):
        if path.name == "locked.wav":
            raise PermissionError(13, "Permission denied")
        return original(path, *args, **kwargs)

    monkeypatch.setattr(Path, "open", guarded)
    session = open_session([tmp_path])

    assert session.faulty[0].remark == "locked.wav was left out: it cannot be opened (permission denied)."


def test_stream_without_a_length(tmp_path):
    """A FLAC stream whose header tells no length (total samples 0 in STREAMINFO) is used to its end."""
    data = bytearray(write(tmp_path / "a.flac", noise(RATE)).read_bytes())
    data[21] &= 0xF0  # STREAMINFO begins at byte 8; its 36-bit total ends at its 18th byte (RFC 9639)
    data[22:26] = bytes(4)
    (tmp_path / "a.flac").write_bytes(data)
    session = open_session([tmp_path / "a.flac"], min_tracks=1)

    assert session.n_samples == pytest.approx(RATE, abs=1)
    assert session.notes == ()


@pytest.mark.parametrize(("suffix", "subtype"), [("wav", "PCM_24"), ("flac", "PCM_24")])
def test_cut_off_file_is_used_as_far_as_it_goes(tmp_path, suffix, subtype):
    """Half a file: what decodes is used, the same samples, and the cut is said."""
    audio = noise(RATE)
    whole = write(tmp_path / f"a.{suffix}", audio, subtype=subtype)
    cut = tmp_path / f"b.{suffix}"
    cut.write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    session = open_session([whole, cut])

    assert 0.4 * RATE < session.n_samples < 0.55 * RATE
    a, b = streamed(session.recording, 10_000)
    np.testing.assert_array_equal(a, b)
    assert session.recording.faults_met == {}
    assert f"b.{suffix} is cut off: its header announces more than" in session.notes[0]


def test_damage_inside_a_file_is_met_while_streaming(tmp_path):
    """A FLAC file with garbage in its middle: finite sound, the track marked, the other untouched."""
    good = write(tmp_path / "good.flac", noise(4 * RATE))
    data = bytearray(good.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 20_000] = bytes(20_000)
    (tmp_path / "torn.flac").write_bytes(data)
    session = open_session([tmp_path])
    got = streamed(session.recording, 20_000)

    assert np.isfinite(got).all()
    np.testing.assert_array_equal(got[0], soundfile.read(good, dtype="float32")[0])
    assert session.recording.faults_met == {"torn": ("unreadable",)}


@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
def test_not_finite_samples(tmp_path, subtype):
    """NaN and infinity become zeros in the right channel only, and the channel is marked."""
    audio = noise(9_000, 2)
    audio[100, 1], audio[200, 1], audio[300, 1] = np.nan, np.inf, -np.inf
    write(tmp_path / "a.wav", audio, subtype=subtype)
    session = open_session([tmp_path])
    assert session.recording.faults_met == {}
    got = streamed(session.recording, 4_000)

    assert np.isfinite(got).all()
    assert not got[1, [100, 200, 300]].any()
    assert session.recording.faults_met == {"a.R": ("not_finite",)}
    audio[[100, 200, 300], 1] = 0.0
    np.testing.assert_allclose(got, audio.T, atol=1e-7)


def test_bad_requests(tmp_path):
    """Requests that cannot be served: one sentence each that says what, where and what to do."""
    folder = tmp_path / "session"
    folder.mkdir()
    with pytest.raises(UsageError, match="No session was given; name a folder"):
        open_session([])
    with pytest.raises(InputError, match=r"nowhere does not exist; check the spelling"):
        open_session([tmp_path / "nowhere"])
    with pytest.raises(InputError, match=r"session holds no audio files; name a folder that does"):
        open_session([folder])
    one = write(folder / "one.wav", noise(9_000))
    (tmp_path / "other").mkdir()
    write(tmp_path / "other" / "two.wav", noise(9_000))
    with pytest.raises(InputError, match=r"holds no audio files; .* such as other and session"):
        open_session([tmp_path])
    with pytest.raises(InputError, match=r"only one usable track \(one\.wav\); comparing needs at least 2"):
        open_session([folder])
    with pytest.raises(UsageError, match="give one folder, or a list of files, not both"):
        open_session([folder, one])
    (tmp_path / "bad.wav").write_text("no audio")
    with pytest.raises(InputError, match=r"holds no track that can be used\. bad\.wav was left out"):
        open_session([tmp_path / "bad.wav"])
    assert open_session([one], min_tracks=1).recording.track_names == ("one",)


def test_array_recording():
    """Arrays in memory behave like files: reads, blocks, zeros outside, non-finite samples zeroed."""
    x = np.arange(10, dtype=float) / 10
    y = x.copy()
    y[3] = np.nan
    recording = ArrayRecording({"x": x, "y": y}, 48_000)

    assert recording.faults_met == {"y": ("not_finite",)}
    assert np.isnan(y[3])
    got = streamed(recording, 4)
    np.testing.assert_array_equal(got[0], np.float32(x))
    np.testing.assert_array_equal(recording.read(-2, 12, (1,))[0], [0, 0, *got[1], 0, 0])


@pytest.mark.parametrize(
    ("tracks", "rate", "message"),
    [
        ({}, 48_000, "pass at least one array"),
        ({"a": np.zeros((2, 5))}, 48_000, r"'a' must be one row of samples, not an array of shape \(2, 5\)"),
        ({"a": np.zeros(5, int)}, 48_000, "'a' must be floating point with full scale 1.0, not int64"),
        ({"a": np.zeros(5), "b": np.zeros(6)}, 48_000, r"one length; cut or pad them first \(a: 5, b: 6\)"),
        ({"a": np.zeros(5)}, 0, "whole number of hertz above 0, not 0"),
        ({"a": np.zeros(5)}, 44_100.5, "whole number of hertz"),
    ],
)
def test_array_recording_refuses(tracks, rate, message):
    """What is no set of tracks is refused by a sentence that says what is wanted."""
    with pytest.raises(UsageError, match=message):
        ArrayRecording(tracks, rate)
