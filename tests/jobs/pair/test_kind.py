"""What two tracks are, and that what is said of them rests on what both share: made sound of known parts."""

import numpy as np
import pytest
from click.testing import CliRunner
from places import DEMO_AUDIO
from scipy import signal

from polaritykit.analysis import analyse
from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.audio.session import open_session
from polaritykit.commands.pair import command
from polaritykit.jobs.pair.judge import judge_pair
from polaritykit.jobs.pair.words import headline, remark_words, setting_words

RATE = 48_000
KIT, WEAK = DEMO_AUDIO / "drum_kit", DEMO_AUDIO / "leaky_vocal"


def _pink(seed, seconds=6.0):
    n = int(seconds * RATE)
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(n))
    spectrum /= np.sqrt(np.maximum(np.fft.rfftfreq(n, 1 / RATE), 20.0))
    sound = np.fft.irfft(spectrum, n)
    return 0.2 * sound / np.abs(sound).max()


def _recording(**tracks):
    return ArrayRecording({name: x.astype(np.float32) for name, x in tracks.items()}, RATE)


def _codes(found):
    return [remark.code for remark in found.remarks]


def _turns(count, seconds=6.0):
    """Give sources that sound in turns."""
    for seed in range(count):
        on = np.random.default_rng(50 + seed).random(20) > 0.5
        yield _pink(20 + seed, seconds) * np.repeat(on, int(seconds * RATE) // 20)


def test_mics_on_one_source_hear_no_stereo_cautions():
    """The demo's snare from both sides (its truth: inverted, 0.1 ms): wiring, and nothing of an image."""
    found = judge_pair(open_session([KIT / "02_snare_top.flac", KIT / "03_snare_bottom.flac"]).recording)

    assert (found.kind, found.kind_reason) == ("one-source", "one_place")
    assert found.wiring.polarity == "inverted"
    said = " ".join([headline(found), setting_words(found) or "", *remark_words(found)])
    assert "stereo" not in said
    assert "image" not in said


def test_a_singer_with_a_guitar_is_two_sources():
    """Each mic hears its own source first and loudest, as the simulation's places say; `bleed` is named."""
    found = judge_pair(open_session([WEAK / "01_voice.flac", WEAK / "02_guitar.flac"]).recording)

    assert (found.kind, found.kind_reason) == ("two-sources", "own_sources")
    assert "leak" in _codes(found)


def test_sources_over_a_stage_are_an_image_whatever_the_names():
    """Three sources, level differences of −8, 0 and +8 dB at no delay: mics at one point."""
    left = right = np.zeros(6 * RATE)
    for source, db in zip(_turns(3), (-8.0, 0.0, 8.0), strict=True):
        left, right = left + source * 10 ** (-db / 40), right + source * 10 ** (db / 40)
    found = judge_pair(_recording(one=left, two=right))

    assert found.kind == "stereo"
    assert found.setting is None
    assert found.flip is None


def test_the_user_has_the_last_word():
    """``--kind`` overrides names and sound."""
    noise = _pink(1)
    recording = _recording(gtr_left=noise, gtr_right=np.roll(noise, 20))
    assert judge_pair(recording).kind == "stereo"
    asked = judge_pair(recording, "one-source")
    assert (asked.kind, asked.kind_reason) == ("one-source", "asked")
    # As a check of the two without a link: the earlier one is set later, or the later one earlier.
    assert asked.setting is None or abs(asked.setting.shift_ms) == pytest.approx(20 / 48, abs=0.01)


@pytest.mark.parametrize("names", [("room_mid", "room_side"), ("room_side", "room_mid"), ("x", "y")])
def test_mid_and_side_are_decoded(names):
    """L = M + S, R = M − S (algebra): levels, correlation and mono sum are those of left and right."""
    sources = list(_turns(4))
    places = (0.7, -0.6, 0.4, -0.5)
    mid = np.sum(sources, axis=0)
    side = 0.8 * sum(place * source for place, source in zip(places, sources, strict=True))
    tracks = {"x": mid, "y": side, "room_mid": mid, "room_side": side}
    found = judge_pair(_recording(**{name: tracks[name] for name in names}))

    assert found.kind == "mid-side"
    assert found.kind_reason == ("signs" if names == ("x", "y") else "names")
    left, right = mid + side, mid - side
    assert found.correlation == pytest.approx(np.corrcoef(left, right)[0, 1], abs=0.02)
    assert found.level_difference_db == pytest.approx(20 * np.log10(np.std(right) / np.std(left)), abs=0.1)
    power = np.var(left) + np.var(right)
    assert found.mono_sum_loss_db == pytest.approx(-10 * np.log10(np.var(2 * mid) / power), abs=0.1)
    assert found.flip is None
    assert found.wiring.polarity == "unclear"


def test_dc_is_in_no_level():
    """DC of −20 dBFS on one side, 6 dB over its sound: level, correlation and mono sum stay as without it."""
    left = _pink(3) + 0.1 * _pink(4)
    right = 0.5 * (_pink(3) + 0.1 * _pink(5))
    plain = judge_pair(_recording(oh_left=left, oh_right=right))
    found = judge_pair(_recording(oh_left=left, oh_right=right + 0.1))

    for name in ("level_difference_db", "correlation", "mono_sum_loss_db", "worst_moment_loss_db"):
        assert getattr(found, name) == pytest.approx(getattr(plain, name), abs=0.05), name
    assert found.octaves[0].level_difference_db == pytest.approx(
        plain.octaves[0].level_difference_db, abs=0.1
    )
    assert found.low_cut is None


@pytest.mark.parametrize("order", [1, 2, 3, 4])
def test_a_low_cut_at_120_hz_is_seen(order):
    """Butterworth high-pass (its closed form is scipy's), 6 to 24 dB an octave, one side."""
    source = _pink(7)
    filtered = signal.sosfilt(signal.butter(order, 120.0, "high", fs=RATE, output="sos"), source)
    found = judge_pair(_recording(oh_left=source + 0.05 * _pink(8), oh_right=filtered + 0.05 * _pink(9)))

    assert found.low_cut is not None
    assert found.low_cut.side == "other"
    assert found.low_cut.corner_hz == pytest.approx(120.0, rel=0.15)


@pytest.mark.parametrize("seed", range(4))
def test_noise_at_the_bottom_of_one_side_is_no_low_cut(seed):
    """Rumble 20 dB over the sound, 30 to 80 Hz, in one mic only: nothing shared says anything down there."""
    source, rumble = _pink(30 + seed), _pink(60 + seed)
    band = signal.butter(3, [30.0, 80.0], "band", fs=RATE, output="sos")
    left = source + 10.0 * signal.sosfilt(band, rumble)
    found = judge_pair(_recording(oh_left=left, oh_right=np.roll(source, 10)))

    assert found.low_cut is None
    assert "tone" not in _codes(found)


@pytest.mark.parametrize(
    ("first", "second", "swapped"),
    [
        ("oh_right", "oh_left", True),
        ("oh_left", "oh_right", False),
        ("R drum room.L", "R drum room.R", False),
        ("guitar R cab L", "guitar R cab R", False),
        ("violin L", "cello R", False),
    ],
)
def test_sides_are_swapped_only_where_the_names_differ_in_nothing_else(first, second, swapped):
    """A letter elsewhere in a name is no side."""
    noise = _pink(2)
    found = judge_pair(_recording(**{first: noise, second: np.roll(noise, 12)}))
    assert ("swapped" in _codes(found)) == swapped


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("samples", [283, 720, -1440])
def test_pairs_far_apart(sign, samples):
    """5.9, 15 and −30 ms: the search is as wide as a check's, and what it says is the same."""
    noise = _pink(11, 8.0)
    tracks = {"first": noise + 0.05 * _pink(12, 8.0), "second": sign * np.roll(noise, samples)}
    found = judge_pair(_recording(**tracks))

    assert found.wiring.polarity == ("same" if sign > 0 else "inverted")
    assert found.offset_ms == pytest.approx(samples / 48, abs=0.01)
    checked = analyse(_recording(**tracks))
    assert [track.name for track in checked.corrections.tracks if track.invert] == (
        [found.flip] if found.flip else []
    )


def test_decoded_sides_can_be_heard(tmp_path):
    """Half of M + S and of M − S, whichever file came first (algebra)."""
    import soundfile

    mid, side = _pink(3, 2.0), 0.5 * _pink(4, 2.0)
    for name, sound in (("room_mid", mid), ("room_side", side)):
        soundfile.write(tmp_path / f"{name}.wav", sound, RATE, subtype="FLOAT")
    out = tmp_path.parent / f"{tmp_path.name}_report"
    files = [str(tmp_path / "room_side.wav"), str(tmp_path / "room_mid.wav")]
    CliRunner().invoke(command, [*files, "--audio", "--out", str(out)], catch_exceptions=False)
    for name, expected in (("left", mid + side), ("right", mid - side)):
        np.testing.assert_allclose(soundfile.read(out / f"{name}.wav")[0], expected / 2, atol=2**-22)


def test_command_says_what_it_takes_them_for():
    """Kind and reason in the terminal; ``--kind`` in its place."""
    files = [str(WEAK / "01_voice.flac"), str(WEAK / "02_guitar.flac")]
    text = CliRunner().invoke(command, files, catch_exceptions=False).output
    assert "Taken for two mics on a source each" in text
    text = CliRunner().invoke(command, [*files, "--kind", "stereo"], catch_exceptions=False).output
    assert "Taken for a stereo pair: as you say." in text
    assert "Never delay one side" in text
