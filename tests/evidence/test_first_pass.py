"""The pass over a recording tells the same whatever the number of threads and the format of the files."""

import numpy as np
import pytest
import soundfile

import polaritykit.audio.file_recording as files
import polaritykit.evidence.first_pass as passes
from polaritykit import analyse, open_session


@pytest.fixture
def session(tmp_path):
    """Two formats of one session: clicks and noise that three tracks hear at different times."""
    rng = np.random.default_rng(3)
    sound = 0.02 * rng.standard_normal(5 * 48_000 + 500)
    sound[6000::24_000] += 0.5
    for kind in ("wav", "flac"):
        (tmp_path / kind).mkdir()
        for number, late in enumerate((0, 37, 240)):
            heard = np.roll(sound, late)[500:] + 0.001 * rng.standard_normal(5 * 48_000)
            if kind == "flac":
                heard = soundfile.read(tmp_path / "wav" / f"{number}.wav")[0]
            soundfile.write(tmp_path / kind / f"{number}.{kind}", heard, 48_000, subtype="PCM_24")
    return tmp_path


def told(folder):
    """All numbers of an analysis, in one order."""
    findings = analyse(open_session(folder).recording)
    return repr(
        [
            findings.levels,
            findings.pairs,
            findings.corrections,
            findings.sources,
            findings.kit_sum,
            findings.sum_peak,
            findings.spectra.matrix.tobytes(),
        ]
    )


def test_same_bits_for_any_threads_and_formats(session, monkeypatch):
    """FLAC is lossless, and no thread shares a sum with another."""
    wav = told(session / "wav")
    assert told(session / "flac") == wav
    for cores in (1, 2, 5):
        monkeypatch.setattr("os.cpu_count", lambda cores=cores: cores)
        assert told(session / "wav") == wav


def test_audio_that_was_kept_reads_like_decoded_audio(session, monkeypatch):
    """What the first pass keeps of a short session is what reading again would give."""
    kept = told(session / "wav")
    monkeypatch.setattr(files, "_KEPT_BYTES", 0.0)
    assert told(session / "wav") == kept


def test_spectra_of_many_tracks_are_bounded():
    """Frames as long as those of few tracks up to 90; the matrix of 256 stays under the half of a GB."""
    assert passes.fft_size_for(10**8, 48_000, 90) == passes.fft_size_for(10**8, 48_000, 2)
    size = passes.fft_size_for(10**8, 48_000, 256)
    assert 256**2 * (size // 2 + 1) * 16 < 0.55e9
