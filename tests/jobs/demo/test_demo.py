"""The demo's files: the same again, small, with headroom, and spared where something else lies."""

import json
import shutil
import signal
import subprocess
import sys

import numpy as np
import pytest
import soundfile
from demo_sessions import COMMITTED, made, stated_by

from polaritykit.base.errors import UsageError
from polaritykit.base.whole_files import check_output_folder
from polaritykit.cli import main
from polaritykit.jobs.demo import write as demo
from polaritykit.jobs.demo.session import render, truth


def _stereo_only():
    session = made("stereo_pair")
    return {"stereo_pair": lambda: session}


@pytest.mark.parametrize("name", ["stereo_pair", "leaky_vocal"])
def test_code_makes_the_committed_samples(name):
    """What lies in demo_audio/ is what the code writes, sample for sample, and so is its truth."""
    session = made(name)
    rendered = render(session)

    for microphone, samples in zip(session.microphones, demo.quantise(rendered), strict=True):
        committed, rate_hz = soundfile.read(COMMITTED / name / f"{microphone.name}.flac", dtype="int16")
        assert rate_hz == session.sample_rate_hz
        np.testing.assert_array_equal(samples, committed)
    assert json.loads(json.dumps(truth(session, rendered.gains))) == stated_by(name)


def test_kit_truth_is_what_the_geometry_says():
    """Arrivals and signs of the committed kit are those of its geometry today (levels aside)."""
    session = made("drum_kit")
    again = truth(session, np.ones(len(session.microphones)))

    for source, stated in zip(again["sources"], stated_by("drum_kit")["sources"], strict=True):
        assert source["starts_s"] == stated["starts_s"]
        for arrival, other in zip(source["arrivals"], stated["arrivals"], strict=True):
            assert (arrival["delay_ms"], arrival["sign"]) == (other["delay_ms"], other["sign"])


@pytest.mark.parametrize("name", list(demo.SESSIONS))
def test_levels_leave_headroom(name):
    """Peaks lie between -12 and -6 dBFS (common practice, no source) and no track begins with a bang."""
    stated = stated_by(name)
    for track in stated["tracks"]:
        samples, rate_hz = soundfile.read(COMMITTED / name / track["file"])
        assert samples.ndim == 1
        assert rate_hz == stated["sample_rate_hz"]
        assert -12 <= 20 * np.log10(np.abs(samples).max()) <= -6
        quiet = np.std(samples[: int(0.3 * rate_hz)])
        assert 20 * np.log10(quiet) == pytest.approx(track["noise_dbfs"], abs=0.5)


def test_demo_stays_small():
    """All of demo_audio/ together is at most 8 MB."""
    assert sum(path.stat().st_size for path in COMMITTED.rglob("*") if path.is_file()) <= 8e6


def test_command_writes_sessions(tmp_path, monkeypatch, capsys):
    """The command writes each session, says so on stderr, and leaves stdout alone."""
    monkeypatch.setattr(demo, "SESSIONS", _stereo_only())
    with pytest.raises(SystemExit) as ended:
        main(["demo", str(tmp_path / "new")])

    assert ended.value.code == 0
    said = capsys.readouterr()
    assert said.out == ""
    assert "stereo_pair" in said.err
    written = sorted(path.name for path in (tmp_path / "new" / "stereo_pair").iterdir())
    assert written == ["pair_left.flac", "pair_right.flac", "truth.json"]
    for name in written[:2]:
        new, _ = soundfile.read(tmp_path / "new" / "stereo_pair" / name, dtype="int16")
        old, _ = soundfile.read(COMMITTED / "stereo_pair" / name, dtype="int16")
        np.testing.assert_array_equal(new, old)


def test_command_spares_a_folder_with_something_in_it(tmp_path, monkeypatch):
    """A folder that is not empty is refused; with --overwrite only an earlier demo is replaced."""
    monkeypatch.setattr(demo, "SESSIONS", _stereo_only())
    with pytest.raises(SystemExit) as ended:
        main(["demo", str(tmp_path / "demo")])
    assert ended.value.code == 0
    (tmp_path / "demo" / "stereo_pair" / "pair_left.flac").unlink()
    with pytest.raises(SystemExit) as ended:
        main(["demo", str(tmp_path / "demo")])
    assert ended.value.code == 2
    with pytest.raises(SystemExit) as ended:
        main(["demo", str(tmp_path / "demo"), "--overwrite"])
    assert ended.value.code == 0
    assert (tmp_path / "demo" / "stereo_pair" / "pair_left.flac").is_file()

    (tmp_path / "demo" / "stereo_pair" / "mine.flac").write_text("keep me", encoding="utf-8")
    with pytest.raises(UsageError, match=r"holds stereo_pair/mine\.flac, which this program did not write"):
        demo.write_demo(tmp_path / "demo", overwrite=True, progress=lambda *_: None)
    assert (tmp_path / "demo" / "stereo_pair" / "mine.flac").read_text(encoding="utf-8") == "keep me"


def test_a_demo_of_the_first_version_is_known(tmp_path):
    """It has no marker: the truth beside the audio says what it is, and names what was written."""
    for name in demo.SESSIONS:
        shutil.copytree(COMMITTED / name, tmp_path / "demo" / name)
    check_output_folder(tmp_path / "demo", inputs=[], overwrite=True)

    (tmp_path / "demo" / "drum_kit" / "take.flac").touch()
    with pytest.raises(UsageError, match=r"holds drum_kit/take\.flac"):
        check_output_folder(tmp_path / "demo", inputs=[], overwrite=True)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_stopped_half_way(tmp_path, number):
    """The signal comes once a track is written, and again during the clearing up: nothing is left.

    Exit codes are the shells' convention, 128 and the signal's number.
    """
    script = (
        f"import os, shutil, sys\nsys.path.insert(0, {str(COMMITTED.parent)!r})\n"
        "from polaritykit import cli\nfrom polaritykit.jobs.demo import write as demo\n"
        "demo.SESSIONS = {'stereo_pair': demo.SESSIONS['stereo_pair']}\n"
        "encode, remove, calls = demo._write_flac, shutil.rmtree, []\n"
        "def encoded(*given):\n    calls.append(given)\n"
        f"    if len(calls) == 2:\n        os.kill(os.getpid(), {int(number)})\n    return encode(*given)\n"
        f"def removed(*given, **how):\n    os.kill(os.getpid(), {int(number)})\n    remove(*given, **how)\n"
        "demo._write_flac, shutil.rmtree = encoded, removed\n"
        "cli.main(['demo', 'new'])"
    )
    ended = subprocess.run(
        [sys.executable, "-c", script], cwd=tmp_path, capture_output=True, text=True, check=False
    )

    assert ended.returncode == 128 + number
    assert ended.stderr.strip() == "polaritykit: stopped; nothing half-written was left behind."
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("place", ["file.txt", "missing/deeper"])
def test_command_names_an_impossible_place(tmp_path, place):
    """A file in the way, or a parent that is not there, is one sentence and exit code 2."""
    (tmp_path / "file.txt").write_text("x", encoding="utf-8")
    with pytest.raises(SystemExit) as ended:
        main(["demo", str(tmp_path / place)])
    assert ended.value.code == 2
