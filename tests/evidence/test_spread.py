"""A part of a long take: what is listened to, that nothing is heard at the cuts, and that it is said."""

import json
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from polaritykit.analysis import Settings, analyse, analyse_arrays
from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.cli import main
from polaritykit.evidence.first_pass import read_first_pass
from polaritykit.evidence.spread import SpreadRecording, listened_s, spread
from polaritykit.jobs.check.document import build_document

RATE = 16_000
LENGTH = 120 * RATE


def take(seed=1):
    """Two tracks of noise that share a source, the second 2 ms later and upside down."""
    rng = np.random.default_rng(seed)
    source = rng.standard_normal(LENGTH + 32)
    own = 0.5 * rng.standard_normal((2, LENGTH))
    return {
        "near": (0.1 * (source[32:] + own[0])).astype(np.float32),
        "far": (0.1 * (own[1] - source[:-32])).astype(np.float32),
    }


def clicks():
    """One burst a second on each track, the floor far below."""
    rng = np.random.default_rng(3)
    sound = 1e-5 * rng.standard_normal((2, LENGTH))
    for at in range(RATE // 2, LENGTH - RATE, RATE):
        sound[:, at : at + 800] += 0.3 * rng.standard_normal(800) * np.exp(-np.arange(800) / 150)
    return ArrayRecording(dict(zip("ab", sound.astype(np.float32), strict=True)), RATE)


def first_pass(recording):
    """All that reading once tells."""
    return read_first_pass(recording, Settings(), lambda *_: None)


def test_all_is_listened_to_where_the_take_is_short():
    """Asked for more than there is, or for about all, the recording stays itself."""
    recording = ArrayRecording(take(), RATE)

    assert spread(recording, None) is recording
    assert spread(recording, 120.0) is recording
    assert spread(recording, 119.0) is recording
    assert listened_s(recording) is None


def test_stretches_reach_from_end_to_end():
    """Ten seconds each, evenly apart; blocks hold the take's own samples but for the faded ends."""
    recording = ArrayRecording(take(), RATE)
    part = spread(recording, 40.0)
    blocks = list(part.blocks(50_000))
    starts = [start for start, _ in blocks]
    heard = np.concatenate([np.arange(start, start + block.shape[1]) for start, block in blocks])

    assert listened_s(part) == pytest.approx(40.0, abs=2.5)
    assert len(heard) == len(set(heard)) == round(listened_s(part) * RATE)
    assert heard[0] == 0
    assert heard[-1] > LENGTH - RATE
    assert starts == sorted(starts)
    assert np.sum(np.diff(heard) > 1) == 3
    for start, block in blocks:
        inner = block[:, 100:-100]
        assert np.array_equal(inner, recording.read(start + 100, start + block.shape[1] - 100))


def test_onsets_and_activity_lie_where_they_lie_in_the_take():
    """Cuts make no onset, and none inside a stretch is lost: those of the whole take, counted there."""
    recording = clicks()
    part = spread(recording, 40.0)
    assert isinstance(part, SpreadRecording)
    whole, some = first_pass(recording), first_pass(part)
    inside = np.zeros(LENGTH, dtype=bool)
    for start, block in part.blocks(1 << 17):
        inside[start : start + block.shape[1]] = True
    place, expected = ["track", "sample"], whole.onsets.onsets()
    expected = expected[inside[expected["sample"]]]

    assert set(some.onsets.onsets()[place].tolist()) == set(expected[place].tolist())
    assert len(expected) > 60
    listened = np.isfinite(some.activity_db).all(axis=1)
    frame = LENGTH // len(whole.activity_db)
    # The fades touch the outer frames of a stretch.
    same = np.isclose(some.activity_db[listened], whole.activity_db[: len(listened)][listened], atol=0.5)
    assert same.mean() > 0.97
    assert listened.sum() * frame == pytest.approx(listened_s(part) * RATE, rel=0.05)


def test_a_third_of_the_take_tells_the_same():
    """Offset and sign are those of the whole take; levels are those of the part."""
    tracks = take()
    [whole] = analyse_arrays(tracks, sample_rate_hz=RATE).pairs
    found = analyse_arrays(tracks, sample_rate_hz=RATE, settings=Settings(listen_s=40.0))
    [pair] = found.pairs

    assert pair.polarity == whole.polarity == "inverted"
    assert pair.offset_ms == pytest.approx(2.0, abs=0.01)
    assert found.levels[0].rms_dbfs == pytest.approx(20 * np.log10(0.1 * np.sqrt(1.25)), abs=0.1)


def test_a_mic_that_is_turned_half_way_is_still_seen():
    """In the middle of the take one track turns over: told as of the whole take, within a stretch's place."""
    tracks = take()
    tracks["far"][LENGTH // 2 :] *= -1
    found = analyse(ArrayRecording(tracks, RATE), settings=Settings(listen_s=40.0))
    [pair] = found.pairs

    assert [change.turned for change in pair.changes] == [True]
    assert pair.changes[0].time_s == pytest.approx(60.0, abs=10.0)


def code_of(*arguments):
    """Exit code of a command."""
    with pytest.raises(SystemExit) as stopped:
        main([str(argument) for argument in arguments])
    return stopped.value.code


def test_it_is_said_and_apply_wants_all(tmp_path, capsys):
    """In the document, in the notes; corrected copies need every sample's fingerprint."""
    for name, samples in take().items():
        soundfile.write(tmp_path / f"{name}.wav", samples, RATE, subtype="PCM_24")
    report = tmp_path / "out"
    files = [str(tmp_path / f"{name}.wav") for name in ("near", "far")]

    assert code_of("check", *files, "--seconds", "40", "--out", report) == 0
    document = json.loads((report / "report.json").read_text(encoding="utf-8"))
    assert document["session"]["listened_s"] == pytest.approx(40.0, abs=2.5)
    assert any(note.startswith("Listened to 4") and "of 120 s" in note for note in document["notes"])
    capsys.readouterr()
    assert code_of("apply", report, "--out", tmp_path / "copies") == 4
    assert "--seconds" in capsys.readouterr().err
    assert not (tmp_path / "copies").exists()


def test_all_of_a_take_is_told_as_all():
    """No note, no number."""
    tracks = {name: samples[: 4 * RATE] for name, samples in take().items()}
    document = build_document(
        replace(analyse_arrays(tracks, sample_rate_hz=RATE, settings=Settings(listen_s=60.0)), motions=())
    )

    assert document["session"]["listened_s"] is None
    assert document["notes"] == []
