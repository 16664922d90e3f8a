"""``apply`` without touching a sample: nothing set, start times moved, flat tops kept; and losses named.

Chunks are read here by the table of EBU Tech 3285 v2, not with the program's own reader.
"""

import json
import struct

import numpy as np
import pytest
import soundfile
from made_report import correction, fingerprint, made_report, track
from wave_chunks import bext, insert_chunks, ixml

from polaritykit.audio.session import open_session
from polaritykit.base.errors import InputError, UsageError
from polaritykit.commands.apply import command
from polaritykit.jobs.apply.gains import PairGain
from polaritykit.jobs.apply.measure_again import MeasuredAgain
from polaritykit.jobs.apply.text import measured_again_text

RATE = 48_000
START = 13 * 3600 * 96_000  # needs the high word of TimeReference


def _chunks(path):
    """Chunks of a plain wave file by name (the first of each)."""
    data, at, found = path.read_bytes(), 12, {}
    while at + 8 <= len(data):
        name, size = struct.unpack_from("<4sI", data, at)
        found.setdefault(name, data[at + 8 : at + 8 + size])
        at += 8 + size + size % 2
    return found


def _reference(path):
    low, high = struct.unpack_from("<II", _chunks(path)[b"bext"], 338)
    return (high << 32) + low


def _session(tmp_path, sounds, settings, *, stamps=True, suffix="wav", faults=None, ignored=False):
    """Write files and the report that corrects them."""
    folder = tmp_path / "take"
    folder.mkdir()
    for name, sound in sounds.items():
        path = folder / f"{name}.{suffix}"
        soundfile.write(path, sound, RATE, subtype="PCM_24")
        if stamps:
            insert_chunks(path, bext(START), ixml(START))
    tracks = []
    for name, sound in sounds.items():
        channels = 1 if np.ndim(sound) == 1 else sound.shape[1]
        labels = [name] if channels == 1 else [f"{name}.{k + 1}" for k in range(channels)]
        tracks += [
            track(label, file=f"{name}.{suffix}", channel=k, faults=(faults or {}).get(label, []))
            for k, label in enumerate(labels)
        ]
    document = made_report(
        folder=str(folder),
        files=[
            fingerprint(folder, f"{name}.{suffix}") | {"start_samples": START if stamps else None}
            for name in sounds
        ],
        tracks=tracks,
        anchor=tracks[-1]["name"],
        corrections=[correction(name, invert=flip, delay_ms=ms) for name, (flip, ms) in settings.items()],
    )
    document["session"]["start_times_ignored"] = ignored
    (tmp_path / "report").mkdir()
    (tmp_path / "report" / "report.json").write_text(json.dumps(document), encoding="utf-8")
    return folder


def _run(tmp_path, *options):
    out = tmp_path / "out"
    command.main([str(tmp_path / "report"), "--out", str(out), *options], standalone_mode=False)
    return out, json.loads((out / "applied.json").read_text(encoding="utf-8"))


def _noise(seed, n=24_000):
    return np.random.default_rng(seed).uniform(-0.5, 0.5, n)


@pytest.mark.parametrize("stamps", [True, False])
def test_start_times_move_and_samples_do_not(tmp_path, stamps, capsys):
    """1.23 ms at 48 kHz is 59.04 samples: 59 later on the clock, the audio bit for bit but for the flip."""
    sounds = {"near": _noise(1), "turned": _noise(2), "over": _noise(3)}
    settings = {"near": (False, 1.23), "turned": (True, 0.5), "over": (False, 0.0)}
    folder = _session(tmp_path, sounds, settings, stamps=stamps)
    out, applied = _run(tmp_path, "--as-start-times")

    base = START if stamps else 0
    for name, (flip, ms) in settings.items():
        old, new = _chunks(folder / f"{name}.wav"), _chunks(out / f"{name}.wav")
        if not flip:
            assert new[b"data"] == old[b"data"]
        samples = [soundfile.read(place / f"{name}.wav", dtype="int32")[0] for place in (folder, out)]
        np.testing.assert_array_equal(samples[1], -samples[0] if flip else samples[0])
        later = base + round(ms * 1e-3 * RATE)
        assert _reference(out / f"{name}.wav") == later
        if stamps:
            assert f"_LO>{later & 0xFFFFFFFF}<".encode() in new[b"iXML"]
            assert f"_HI>{later >> 32}<".encode() in new[b"iXML"]
            assert new[b"bext"][:338] == old[b"bext"][:338]
            assert new[b"bext"][346:] == old[b"bext"][346:]
    assert applied["as_start_times"]
    assert applied["tracks"][0]["start_samples"] == base + 59
    assert "not a sample of the sound was moved" in capsys.readouterr().out
    # Placed on one clock again, "near" begins 59 samples after "over".
    lined = open_session([out / "near.wav", out / "over.wav"]).recording.read(0, 1000)
    np.testing.assert_allclose(lined[0], sounds["near"][:1000], atol=2**-23)
    np.testing.assert_allclose(lined[1], sounds["over"][59:1059], atol=2**-23)


def test_what_holds_no_start_time_is_refused(tmp_path):
    """A FLAC file; a file whose channels want different delays; a report that ignored start times."""
    stereo = np.stack([_noise(4), _noise(5)], axis=1)
    for number, (kind, error, message) in enumerate(
        [
            ({"suffix": "flac"}, InputError, "cannot hold a start time"),
            ({}, InputError, "channels with different delays"),
            ({"ignored": True}, UsageError, "--ignore-start-times"),
        ]
    ):
        place = tmp_path / str(number)
        place.mkdir()
        settings = {"pair.1": (False, 1.0), "pair.2": (False, 0.0 if number == 1 else 1.0)}
        _session(place, {"pair": stereo, "over": _noise(6)}, settings, stamps=False, **kind)
        with pytest.raises(error, match=message):
            _run(place, "--as-start-times")
        assert not (place / "out").exists()


def test_nothing_set_is_the_session_as_recorded(tmp_path):
    """``--set none``: the very bytes, to compare corrected copies with."""
    folder = _session(tmp_path, {"a": _noise(7), "b": _noise(8)}, {"a": (True, 1.0)})
    out, applied = _run(tmp_path, "--set", "none")

    assert applied["set"] == "none"
    for name in ("a.wav", "b.wav"):
        assert (out / name).read_bytes() == (folder / name).read_bytes()


def _flat_runs(sound):
    """Values and lengths of runs of three or more equal samples."""
    edges = np.flatnonzero(np.diff(sound)) + 1
    return [(run[0], len(run)) for run in np.split(sound, edges) if len(run) >= 3]


@pytest.mark.parametrize("partner", [False, True])
def test_flat_tops_stay_flat(tmp_path, capsys, partner):
    """A 220 Hz tone clipped at −1 dBFS, delayed by 10.4 samples: its runs keep level and length (definition).

    Interpolated between samples they would ring: a fault must stay to be seen.
    """
    tone = np.clip(1.4 * np.sin(2 * np.pi * 220 / RATE * np.arange(24_000)), -0.89, 0.89)
    _session(
        tmp_path,
        {"hot": tone, "mate": _noise(9), "over": _noise(10)},
        {"hot": (False, 10.4e3 / RATE), "mate": (False, 10.4e3 / RATE)},
        faults={"hot": ["clipped"]},
    )
    place = tmp_path / "report" / "report.json"
    document = json.loads(place.read_text(encoding="utf-8"))
    if partner:
        document["tracks"][0]["linked_with"], document["tracks"][1]["linked_with"] = "mate", "hot"
        place.write_text(json.dumps(document), encoding="utf-8")
    out, applied = _run(tmp_path)

    new = soundfile.read(out / "hot.wav", dtype="int32")[0]
    old = soundfile.read(tmp_path / "take" / "hot.wav", dtype="int32")[0]
    runs = [run for run in _flat_runs(old) if abs(run[0]) == np.abs(old).max()]
    assert len(runs) > 100
    assert [run for run in _flat_runs(new) if run[0]] == [run for run in _flat_runs(old) if run[0]]
    done = {entry["name"]: entry["delay_samples"] for entry in applied["tracks"]}
    assert done["hot"] == 10
    assert done["mate"] == (10 if partner else pytest.approx(10.4))
    assert "hot is clipped: it was moved by whole samples" in capsys.readouterr().out


def test_a_loss_is_called_a_loss():
    """What was worked out to cost level is no promise."""
    gains = tuple(
        PairGain(reference="a", other="b", home="a", band_hz=(100.0, 400.0), predicted_db=db, measured_db=db)
        for db in (2.0, -1.3)
    )
    text = measured_again_text(MeasuredAgain(gains=gains, octaves=(), headline="", remaining=()))

    assert "1 promised gain and 1 loss said before" in text
    assert "a loss of 1.3 dB was worked out, had −1.3 dB" in text
    assert "promised -" not in text
