"""A stereo pair over several drums: no single delay, but every first arrival has one."""

import json

import numpy as np
import pytest
from places import DEMO_AUDIO

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.audio.session import open_session
from polaritykit.jobs.pair.document import stereo_document
from polaritykit.jobs.pair.judge import judge_pair

RATE = 48_000
KIT = DEMO_AUDIO / "drum_kit"
SIDES = ("07_overhead_left", "08_overhead_right")


@pytest.fixture(scope="module")
def overheads():
    """Overheads of the demo kit, and what the simulation of the room says of them."""
    truth = json.loads((KIT / "truth.json").read_text(encoding="utf-8"))
    pair = next(pair for pair in truth["pairs"] if (pair["reference"], pair["other"]) == SIDES)
    return open_session([KIT / f"{side}.flac" for side in SIDES]).recording, pair


@pytest.mark.parametrize("turned", [False, True])
def test_first_arrivals_speak_where_the_spectra_do_not(overheads, turned):
    """The offset of the source that is loudest in both, to 0.05 ms, and the wiring, either way round."""
    recording, truth = overheads
    audio = recording.read(0, recording.n_samples)
    sign = -1.0 if turned else 1.0
    recording = ArrayRecording({"oh_left": audio[0], "oh_right": sign * audio[1]}, recording.sample_rate_hz)
    found = judge_pair(recording)

    assert found.offset_ms == pytest.approx(truth["offset_ms"], abs=0.05)
    assert found.wiring.polarity == (
        "same" if turned else truth["wiring"]
    )  # the demo's right side is wired backwards
    assert (found.flip is None) is turned
    assert stereo_document(found)["offset_method"] == "first arrivals"


def test_spectra_keep_the_word_where_they_have_it():
    """One source: the spectral offset, the finer one, stands as it is."""
    noise = np.random.default_rng(2).standard_normal(8 * RATE)
    found = judge_pair(ArrayRecording({"left": noise, "right": np.roll(noise, 24)}, RATE))

    assert found.offset_method == "spectra"
    assert found.offset_ms == pytest.approx(0.5, abs=0.005)


def test_unrelated_sides_get_no_offset_from_anyone():
    """Independent noise stays unclear."""
    left, right = np.random.default_rng(3).standard_normal((2, 8 * RATE))
    found = judge_pair(ArrayRecording({"left": left, "right": right}, RATE))

    assert found.offset_ms is None
    assert found.wiring.polarity == "unclear"
    assert stereo_document(found)["offset_method"] is None
