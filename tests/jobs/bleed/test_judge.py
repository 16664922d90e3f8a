"""The bleed job against the separate contributions of two sources to two microphones (simulated rooms)."""

import functools
import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy import signal

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.base.errors import UsageError
from polaritykit.commands.bleed import command
from polaritykit.jobs.bleed import passages as passages_module
from polaritykit.jobs.bleed.document import bleed_document
from polaritykit.jobs.bleed.judge import analyse_bleed
from polaritykit.jobs.bleed.passages import OCTAVES_HZ, find_passages
from polaritykit.jobs.bleed.plain_sum import a_weight_power
from polaritykit.jobs.bleed.words import headline, remark_words, why

RATE = 48_000
SECONDS = 18


def _phrases(seed: int, turn: int) -> np.ndarray:
    """Syllables of coloured noise and tones; alone in every other second, together in each third."""
    rng = np.random.default_rng(seed)
    n_samples = SECONDS * RATE
    spectrum = np.fft.rfft(rng.standard_normal(n_samples))
    spectrum /= np.sqrt(np.maximum(np.fft.rfftfreq(n_samples, 1 / RATE), 50.0))
    sound = np.fft.irfft(spectrum, n_samples)
    time = np.arange(n_samples) / RATE
    syllables = 0.3 + np.abs(np.sin(2 * np.pi * (2.3 + 0.4 * turn) * time + seed))
    playing = np.repeat([(second % 3) in (turn, 2) for second in range(SECONDS)], RATE)
    edge = np.hanning(RATE // 50)
    playing = np.convolve(playing, edge / edge.sum(), mode="same")
    sound *= syllables * playing
    return sound / np.abs(sound).max()


@functools.cache
def _session(seed=0, *, apart_m=1.0, flip=False, noise=1e-4):
    """Contributions ``[source, mic]`` and what the mics record."""
    pra = pytest.importorskip("pyroomacoustics")
    rng = np.random.default_rng(seed)
    places = np.array([[2.0, 2.0, 1.5], [2.0 + apart_m, 2.2, 1.0]]) + rng.uniform(-0.1, 0.1, (2, 3))
    mics = places + np.array([[0.08, 0.25, 0.0], [0.0, 0.3, 0.1]])
    heard = np.zeros((2, 2, SECONDS * RATE))
    for source in range(2):
        room = pra.ShoeBox([5.5, 4.5, 2.8], fs=RATE, materials=pra.Material(0.5), max_order=6)
        room.add_microphone_array(mics.T)
        room.add_source(places[source])
        room.compute_rir()
        for mic in range(2):
            response = room.rir[mic][0]
            heard[source, mic] = signal.fftconvolve(_phrases(10 * seed + source, source), response)[
                : SECONDS * RATE
            ]
    heard /= 1.5 * np.abs(heard.sum(axis=0)).max()
    if flip:
        heard[:, 1] *= -1.0
    recorded = heard.sum(axis=0) + noise * rng.standard_normal((2, SECONDS * RATE))
    return heard, ArrayRecording(
        {"voice": recorded[0].astype(np.float32), "guitar": recorded[1].astype(np.float32)}, RATE
    )


def _true_levels_db(heard, sign, delay=0):
    """Level of each source in the sum, per octave and A-weighted, by scipy's Welch spectrum."""
    found = []
    for source in range(2):
        total = heard[source, 0] + sign * np.roll(heard[source, 1], delay)
        frequency_hz, density = signal.welch(total, RATE, nperseg=8192)
        power = density * frequency_hz[1]
        octave = np.log2(np.maximum(frequency_hz, 1.0)[None] / np.asarray(OCTAVES_HZ)[:, None])
        inside = (octave >= -0.5) & (octave < 0.5)
        weighted = power * a_weight_power(frequency_hz) * inside.any(axis=0)
        found.append(10 * np.log10(np.append(inside @ power, weighted.sum())))
    return np.array(found)


def _true_isolation_db(heard, sign, delay=0):
    levels = _true_levels_db(heard, sign, delay)
    return levels[0] - levels[1]


@pytest.mark.parametrize(("seed", "apart_m", "flip"), [(0, 0.5, False), (1, 1.0, True), (2, 1.8, False)])
def test_isolation_within_one_db_of_the_contributions(seed, apart_m, flip):
    """Per octave and overall, both polarities, and the levels behind it."""
    heard, recording = _session(seed, apart_m=apart_m, flip=flip)
    found = analyse_bleed(recording)

    assert sum(found.reliable) >= 6
    for option, sign in ((found.as_recorded, 1.0), (found.flipped, -1.0)):
        expected = _true_isolation_db(heard, sign)
        reliable = np.asarray(found.reliable)
        error = (np.asarray(option.isolation_db) - expected[:-1])[reliable]
        assert np.abs(error).max() < 1.0
        assert option.overall_isolation_db == pytest.approx(expected[-1], abs=0.5)
        levels = _true_levels_db(heard, sign)
        assert np.abs((np.asarray(option.main_level_db) - levels[0, :-1])[reliable]).max() < 1.0
        assert np.abs((np.asarray(option.leaky_level_db) - levels[1, :-1])[reliable]).max() < 1.0


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("goal", ["isolation", "fullness"])
def test_no_advice_makes_the_goal_worse(seed, goal):
    """By the separate contributions: what is advised gains; what is left has nothing sure to gain."""
    heard, recording = _session(seed, apart_m=0.3 + 0.3 * seed, flip=bool(seed % 2))
    found = analyse_bleed(recording, goal=goal)

    def truth(sign, delay=0):
        levels = _true_levels_db(heard, sign, delay)[:, -1]
        return levels[0] - levels[1] if goal == "isolation" else levels[0]

    flipped = truth(-1.0) - truth(1.0)
    assert found.settled.wiring in ("unclear", "inverted" if seed % 2 else "same")
    assert found.flipped.overall_gain_db == pytest.approx(flipped, abs=0.5)
    sign = -1.0 if found.flip else 1.0
    delay = round((found.delay_ms or 0.0) * RATE / 1000)
    gained = truth(sign, delay) - truth(1.0)
    if found.polarity_code in ("goal", "loses"):
        assert flipped * (1 if found.flip else -1) > 0.0
    if found.delay_ms:
        assert gained - (truth(sign) - truth(1.0)) > 0.5
        assert found.advised.overall_gain_db == pytest.approx(gained, abs=0.7)
    else:
        # Of the polarity that is advised, 3 ms either way in steps of half a millisecond.
        delays = range(-3 * RATE // 1000, 3 * RATE // 1000 + 1, RATE // 2000)
        assert max(truth(sign, other) for other in delays) - truth(sign) < 1.5


@pytest.mark.parametrize("goal", ["isolation", "fullness"])
def test_flip_and_delay_are_searched_together(goal):
    """The leak of the voice 1 ms late and upside down, 6 dB under: both at once gain in every octave.

    Either alone: the flip leaves a comb, the delay a difference (closed form); by the parts themselves too.
    """
    voice, guitar = _phrases(1, 0), _phrases(2, 1)
    leak = 10 ** (-6 / 20)
    noise = 1e-5 * np.random.default_rng(0).standard_normal((2, SECONDS * RATE))
    main = voice + 0.02 * np.roll(guitar, 150) + noise[0]
    leaky = -leak * np.roll(voice, 48) + guitar + noise[1]
    tracks = {"voice": main.astype(np.float32), "guitar": leaky.astype(np.float32)}
    found = analyse_bleed(ArrayRecording(tracks, RATE), goal=goal)

    assert found.settled.wiring in ("inverted", "unclear")
    assert found.flip is not None
    assert found.delay_ms == pytest.approx(-1.0, abs=0.03)
    told = np.asarray(found.useful)
    assert np.all(np.asarray(found.advised.gain_db)[told] > 0.0)
    heard = np.array([[voice, -leak * np.roll(voice, 48)], [0.02 * np.roll(guitar, 150), guitar]])
    truth = _true_levels_db(heard, -1.0, -48) - _true_levels_db(heard, 1.0)
    for said_db, true_db in zip(
        (found.advised.main_change_db, found.advised.leaky_change_db), truth[:, :-1], strict=True
    ):
        np.testing.assert_allclose(np.asarray(said_db)[told], true_db[told], atol=1.0)
    # In phase at every frequency: the power of 1 + a against that of a comb, 1 + a² on average.
    whole = 10 * np.log10((1 + leak) ** 2 / (1 + leak**2))
    assert truth[0, -1] == pytest.approx(whole, abs=1.0)
    said = " ".join(remark_words(found))
    assert "Every octave that matters gains" in said


def test_an_octave_that_changes_is_never_told_as_nothing():
    """A narrow octave that a flip moves by 20·log(1.7/0.3) = 15 dB, the rest of the leak far off and late."""
    rng = np.random.default_rng(3)
    voice, guitar = _phrases(4, 0), _phrases(5, 1)
    band = signal.butter(4, [90.0, 175.0], "band", fs=RATE, output="sos")
    leak = 0.7 * signal.sosfiltfilt(band, voice)
    noise = 1e-5 * rng.standard_normal((2, SECONDS * RATE))
    main = voice + 0.02 * np.roll(guitar, 400) + noise[0]
    leaky = leak + 0.05 * np.roll(voice, 700) + guitar + noise[1]
    tracks = {"voice": main.astype(np.float32), "guitar": leaky.astype(np.float32)}
    found = analyse_bleed(ArrayRecording(tracks, RATE))

    changes = np.abs([found.flipped.main_change_db, found.flipped.gain_db])[:, np.asarray(found.reliable)]
    assert changes.max() > 3.0
    assert found.polarity_code != "nothing"
    assert "decides nothing" not in headline(found)


def test_flip_is_advised_when_the_leak_is_wired_backwards():
    """A leak 10 dB under, at once and upside down: a flip gains 20·log(1.32/0.68) = 5.7 dB of fullness."""
    voice, guitar = _phrases(1, 0), _phrases(2, 1)
    leak = 10 ** (-10 / 20)
    noise = 1e-5 * np.random.default_rng(0).standard_normal((2, SECONDS * RATE))
    main = voice + 0.05 * np.roll(guitar, 150) + noise[0]
    leaky = -(leak * voice) + guitar + noise[1]
    tracks = {"voice": main.astype(np.float32), "guitar": leaky.astype(np.float32)}
    found = analyse_bleed(ArrayRecording(tracks, RATE), goal="fullness")

    assert found.flip is not None
    assert found.flipped.overall_gain_db == pytest.approx(20 * np.log10((1 + leak) / (1 - leak)), abs=0.1)
    tracks["guitar"] *= -1.0
    assert analyse_bleed(ArrayRecording(tracks, RATE), goal="fullness").flip is None


def test_late_leak_gains_nothing_broadband():
    """Bandwidth times delay far above 1: both polarities sum to 1 + a² (textbook), so no flip is advised."""
    voice, guitar = _phrases(1, 0), _phrases(2, 1)
    noise = 1e-5 * np.random.default_rng(0).standard_normal((2, SECONDS * RATE))
    main = voice + 0.3 * np.roll(guitar, 700) + noise[0]
    leaky = 0.3 * np.roll(voice, 700) + guitar + noise[1]
    tracks = {"voice": main.astype(np.float32), "guitar": leaky.astype(np.float32)}
    found = analyse_bleed(ArrayRecording(tracks, RATE))

    assert found.flip is None
    assert abs(found.flipped.overall_gain_db) < 0.3
    assert found.main_leak_ms == pytest.approx(700 / 48, abs=0.02)
    assert found.leaky_leak_ms == pytest.approx(700 / 48, abs=0.02)


def test_passages_hold_one_source():
    """In the passages found, the other source's contribution is at least 10 dB down in both mics."""
    heard, recording = _session(3)
    passages = find_passages(recording)
    for own, spans in ((0, passages.main_alone_s), (1, passages.leaky_alone_s)):
        power = np.zeros((2, 2))
        for start_s, end_s in spans:
            power += np.sum(heard[:, :, int(start_s * RATE) : int(end_s * RATE)] ** 2, axis=2)
        assert sum(end_s - start_s for start_s, end_s in spans) > 3.0
        assert np.all(power[own] > 10 * power[1 - own])


def test_always_together_says_so():
    """Two sources that never stop leave nothing to measure; naming the times helps."""
    rng = np.random.default_rng(0)
    voice, guitar = rng.standard_normal((2, 8 * RATE))
    tracks = {"voice": voice + 0.3 * guitar, "guitar": guitar + 0.3 * voice}
    recording = ArrayRecording({name: 0.1 * sound.astype(np.float32) for name, sound in tracks.items()}, RATE)
    found = analyse_bleed(recording)

    assert found.flip is None
    assert found.polarity_code == "alike"  # 0.3 of either in the other, both positive
    assert "never heard alone" in why(found)
    assert "--main-alone" in next(remark_words(found))
    json.dumps(bleed_document(found), allow_nan=False)
    with pytest.raises(UsageError, match=r"from 7 to 9 s must lie within the take \(0 to 8 s\)"):
        analyse_bleed(recording, main_alone_s=[(7.0, 9.0)])


def test_sources_that_never_stop_are_told_apart_by_their_levels(monkeypatch):
    """A leak 10 dB under, at once and upside down: a flip gains 20·log(1.32/0.68) = 5.7 dB of fullness."""
    rng = np.random.default_rng(0)
    n = 30 * RATE
    voice, guitar = (
        np.interp(np.arange(n) / RATE / 0.4, np.arange(80), 10 ** (rng.uniform(-25, 0, 80) / 20))
        * rng.standard_normal(n)
        for _ in range(2)
    )
    leak = 10 ** (-10 / 20)
    tracks = {"voice": 0.05 * (voice + leak * guitar), "guitar": 0.05 * (guitar - leak * voice)}
    recording = ArrayRecording({name: x.astype(np.float32) for name, x in tracks.items()}, RATE)
    # Nothing this loud is found alone when the leak must be 30 dB down.
    monkeypatch.setattr(passages_module, "_LEAST_GAP_DB", 60.0)
    found = analyse_bleed(recording, goal="fullness")

    assert found.together == "found"
    assert found.flip is not None
    expected = 20 * np.log10((1 + leak) / (1 - leak))
    assert found.flipped.overall_gain_db == pytest.approx(expected, abs=3 * found.flipped.overall_gain_std_db)
    assert found.flipped.overall_gain_std_db < 0.5
    document = bleed_document(found)
    json.dumps(document, allow_nan=False)
    assert document["sources_from"] == "levels"
    assert "how their levels move" in next(remark_words(found))


@pytest.mark.parametrize("n_samples", [1, 1000, RATE])
def test_short_and_silent_takes_say_so(n_samples):
    """Nothing to measure is a result, not a fault."""
    for level in (0.0, 0.1):
        noise = level * np.random.default_rng(1).standard_normal((2, n_samples)).astype(np.float32)
        found = analyse_bleed(ArrayRecording({"voice": noise[0], "guitar": noise[1]}, RATE))
        assert (found.flip, found.flipped) == (None, None)


def test_named_times_are_used():
    """Times given take the place of those found."""
    _, recording = _session(3)
    found = analyse_bleed(recording, main_alone_s=[(3.1, 3.9), (6.1, 6.9)])

    assert found.passages.main_alone_s == ((3.1, 3.9), (6.1, 6.9))
    assert found.flipped is not None


def test_a_weighting():
    """IEC 61672-1, table 3: A-weighting at octave centres, tolerance of its own rounding."""
    table = {63: -26.2, 125: -16.1, 250: -8.6, 500: -3.2, 1000: 0.0, 2000: 1.2, 4000: 1.0, 8000: -1.1}
    exact_hz = np.array([1000 * 10.0 ** (0.3 * round(np.log2(centre / 1000))) for centre in table])
    np.testing.assert_allclose(10 * np.log10(a_weight_power(exact_hz)), list(table.values()), atol=0.1)


def _write(folder: Path, recording: ArrayRecording) -> list[str]:
    import soundfile

    paths = []
    for row, name in enumerate(recording.track_names):
        paths.append(str(folder / f"{name}.wav"))
        soundfile.write(paths[-1], recording.read(0, recording.n_samples, (row,))[0], RATE, subtype="FLOAT")
    return paths


def test_command(tmp_path):
    """Text answers first; --json is the document alone; the sums are what the document speaks of."""
    import soundfile

    files = _write(tmp_path, _session(1, apart_m=0.4)[1])
    first = CliRunner().invoke(command, files, catch_exceptions=False).output.splitlines()[0]
    assert "guitar" in first
    out = tmp_path.parent / f"{tmp_path.name}_report"
    result = CliRunner().invoke(
        command, [*files, "--json", "--audio", "--out", str(out)], catch_exceptions=False
    )
    document = json.loads(result.stdout)
    assert document == json.loads((out / "report.json").read_text())
    bleed = document["bleed"]
    assert [band["centre_hz"] for band in bleed["bands"]] == list(OCTAVES_HZ)
    band = bleed["bands"][4]
    assert set(band["level_db"]) == {"main", "leaky"}
    for setting in ("as_recorded", "flipped"):
        difference = band["level_db"]["main"][setting] - band["level_db"]["leaky"][setting]
        assert band["isolation_db"][setting] == pytest.approx(difference, abs=0.11)
    main, leaky = (soundfile.read(path)[0] for path in files)
    for name, sign in (("as_recorded", 1.0), ("flipped", -1.0)):
        written = soundfile.read(out / f"sum_{name}.wav")[0]
        np.testing.assert_allclose(written, 0.5 * (main + sign * leaky), atol=2**-23)


def test_command_explains_a_wrong_span(tmp_path):
    """Times are START-END."""
    files = _write(tmp_path, ArrayRecording({"a": np.zeros(RATE), "b": np.zeros(RATE)}, RATE))
    result = CliRunner().invoke(command, [*files, "--main-alone", "5:3"])
    assert result.exit_code == 2
    assert "no span of seconds" in result.output
