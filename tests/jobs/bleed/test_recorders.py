"""Bleed between files of two recorders that did not start together: found by their sound, as check does."""

import json

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from two_recorders import on_recorder, speech_like

from polaritykit.commands.bleed import command

RATE = 16_000


@pytest.mark.parametrize("same_length", [False, True])
def test_a_leak_into_another_recorder(tmp_path, same_length):
    """Two sources, each 12 dB lower and 1 ms late in the other mic, which starts 6.2 s later, upside down."""
    singer, guitar = (speech_like(RATE, 60.0, seed) for seed in (1, 2))
    leak = 10 ** (-12 / 20)
    main = singer + leak * np.roll(guitar, 16)
    other = -on_recorder(leak * np.roll(singer, 16) + guitar, RATE, start_s=6.2, ppm=30.0)
    kept = len(other) if same_length else len(main)
    soundfile.write(tmp_path / "singer.wav", main[:kept], RATE, subtype="FLOAT")
    soundfile.write(tmp_path / "guitar.wav", other, RATE, subtype="FLOAT")
    result = CliRunner().invoke(
        command, [str(tmp_path / "singer.wav"), str(tmp_path / "guitar.wav"), "--json"]
    )

    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    assert any("guitar.wav started 0:00:06.2" in note for note in document["notes"])
    bleed = document["bleed"]
    assert bleed["wiring"] == "inverted"
    assert bleed["overall"] is not None
