"""A check of two recorders from the files to the document: how it was made is the truth."""

import json

import pytest
import soundfile
from click.testing import CliRunner
from two_recorders import on_recorder, speech_like

from polaritykit.commands.check import command
from polaritykit.jobs.check.text import summary_text

RATE = 16_000


def checked(folder):
    """Return the document of ``check --json``."""
    outcome = CliRunner().invoke(command, [str(folder), "--json"], standalone_mode=False)
    assert outcome.exception is None, outcome.exception
    return json.loads(outcome.stdout)


def test_files_of_one_length_that_did_not_start_together(tmp_path):
    """No length gives them away: they share nothing within reach, so the whole takes are searched."""
    sound = speech_like(RATE, 46, 1)
    late = on_recorder(sound, RATE, start_s=-2.1, ppm=20.0)
    soundfile.write(tmp_path / "camera.wav", -0.5 * late[: 44 * RATE], RATE)
    soundfile.write(tmp_path / "desk.wav", sound[: 44 * RATE], RATE)

    document = checked(tmp_path)

    [pair] = document["pairs"]
    assert (pair["reference"], pair["other"], pair["polarity"]) == ("camera", "desk", "inverted")
    # The camera hears all of it 2.1 s later, and its clock is ahead by 20 millionths of that in the middle.
    start, stop = document["recorders"][0]["start_s"], document["recorders"][1]["start_s"]
    assert abs(start - stop) == pytest.approx(2.1, abs=1e-4)
    assert pair["offset_ms"] == pytest.approx(-2100.0, abs=0.6)
    assert abs(pair["drift_ppm"]) == pytest.approx(20.0, abs=0.3)
    text = summary_text(document)
    assert "0:00:02.100" in text
    assert "20.0" in text


def test_what_was_searched_is_said(tmp_path):
    """Unrelated files of two lengths at any lag; channels of one file only near to one another."""
    soundfile.write(tmp_path / "a.wav", speech_like(RATE, 30, 2), RATE)
    soundfile.write(tmp_path / "b.wav", speech_like(RATE, 33, 3), RATE)

    [pair] = checked(tmp_path)["pairs"]

    assert not pair["related"]
    assert pair["reason"].endswith("(compared at any lag of the whole takes)")


def test_tracks_of_one_clock_are_not_searched(tmp_path):
    """Two channels of one file: what was compared is within some ms, and no recorder is told of."""
    both = [speech_like(RATE, 30, seed) for seed in (4, 5)]
    soundfile.write(tmp_path / "both.wav", list(zip(*both, strict=True)), RATE)

    document = checked(tmp_path)

    assert document["recorders"] == []
    assert document["pairs"][0]["reason"].endswith("(compared within ±40 ms)")
