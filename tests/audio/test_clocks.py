"""Where files lie on one clock, and what resampling does to it: against closed forms."""

import numpy as np
import pytest
from wave_chunks import bext, insert_chunks, ixml
from written_files import RATE, noise, streamed, write

from polaritykit.audio.session import open_session
from polaritykit.base.errors import InputError


@pytest.mark.parametrize("low_rate", [44_100, 32_000, 11_025, 47_999])
def test_resampling_delay(tmp_path, low_rate):
    """A band-limited sound sampled at two rates is the same sound after resampling.

    The sound is a sum of cosines, whose samples at either rate are a closed form.  The delay is read
    from the cross-spectrum's phase; 0.01 sample is what is promised.
    """
    frequencies = np.linspace(200, 0.4 * low_rate, 40)
    phases = np.random.default_rng(5).uniform(0, 2 * np.pi, 40)

    def sound(rate):
        t = np.arange(rate * 2) / rate
        return 0.02 * np.cos(2 * np.pi * np.outer(t, frequencies) + phases).sum(axis=1)

    write(tmp_path / "high.wav", sound(RATE), RATE, subtype="FLOAT")
    write(tmp_path / "low.wav", sound(low_rate), low_rate, subtype="FLOAT")
    session = open_session([tmp_path])
    high, low = session.recording.read(8_192, 8_192 + 65_536).astype(float)

    assert any(f"low.wav ({low_rate} Hz) resampled to 48000 Hz" in note for note in session.notes)
    window = np.hanning(65_536)
    spectra = [np.fft.rfft(window * x) for x in (high, low)]
    cross = spectra[0] * np.conj(spectra[1])
    bins = np.round(frequencies * 65_536 / RATE).astype(int)
    delays = np.angle(cross[bins]) / (2 * np.pi * frequencies) * RATE
    assert np.abs(delays).max() < 0.01
    assert np.abs(low - high).max() < 1e-3 * np.abs(high).max()


def test_start_times_place_tracks(tmp_path):
    """Two pieces of one long sound, begun at different moments, coincide by their time reference."""
    audio = noise(60_000)
    midnight = 10 * 3600 * RATE  # 10:00:00 at 48 kHz = 1 728 000 000 (EBU Tech 3285)
    for name, first, last in (("a", 0, 50_000), ("b", 12_345, 60_000)):
        write(tmp_path / f"{name}.wav", audio[first:last], subtype="FLOAT")
        insert_chunks(tmp_path / f"{name}.wav", bext(midnight + first))
    session = open_session([tmp_path])

    got = streamed(session.recording, 10_000)
    assert session.n_samples == 50_000 - 12_345
    np.testing.assert_array_equal(got, np.float32(np.stack([audio[12_345:50_000]] * 2)))
    assert "Start times differ by up to 0.257 s" in session.notes[0]
    assert [track.time_reference for track in session.tracks] == [midnight, midnight + 12_345]
    assert [track.lead_s for track in session.tracks] == pytest.approx([12_345 / RATE, 0.0])

    ignored = open_session([tmp_path], ignore_start_times=True)
    assert ignored.n_samples == 60_000 - 12_345
    np.testing.assert_array_equal(ignored.recording.read(0, 9)[0], np.float32(audio[:9]))
    assert any("ignored as asked" in note for note in ignored.notes)


def test_start_times_across_rates_and_the_high_word(tmp_path):
    """96 kHz at 13:00:00 needs the high word; a 44.1 kHz file begun 10 ms later is placed exactly."""
    tone = 2 * np.pi * 997.0

    def sound(rate, first_s, n):
        return 0.5 * np.cos(tone * (first_s + np.arange(n) / rate))

    write(tmp_path / "a.wav", sound(96_000, 0.0, 96_000), 96_000, subtype="FLOAT")
    insert_chunks(tmp_path / "a.wav", bext(4_492_800_000))  # high 1, low 197 832 704
    write(tmp_path / "b.wav", sound(44_100, 0.01, 44_100), 44_100, subtype="FLOAT")
    insert_chunks(tmp_path / "b.wav", bext(13 * 3600 * 44_100 + 441))
    session = open_session([tmp_path])

    assert session.n_samples == 96_000 - 960
    a, b = session.recording.read(10_000, 80_000)
    np.testing.assert_allclose(b, a, atol=1e-4)


def test_some_files_without_start_time(tmp_path):
    """A file without a start time is placed at the earliest one, and that is said."""
    for name in ("a", "b", "c"):
        write(tmp_path / f"{name}.wav", noise(20_000))
    insert_chunks(tmp_path / "a.wav", bext(48_000))
    insert_chunks(tmp_path / "b.wav", bext(50_000))
    session = open_session([tmp_path])

    assert session.recording.spans == ((0, 20_000), (2_000, 20_000), (0, 20_000))
    assert open_session([tmp_path], own_spans=False).n_samples == 18_000
    assert any(
        "c.wav has no start time and was placed at the earliest one, 00:00:01.000" in n for n in session.notes
    )


def test_bext_and_ixml_disagree(tmp_path):
    """Both accounts are reported and bext counts; iXML alone is used, both words of it."""
    for name in ("a", "b"):
        write(tmp_path / f"{name}.wav", noise(20_000))
    insert_chunks(tmp_path / "a.wav", bext(48_000), ixml(96_000))
    insert_chunks(tmp_path / "b.wav", ixml(48_000))
    session = open_session([tmp_path])

    assert session.n_samples == 20_000
    assert session.notes == (
        "a.wav gives two start times, 00:00:01.000 in bext and 00:00:02.000 in iXML; bext counts.",
    )


def test_start_times_that_share_nothing(tmp_path):
    """Start times by which the files do not overlap are an error that names the way out."""
    for name, reference in (("a", 0), ("b", 10**9)):
        write(tmp_path / f"{name}.wav", noise(20_000))
        insert_chunks(tmp_path / f"{name}.wav", bext(reference))
    with pytest.raises(InputError, match=r"a\.wav ends before b\.wav begins .*--ignore-start-times"):
        open_session([tmp_path])
    assert open_session([tmp_path], ignore_start_times=True).n_samples == 20_000
