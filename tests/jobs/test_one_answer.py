"""`check`, `pair` and `bleed` on the same two tracks: one wiring, one track to flip, one offset.

The truth of wiring is the demo's own (its simulation says how each mic is wired) or put on by the test.
"""

import numpy as np
import pytest
from places import DEMO_AUDIO

from polaritykit.analysis import analyse
from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.audio.session import open_session
from polaritykit.jobs.bleed.judge import analyse_bleed
from polaritykit.jobs.pair.judge import judge_pair

KIT, WEAK, STEREO = (DEMO_AUDIO / name for name in ("drum_kit", "leaky_vocal", "stereo_pair"))
#: Two tracks -> how they are wired against one another; None where the two may hear sources from two sides.
SESSIONS = {
    "voice and guitar": ((WEAK / "01_voice.flac", WEAK / "02_guitar.flac"), 1),
    "stereo pair": ((STEREO / "pair_left.flac", STEREO / "pair_right.flac"), -1),
    "overheads": ((KIT / "07_overhead_left.flac", KIT / "08_overhead_right.flac"), -1),
    "snare from both sides": ((KIT / "02_snare_top.flac", KIT / "03_snare_bottom.flac"), None),
    "snare and hat": ((KIT / "02_snare_top.flac", KIT / "04_hat.flac"), None),
}


@pytest.mark.parametrize("turned", [1, -1])
@pytest.mark.parametrize("session", SESSIONS)
def test_three_commands_give_one_answer(session, turned):
    """Whatever each adds, none contradicts another."""
    files, wired = SESSIONS[session]
    recording = open_session(list(files)).recording
    audio = recording.read(0, recording.n_samples)
    first, second = recording.track_names
    tracks = {first: audio[0], second: turned * audio[1]}
    recording = ArrayRecording(tracks, recording.sample_rate_hz)

    checked = analyse(recording)
    paired, leaked = judge_pair(recording), analyse_bleed(recording)

    polarity = checked.pairs[0].polarity
    flips = [track.name for track in checked.corrections.tracks if track.invert]
    if wired is not None and polarity != "unclear":
        assert polarity == ("same" if wired * turned > 0 else "inverted")
    assert leaked.settled.wiring == polarity
    if polarity != "unclear":
        assert paired.wiring.polarity == polarity
        assert [paired.flip] == (flips or [None])
        assert [leaked.flip] == (flips or [None])
    assert checked.pairs[0].offset_ms in (None, paired.offset_ms)
    shift = checked.corrections.tracks[1].shift_ms - checked.corrections.tracks[0].shift_ms
    if paired.setting is not None:
        sign = 1.0 if paired.setting.track == second else -1.0
        assert sign * paired.setting.shift_ms == pytest.approx(shift, abs=1e-6)
    assert np.isclose(leaked.settled.delay_ms, shift, atol=0.1)
