"""A session as recorders and workstations write it (common practice, no source).

Take, date and time stand behind each name, and the audio lies one folder down.
"""

import json

import numpy as np
import pytest
import soundfile

from polaritykit.cli import main

TAIL = "_01-240612_1432"
RATE = 8000


def code(*arguments):
    """Exit code of a command line."""
    with pytest.raises(SystemExit) as stopped:
        main([str(argument) for argument in arguments])
    return stopped.value.code


@pytest.fixture
def project(tmp_path):
    """Make a project's folder with its audio folder and another one."""
    audio = tmp_path / "song" / "Audio Files"
    audio.mkdir(parents=True)
    (tmp_path / "song" / "Notes").mkdir()
    heard = np.random.default_rng(5).normal(size=3 * RATE) * 0.1
    for name, sound in (("2 OH L", heard), ("10 OH R", -heard), ("1 kick", np.roll(heard, 8))):
        noise = np.random.default_rng(len(name)).normal(size=3 * RATE) * 0.003
        soundfile.write(audio / f"{name}{TAIL}.wav", sound + noise, RATE, subtype="PCM_24")
    return tmp_path / "song"


def test_project_folder_is_checked_with_short_names(project, tmp_path, capsys):
    """Found one folder down, in natural order, linked and named by what tells the tracks apart."""
    out = tmp_path / "report"

    assert code("check", project, "--out", out, "--anchor", "1 kick") == 0

    told = capsys.readouterr().out
    document = json.loads((out / "report.json").read_text(encoding="utf-8"))
    page = (out / "report.html").read_text(encoding="utf-8")
    assert [track["name"] for track in document["tracks"]] == [
        f"{name}{TAIL}" for name in ("1 kick", "2 OH L", "10 OH R")
    ]
    assert document["tracks"][1]["linked_with"] == f"10 OH R{TAIL}"
    assert document["corrections"]["anchor"] == f"1 kick{TAIL}"
    assert TAIL not in told
    assert "10 OH R" in told
    assert "The audio files lie in its folder Audio Files." in told
    assert TAIL not in page.replace(f"{TAIL}.wav", "")


def test_tracks_are_named_in_short_for_apply(project, tmp_path, capsys):
    """What the report shows is what one types."""
    out = tmp_path / "report"
    assert code("check", project, "--out", out) == 0

    assert code("apply", out, "--out", tmp_path / "fixed", "--track", "10 OH R") == 0

    assert "1 track changed" in capsys.readouterr().out
