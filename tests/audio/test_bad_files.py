"""Files and requests that cannot be taken as they are: told as results, each with its reason."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from written_files import RATE, noise, streamed, write

from polaritykit.audio.session import open_session
from polaritykit.base.errors import InputError, UsageError


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
