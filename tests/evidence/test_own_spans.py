"""Files that do not cover the same time: each is heard where it lies.

Sources: the truth is what the files were made of; a part of a file is a file by itself, whose answers are
those of the same program on that file alone.
"""

from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest
import soundfile

from polaritykit import analyse, open_session
from polaritykit.base.spans import common_span, spans_of
from polaritykit.evidence.first_pass import read_first_pass
from polaritykit.evidence.settings import Settings
from polaritykit.evidence.spread import spread
from polaritykit.jobs.check.document import build_document
from polaritykit.sustained.activity import choose_frames, loud_db

RATE = 48_000
KIT = Path(__file__).parents[2] / "demo_audio" / "drum_kit"


def quiet(stage, share):
    """No progress wanted."""
    del stage, share


@pytest.fixture
def session(tmp_path):
    """12 s of noise at two mics (the second 40 samples later, upside down), the last 4 s at a third."""
    rng = np.random.default_rng(1)
    sound = rng.standard_normal(12 * RATE + 100) * 0.1
    rows = {"near": sound[100:], "far": -0.5 * sound[60:-40], "short": 0.3 * sound[20:-80]}
    for name, samples in rows.items():
        heard = samples + 0.002 * rng.standard_normal(len(samples))
        soundfile.write(tmp_path / f"{name}.wav", heard[: 4 * RATE] if name == "short" else heard, RATE)
    return open_session(tmp_path)


def test_a_short_file_does_not_shorten_the_others(session, tmp_path):
    """The pair of the long files is that of the two alone; the short one's pairs are right too."""
    assert session.n_samples == 12 * RATE
    assert session.recording.spans == ((0, 12 * RATE), (0, 12 * RATE), (0, 4 * RATE))
    findings = analyse(session.recording)
    pairs = {frozenset((pair.reference, pair.other)): pair for pair in findings.pairs}
    long = pairs[frozenset(("near", "far"))]
    alone = analyse(open_session([tmp_path / "far.wav", tmp_path / "near.wav"]).recording).pairs[0]
    assert (long.polarity, long.offset_ms) == (alone.polarity, pytest.approx(alone.offset_ms, abs=1e-4))
    assert long.offset_std_ms == pytest.approx(alone.offset_std_ms, rel=0.2)
    for name, polarity, samples in (("near", "same", 80), ("far", "inverted", 40)):
        pair = pairs[frozenset((name, "short"))]
        late = pair.offset_ms if pair.other == "short" else -pair.offset_ms
        assert (pair.polarity, late) == (polarity, pytest.approx(samples / RATE * 1e3, abs=2e-3))


def test_a_file_that_ends_cuts_no_drum_in_two(tmp_path):
    """The demo's kit, its room file cut to a third: as many sources, with strokes of the whole take each."""
    for path in sorted(KIT.glob("*.flac")):
        samples, rate = soundfile.read(path, dtype="float32")
        samples = samples[: len(samples) // 3] if "room" in path.stem else samples
        soundfile.write(tmp_path / f"{path.stem}.wav", samples, rate, "FLOAT")
    sources = [source for source in analyse(open_session(tmp_path).recording).sources if source.times_s]
    assert len({source.home for source in sources}) == len(sources) == 5
    assert all(source.times_s[0] < len(samples) / rate < source.times_s[-1] for source in sources)


def test_levels_are_those_of_each_file(session, tmp_path):
    """What a file does not cover is no silence in it."""
    levels = read_first_pass(session.recording, Settings(), quiet).levels[2]
    alone = open_session([tmp_path / "short.wav"], min_tracks=1)
    assert asdict(levels) == asdict(read_first_pass(alone.recording, Settings(), quiet).levels[0])


def test_sums_are_of_what_all_share(session, tmp_path):
    """Pooled spectra are those of the common part alone, and the report tells which it is."""
    pooled = read_first_pass(session.recording, Settings(), quiet).spectra
    shared = open_session(tmp_path, own_spans=False)
    assert shared.n_samples == 4 * RATE
    expected = read_first_pass(shared.recording, Settings(), quiet).spectra
    np.testing.assert_allclose(pooled.matrix, expected.matrix, rtol=1e-5, atol=1e-12)
    document = build_document(analyse(session.recording), session)
    assert document["session"]["common_s"] == [0.0, 4.0]
    assert any("each is heard where it lies" in note for note in document["notes"])
    assert build_document(analyse(shared.recording), shared)["session"]["common_s"] is None


@pytest.mark.parametrize("listen_s", [1.0, 4.0])
def test_a_part_listened_to_holds_some_of_what_all_share(session, listen_s):
    """Stretches spread over the take would miss a short common part."""
    session.recording.spans = ((0, 12 * RATE), (0, 12 * RATE), (4 * RATE, 5 * RATE))
    part = spread(session.recording, listen_s)
    first, stop = common_span(spans_of(part))
    heard = np.zeros(session.n_samples, bool)
    places = []
    for start, block in part.blocks(1 << 14):
        places.append(start)
        heard[start : start + block.shape[1]] = True
    assert heard[first:stop].sum() >= min(stop - first, listen_s * RATE / 4) / 2
    assert places == sorted(places)
    assert heard.sum() <= max(listen_s, 2.0) * RATE * 1.1


def test_digital_silence_is_nothing_heard():
    """A track with nothing there has no loud frames there, and does not make frames another's own."""
    rng = np.random.default_rng(2)
    levels = -40.0 + rng.standard_normal((200, 3))
    # In these the home is clearly the loudest of the tracks that have something.
    levels[::4, 0] += 10.0
    edited = levels.copy()
    edited[10:, 2] = -200.0
    np.testing.assert_allclose(loud_db(edited)[:2], loud_db(levels)[:2])
    assert loud_db(edited)[2] == pytest.approx(np.percentile(levels[:10, 2], 95))
    chosen = choose_frames(edited, 0)
    assert np.mean(chosen % 4 == 0) > 0.7
