"""Sessions of several recorders: places and drifts against how they were made, and what stays apart."""

import numpy as np
import pytest
import soundfile
from two_recorders import on_recorder, speech_like
from wave_chunks import bext, insert_chunks

from polaritykit.audio.header import read_header
from polaritykit.audio.other_clock import Clock, read_stretched
from polaritykit.base.spans import common_span
from polaritykit.recorders.clock_groups import clock_groups
from polaritykit.recorders.open import open_lined_up

RATE = 16_000


def write(path, samples, rate=RATE):
    """One file of 24 bits."""
    soundfile.write(path, samples, rate, subtype="PCM_24")
    return path


@pytest.mark.parametrize("ppm", [0.0, 31.7, -200.0])
@pytest.mark.parametrize(("frequency_hz", "error"), [(440.0, 1e-6), (3000.0, 1e-6), (6000.0, 1e-4)])
def test_another_clock_is_read_at_its_own_places(ppm, frequency_hz, error):
    """A tone at the places asked for, closed form: −120 dB below a fifth of the rate, −80 dB further up."""
    step, first, count = 1.0 + 1e-6 * ppm, 4321.987, 20_000

    def read(start, stop):
        return np.sin(2 * np.pi * frequency_hz / RATE * np.arange(start, stop))[:, None]

    heard = read_stretched(read, first=first, step=step, count=count)[:, 0]

    expected = np.sin(2 * np.pi * frequency_hz / RATE * (first + step * np.arange(count)))
    assert np.abs(heard - expected).max() < error


@pytest.mark.parametrize(("start_s", "ppm"), [(-2.1, 0.0), (12.345, 24.0)])
def test_start_and_drift_of_another_recorder(tmp_path, start_s, ppm):
    """Two mics of the desk and another recorder: placed to 20 µs and 0.2 ppm, turned over and noisy."""
    sound = speech_like(RATE, 60, 1)
    rng = np.random.default_rng(2)
    # The second mic hears worse, so that the first is the one that is timed.
    noise = np.array([[0.002], [0.02]]) * rng.standard_normal((2, len(sound)))
    desk = np.stack([sound, np.roll(sound, 40)]) + noise
    other = -0.4 * on_recorder(sound, RATE, start_s=start_s, ppm=ppm)
    other += 0.003 * rng.standard_normal(len(other))
    for name, samples in (("a", desk[0]), ("b", desk[1]), ("other", other)):
        write(tmp_path / f"{name}.wav", samples)

    session = open_lined_up([tmp_path])

    reference, found = session.recorders
    assert [path.name for path in reference.files] == ["a.wav", "b.wav"]
    assert found.state == "found"
    assert found.start_s == pytest.approx(start_s, abs=2e-5)
    assert found.drift_ppm == pytest.approx(ppm, abs=0.2)
    # Lined up, the third track is the first one turned over, in all parts of the take.
    rows = session.recording.read(*common_span(session.recording.spans))
    for part in np.array_split(rows, 5, axis=1):
        lag = np.argmax(np.abs(np.correlate(part[2], part[0][200:-200], "valid"))) - 200
        assert lag == 0
        assert np.corrcoef(part[2], part[0])[0, 1] < -0.9


def test_files_of_one_length_or_start_time_share_a_clock(tmp_path):
    """No search between them; other lengths and start times are recorders of their own."""
    lengths = {"a": 480_000, "b": 480_080, "c": 500_000, "d": 510_000, "e": 470_000}
    for name, n in lengths.items():
        write(tmp_path / f"{name}.wav", np.zeros(n))
    for name in ("d", "e"):
        path = tmp_path / f"{name}.wav"
        insert_chunks(path, bext(RATE * 3600))
    headers = [read_header(tmp_path / f"{name}.wav") for name in lengths]

    assert clock_groups(headers) == ((3, 4), (0, 1), (2,))
    assert clock_groups(headers, apart=[1]) == ((3, 4), (2,), (1,), (0,))


def test_heads_that_are_right_leave_samples_alone(tmp_path):
    """Start times that the sound bears out place the files as ever, bit for bit; nothing is told."""
    sound = speech_like(RATE, 50, 3)
    for name, first in (("a", 0), ("b", 5 * RATE)):
        path = write(tmp_path / f"{name}.wav", sound[first : first + 40 * RATE])
        insert_chunks(path, bext(3600 * RATE + first))

    session = open_lined_up([tmp_path])

    assert session.recorders == ()
    rows = session.recording.read(0, session.n_samples)
    assert session.n_samples == 35 * RATE
    assert np.array_equal(rows[0], rows[1])


def test_heads_that_are_wrong_are_told(tmp_path):
    """The sound counts, and one sentence says how far the start times are off."""
    from polaritykit.recorders.words import sentences

    sound = speech_like(RATE, 50, 4)
    for name, first, said in (("a", 0, 0), ("b", 5 * RATE, 9 * RATE)):
        path = write(tmp_path / f"{name}.wav", sound[first : first + 40 * RATE])
        insert_chunks(path, bext(3600 * RATE + said))

    session = open_lined_up([tmp_path])

    reference, found = session.recorders
    assert (found.start_s, found.header_start_s) == (pytest.approx(5.0, abs=1e-5), 9.0)
    said = sentences(found, reference, {"a.wav": RATE, "b.wav": RATE})
    assert said[0].startswith(
        "b.wav started 0:00:05.000 after a.wav: trim 0:00:05.000 (80\N{NO-BREAK SPACE}000 samples) "
    )
    assert said[-1] == "The start times in the files say 0:00:09.000 after: 0:00:04.000 off what is heard."


def test_unrelated_takes_stay_where_they_are(tmp_path):
    """Two sounds that share nothing, of two lengths: what was searched is said."""
    write(tmp_path / "a.wav", speech_like(RATE, 40, 5))
    write(tmp_path / "b.wav", speech_like(RATE, 45, 6))

    session = open_lined_up([tmp_path])

    assert [one.state for one in session.recorders] == ["reference", "nothing_shared"]
    assert session.recorders[1].searched_s == pytest.approx(40.0, abs=0.01)
    assert session.n_samples == 40 * RATE


def test_chains_of_recorders(tmp_path):
    """The third shares nothing with the first and is found through the second."""
    sound = speech_like(RATE, 100, 7)
    write(tmp_path / "a.wav", np.stack([sound[: 48 * RATE]] * 2, axis=1))
    write(tmp_path / "b.wav", on_recorder(sound, RATE, start_s=24.0, ppm=10.0)[: 50 * RATE])
    write(tmp_path / "c.wav", on_recorder(sound, RATE, start_s=52.0, ppm=-15.0)[: 44 * RATE])

    session = open_lined_up([tmp_path])

    places = {one.files[0].name: (one.start_s, one.drift_ppm) for one in session.recorders}
    assert places["b.wav"] == pytest.approx((24.0, 10.0), abs=0.2)
    assert places["c.wav"][0] == pytest.approx(52.0, abs=1e-4)
    assert places["c.wav"][1] == pytest.approx(-15.0, abs=0.3)
    # Nothing is common to all three: the last one is left out of the comparison, and that is said.
    assert session.recording.track_names == ("a.L", "a.R", "b")
    assert "c.wav was left out of the comparison" in " ".join(session.notes)


def test_clock_there_and_back():
    """A clock's two directions undo each other."""
    clock = Clock(start_s=-3.25, drift_ppm=87.0)
    assert clock.session_s(clock.own_s(123.456)) == pytest.approx(123.456, abs=1e-12)


def test_a_loop_is_not_lined_up(tmp_path):
    """One bar over and over fits at any bar: said, with places whole bars apart, and left where it was."""
    bar = speech_like(RATE, 2.0, 8)
    loop = np.tile(bar, 30)
    rng = np.random.default_rng(9)
    for name, first, last in (("a", 0, 50), ("b", 11.3, 57)):
        part = loop[int(first * RATE) : int(last * RATE)]
        write(tmp_path / f"{name}.wav", part + 0.0005 * rng.standard_normal(len(part)))

    session = open_lined_up([tmp_path])

    found = session.recorders[1]
    assert (found.state, found.clock) == ("several_places", None)
    assert len(found.places_s) > 1
    bars = (np.array(found.places_s) - 11.3) / 2.0
    assert np.allclose(bars, np.round(bars), atol=0.01)
    assert {track.lead_s for track in session.tracks} == {0.0}
