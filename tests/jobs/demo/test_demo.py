"""The demo sessions: the same again, true to their geometry, and made of what the textbooks say."""

import json
import shutil
import signal
import subprocess
import sys
from functools import cache

import numpy as np
import pytest
import soundfile
from places import DEMO_AUDIO
from scipy.signal import find_peaks, lfilter
from scipy.special import jn_zeros

from polaritykit.base.errors import UsageError
from polaritykit.base.whole_files import check_output_folder
from polaritykit.cli import main
from polaritykit.jobs.demo import write as demo
from polaritykit.jobs.demo.room import (
    LEAD_SAMPLES,
    SPEED_OF_SOUND_M_PER_S,
    Microphone,
    Radiator,
    Room,
    direct_path,
    direction,
    image_sources,
    impulse_response,
    path_gains,
    place_arrivals,
)
from polaritykit.jobs.demo.session import render, truth
from polaritykit.jobs.demo.sources import Drum, drum_hits, head_points, plucked_string, sung_syllable

COMMITTED = DEMO_AUDIO
RATE_HZ = 48000
ROOM = Room(size_m=(6.4, 6.2, 2.9), rt60_s=0.35)


def _seeded(seed=1):
    return np.random.RandomState(seed)


@cache
def _session(name):
    return demo.SESSIONS[name]()


def _stereo_only():
    session = _session("stereo_pair")
    return {"stereo_pair": lambda: session}


def _stated(name):
    return json.loads((COMMITTED / name / "truth.json").read_text(encoding="utf-8"))


def _microphone(position_m, aim, omni_share, **changes):
    given = {"highpass_hz": 20, "lowpass_hz": 18000, "peak_dbfs": -8, "noise_dbfs": -75} | changes
    return Microphone(name="m", position_m=position_m, aim=aim, omni_share=omni_share, **given)


# --- the files


@pytest.mark.parametrize("name", ["stereo_pair", "leaky_vocal"])
def test_code_makes_the_committed_samples(name):
    """What lies in demo_audio/ is what the code writes, sample for sample, and so is its truth."""
    session = _session(name)
    rendered = render(session)

    for microphone, samples in zip(session.microphones, demo.quantise(rendered), strict=True):
        committed, rate_hz = soundfile.read(COMMITTED / name / f"{microphone.name}.flac", dtype="int16")
        assert rate_hz == session.sample_rate_hz
        np.testing.assert_array_equal(samples, committed)
    assert json.loads(json.dumps(truth(session, rendered.gains))) == _stated(name)


def test_kit_truth_is_what_the_geometry_says():
    """Arrivals and signs of the committed kit are those of its geometry today (levels aside)."""
    session = _session("drum_kit")
    again = truth(session, np.ones(len(session.microphones)))

    for source, stated in zip(again["sources"], _stated("drum_kit")["sources"], strict=True):
        assert source["starts_s"] == stated["starts_s"]
        for arrival, other in zip(source["arrivals"], stated["arrivals"], strict=True):
            assert (arrival["delay_ms"], arrival["sign"]) == (other["delay_ms"], other["sign"])


@pytest.mark.parametrize("name", list(demo.SESSIONS))
def test_levels_leave_headroom(name):
    """Peaks lie between -12 and -6 dBFS (common practice, no source) and no track begins with a bang."""
    stated = _stated(name)
    for track in stated["tracks"]:
        samples, rate_hz = soundfile.read(COMMITTED / name / track["file"])
        assert samples.ndim == 1
        assert rate_hz == stated["sample_rate_hz"]
        assert -12 <= 20 * np.log10(np.abs(samples).max()) <= -6
        quiet = np.std(samples[: int(0.3 * rate_hz)])
        assert 20 * np.log10(quiet) == pytest.approx(track["noise_dbfs"], abs=0.5)


def test_demo_stays_small():
    """All of demo_audio/ together is at most 8 MB."""
    assert sum(path.stat().st_size for path in COMMITTED.rglob("*") if path.is_file()) <= 8e6


def test_command_writes_sessions(tmp_path, monkeypatch, capsys):
    """The command writes each session, says so on stderr, and leaves stdout alone."""
    monkeypatch.setattr(demo, "SESSIONS", _stereo_only())
    with pytest.raises(SystemExit) as ended:
        main(["demo", str(tmp_path / "new")])

    assert ended.value.code == 0
    said = capsys.readouterr()
    assert said.out == ""
    assert "stereo_pair" in said.err
    written = sorted(path.name for path in (tmp_path / "new" / "stereo_pair").iterdir())
    assert written == ["pair_left.flac", "pair_right.flac", "truth.json"]
    for name in written[:2]:
        new, _ = soundfile.read(tmp_path / "new" / "stereo_pair" / name, dtype="int16")
        old, _ = soundfile.read(COMMITTED / "stereo_pair" / name, dtype="int16")
        np.testing.assert_array_equal(new, old)


def test_command_spares_a_folder_with_something_in_it(tmp_path, monkeypatch):
    """A folder that is not empty is refused; with --overwrite only an earlier demo is replaced."""
    monkeypatch.setattr(demo, "SESSIONS", _stereo_only())
    with pytest.raises(SystemExit) as ended:
        main(["demo", str(tmp_path / "demo")])
    assert ended.value.code == 0
    (tmp_path / "demo" / "stereo_pair" / "pair_left.flac").unlink()
    with pytest.raises(SystemExit) as ended:
        main(["demo", str(tmp_path / "demo")])
    assert ended.value.code == 2
    with pytest.raises(SystemExit) as ended:
        main(["demo", str(tmp_path / "demo"), "--overwrite"])
    assert ended.value.code == 0
    assert (tmp_path / "demo" / "stereo_pair" / "pair_left.flac").is_file()

    (tmp_path / "demo" / "stereo_pair" / "mine.flac").write_text("keep me", encoding="utf-8")
    with pytest.raises(UsageError, match=r"holds stereo_pair/mine\.flac, which this program did not write"):
        demo.write_demo(tmp_path / "demo", overwrite=True, progress=lambda *_: None)
    assert (tmp_path / "demo" / "stereo_pair" / "mine.flac").read_text(encoding="utf-8") == "keep me"


def test_a_demo_of_the_first_version_is_known(tmp_path):
    """It has no marker: the truth beside the audio says what it is, and names what was written."""
    for name in demo.SESSIONS:
        shutil.copytree(COMMITTED / name, tmp_path / "demo" / name)
    check_output_folder(tmp_path / "demo", inputs=[], overwrite=True)

    (tmp_path / "demo" / "drum_kit" / "take.flac").touch()
    with pytest.raises(UsageError, match=r"holds drum_kit/take\.flac"):
        check_output_folder(tmp_path / "demo", inputs=[], overwrite=True)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_stopped_half_way(tmp_path, number):
    """The signal comes once a track is written, and again during the clearing up: nothing is left.

    Exit codes are the shells' convention, 128 and the signal's number.
    """
    script = (
        f"import os, shutil, sys\nsys.path.insert(0, {str(COMMITTED.parent)!r})\n"
        "from polaritykit import cli\nfrom polaritykit.jobs.demo import write as demo\n"
        "demo.SESSIONS = {'stereo_pair': demo.SESSIONS['stereo_pair']}\n"
        "encode, remove, calls = demo._write_flac, shutil.rmtree, []\n"
        "def encoded(*given):\n    calls.append(given)\n"
        f"    if len(calls) == 2:\n        os.kill(os.getpid(), {int(number)})\n    return encode(*given)\n"
        f"def removed(*given, **how):\n    os.kill(os.getpid(), {int(number)})\n    remove(*given, **how)\n"
        "demo._write_flac, shutil.rmtree = encoded, removed\n"
        "cli.main(['demo', 'new'])"
    )
    ended = subprocess.run(
        [sys.executable, "-c", script], cwd=tmp_path, capture_output=True, text=True, check=False
    )

    assert ended.returncode == 128 + number
    assert ended.stderr.strip() == "polaritykit: stopped; nothing half-written was left behind."
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("place", ["file.txt", "missing/deeper"])
def test_command_names_an_impossible_place(tmp_path, place):
    """A file in the way, or a parent that is not there, is one sentence and exit code 2."""
    (tmp_path / "file.txt").write_text("x", encoding="utf-8")
    with pytest.raises(SystemExit) as ended:
        main(["demo", str(tmp_path / place)])
    assert ended.value.code == 2


# --- the truth


@pytest.mark.parametrize("name", list(demo.SESSIONS))
def test_delays_are_distances(name):
    """Each delay is distance / c from one of the points where the source begins, c of ISO 9613-1 at 20 °C."""
    stated = _stated(name)
    places = {track["name"]: np.array(track["position_m"]) for track in stated["tracks"]}
    for source in stated["sources"]:
        for arrival in source["arrivals"]:
            possible = [
                begin["late_ms"] + np.linalg.norm(places[arrival["track"]] - begin["position_m"]) / 0.3432
                for begin in source["begins_at"]
            ]
            assert min(abs(delay - arrival["delay_ms"]) for delay in possible) < 0.001


def test_wiring_and_sides_explain_every_sign():
    """Signs follow from two swapped cables and the side of the head: nothing else turns a source over.

    The sides are read off the positions: above the snare's head a blow is first a rarefaction, below it a
    compression (first motion of struck heads on a real kit: -1 above, +1 below).
    """
    stated = _stated("drum_kit")
    swapped = {track["name"] for track in stated["tracks"] if track["wired"] == "backwards"}
    assert swapped == {"06_tom_low", "08_overhead_right"}
    snare = next(source for source in stated["sources"] if source["name"] == "snare")
    head_m = snare["begins_at"][0]["position_m"][2]
    heights = {track["name"]: track["position_m"][2] for track in stated["tracks"]}
    for arrival in snare["arrivals"]:
        side = -1 if heights[arrival["track"]] > head_m else 1
        assert arrival["sign"] == side * (-1 if arrival["track"] in swapped else 1)


def test_pairs_agree_with_arrivals_and_wiring():
    """Offsets are differences of arrivals; the pair's dominant source says what the wiring says.

    Only the snare's lower microphone may differ: it hears the drums from their other side.
    """
    stated = _stated("drum_kit")
    arrivals = {s["name"]: {a["track"]: a for a in s["arrivals"]} for s in stated["sources"]}
    assert len(stated["pairs"]) == 36
    for pair in stated["pairs"]:
        if pair["dominant_source"] is None:
            assert {pair["reference"], pair["other"]} == {"01_kick", "03_snare_bottom"}
            continue
        heard = arrivals[pair["dominant_source"]]
        first, second = heard[pair["reference"]], heard[pair["other"]]
        assert pair["offset_ms"] == pytest.approx(second["delay_ms"] - first["delay_ms"], abs=2e-4)
        assert (pair["polarity"] == "same") == (first["sign"] == second["sign"])
        other_side = "03_snare_bottom" in {pair["reference"], pair["other"]}
        assert (pair["polarity"] == pair["wiring"]) != other_side


def _onset(samples, places, rate_hz):
    """Median over hits around the stated arrival, less the straight line of what rings on before it."""
    lags = np.arange(-30, int(0.00035 * rate_hz) + 1)
    hits = np.array([np.interp(place + lags, np.arange(len(samples)), samples) for place in places])
    before = lags < 0
    offset, slope = np.polynomial.polynomial.polyfit(lags[before], hits[:, before].T, 1)
    return lags / rate_hz, np.median(hits - offset[:, None] - slope[:, None] * lags, axis=0)


@pytest.mark.parametrize("source_name", ["kick", "snare", "tom_high", "tom_low", "hat"])
def test_sound_begins_at_the_stated_arrival_with_the_stated_sign(source_name):
    """In the audio itself: quiet until the stated arrival, then the stated sign within 0.35 ms.

    The blow takes 0.16 to 0.55 ms to its full push, so 15 % of the first swing comes up to 0.12 ms late, but
    equally late in every track: within 0.04 ms, two samples.
    """
    stated = _stated("drum_kit")
    rate_hz = stated["sample_rate_hz"]
    source = next(s for s in stated["sources"] if s["name"] == source_name)
    rises = []
    for arrival in source["arrivals"]:
        if not arrival["heard"] or arrival["direct_dbfs"] < -30:
            continue
        samples, _ = soundfile.read(COMMITTED / "drum_kit" / f"{arrival['track']}.flac")
        places = (np.array(source["starts_s"]) + arrival["delay_ms"] / 1000) * rate_hz
        time_s, motion = _onset(samples, places, rate_hz)
        swing = motion[time_s >= 0]
        first = swing[np.argmax(np.abs(swing) > 0.4 * np.abs(swing).max())]
        assert np.sign(first) == arrival["sign"], arrival
        assert np.abs(motion[time_s < 0]).max() < 0.12 * np.abs(swing).max(), arrival
        rises.append(time_s[np.argmax(np.abs(motion) > 0.15 * np.abs(swing).max())])
    assert len(rises) >= 4
    assert min(rises) >= 0
    assert max(rises) <= 0.12e-3
    assert max(rises) - min(rises) <= 0.046e-3


# --- the room, against an independent simulator


def test_images_equal_pyroomacoustics():
    """Images, walls met and losses equal those of pyroomacoustics up to the third order."""
    pra = pytest.importorskip("pyroomacoustics")
    at = (2.1, 1.3, 0.9)
    room = pra.ShoeBox(ROOM.size_m, fs=RATE_HZ, max_order=3, materials=pra.Material(1 - ROOM.reflection**2))
    room.add_source(at).add_microphone([4.0, 5.0, 1.5])
    room.image_source_model()
    theirs = np.column_stack([room.sources[0].images.T, room.sources[0].damping[0]])

    positions, turns = image_sources(ROOM, at, 30.0)
    kept = turns[:, 3] <= 3
    ours = np.column_stack([positions[kept], ROOM.reflection ** turns[kept, 3]])

    assert ours.shape == theirs.shape
    order, other = (np.lexsort(np.round(table.T, 3)) for table in (ours, theirs))
    np.testing.assert_allclose(ours[order], theirs[other], atol=1e-5)


@pytest.mark.parametrize("track", [0, 1])
@pytest.mark.parametrize("omni_share", [1.0, 0.5])
def test_arrival_and_level_equal_pyroomacoustics(track, omni_share):
    """Direct sound of the demo's own voice geometry: time within 1/16 sample grid and level within 0.1 dB.

    pyroomacoustics delays everything by 40 samples, and its speed of sound is 343.0 m/s.
    """
    pra = pytest.importorskip("pyroomacoustics")
    from pyroomacoustics.directivities import Cardioid, DirectionVector, Omnidirectional

    session = _session("leaky_vocal")
    microphone = session.microphones[track]
    mouth = session.sources[0].faces[0].radiators[0].position_m
    way = microphone.aim
    if omni_share == 1.0:
        directivity = Omnidirectional()
    else:
        azimuth, colatitude = np.arctan2(way[1], way[0]), np.arccos(way[2])
        facing = DirectionVector(azimuth=azimuth, colatitude=colatitude, degrees=False)
        directivity = Cardioid(orientation=facing)
    room = pra.AnechoicRoom(3, fs=RATE_HZ)
    room.add_source(list(mouth))
    room.add_microphone(np.array([microphone.position_m]).T, directivity=directivity)
    room.compute_rir()
    theirs = room.rir[0][0]

    mine = _microphone(microphone.position_m, way, omni_share)
    delay_s, gain = direct_path(Radiator(position_m=mouth, gain=1.0), mine)
    turns = np.array([[1.0, 1.0, 1.0, 0.0]])
    _, gains = path_gains(Radiator(position_m=mouth, gain=1.0), mine, np.array([mouth]), turns)
    assert gains[0] == gain

    spectrum = np.fft.rfft(theirs, 4096)
    bins = np.arange(20, 1000)
    slope = np.polyfit(bins, np.unwrap(np.angle(spectrum[bins])), 1)[0] * 4096 / (2 * np.pi)
    their_delay_s = (-slope - 40) / RATE_HZ * 343.0 / SPEED_OF_SOUND_M_PER_S
    assert delay_s == pytest.approx(their_delay_s, abs=1 / 16 / RATE_HZ)
    assert 20 * np.log10(gain / np.abs(spectrum[bins]).mean()) == pytest.approx(0, abs=0.1)


def test_arrivals_are_exact_to_a_microsecond():
    """The phase of a placed arrival is that of a pure delay up to 0.45 of the sample rate."""
    for delay_s in (0.0, 1.2345e-3, 2.7183e-3):
        response = place_arrivals(np.array([delay_s]), np.array([1.0]), 1024, RATE_HZ)
        frequency = np.fft.rfftfreq(1024, 1 / RATE_HZ)[10:460]
        ideal = np.exp(-2j * np.pi * frequency * (delay_s + LEAD_SAMPLES / RATE_HZ))
        ratio = np.fft.rfft(response)[10:460] / ideal
        assert np.abs(np.angle(ratio) / (2 * np.pi * frequency)).max() < 1e-6
        assert np.abs(20 * np.log10(np.abs(ratio))).max() < 0.01


def test_room_decays_as_asked():
    """T20 by Schroeder's backward integration (ISO 3382-1) is the room's RT60 within 12 %."""
    microphone = _microphone((4.3, 5.3, 1.5), (0, -1, 0), 1.0)
    point = Radiator(position_m=(2.4, 2.2, 0.7), gain=1.0)
    noise = _seeded().standard_normal(int(0.5 * RATE_HZ))
    response = impulse_response(ROOM, point, microphone, noise, RATE_HZ)
    decay_db = 10 * np.log10(np.cumsum(response[::-1] ** 2)[::-1] / np.sum(response**2))
    start, end = (np.argmax(decay_db < level) for level in (-5, -25))
    assert 3 * (end - start) / RATE_HZ == pytest.approx(ROOM.rt60_s, rel=0.12)


def test_aim_and_distance_by_hand():
    """A cardioid turned away hears nothing, side-on half; twice as far is 6.02 dB less (inverse distance)."""
    point = Radiator(position_m=(0.0, 0.0, 0.0), gain=1.0)
    assert direction((1, 0, 0), (0, 0, 0)) == (-1.0, 0.0, 0.0)
    assert direct_path(point, _microphone((1, 0, 0), (1, 0, 0), 0.5))[1] == pytest.approx(0, abs=1e-12)
    assert direct_path(point, _microphone((1, 0, 0), (0, 1, 0), 0.5))[1] == pytest.approx(0.5)
    near, far = (direct_path(point, _microphone((d, 0, 0), (-1, 0, 0), 0.5)) for d in (1.0, 2.0))
    assert 20 * np.log10(far[1] / near[1]) == pytest.approx(-6.0206, abs=1e-4)
    assert far[0] == pytest.approx(2 / 343.2)
    # a figure-of-eight's rear lobe is inverted
    assert direct_path(point, _microphone((1, 0, 0), (1, 0, 0), 0.0))[1] == pytest.approx(-1)


# --- the sources

HEAD = Drum(
    radius_m=0.2,
    depth_m=0.3,
    coupling=0.5,
    lowest_hz=100,
    t60_s=3.0,
    contact_s=(0.001,),
    click=0.0,
    click_hz=(2000, 4000),
    strike_radius=0.3,
)


def test_head_rings_at_the_zeros_of_bessel_functions():
    """Spectral peaks of a struck head stand as the zeros of J_m: 1, 1.59, 2.14, 2.30.

    Fletcher & Rossing, The Physics of Musical Instruments, 2nd ed., section 3.2.
    """
    sound = drum_hits(HEAD, [(0, 1.0)], 3 * RATE_HZ, RATE_HZ, _seeded())[0]
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound)), 8 * RATE_HZ))
    peaks, _ = find_peaks(spectrum[: 8 * 240], height=0.02 * spectrum[: 8 * 240].max())
    zeros = np.sort([*jn_zeros(0, 2), *jn_zeros(1, 1), *jn_zeros(2, 1)])
    np.testing.assert_allclose(peaks / 8, 100 * zeros / zeros[0], atol=1.0)


def test_blow_moves_the_struck_point_first_and_forward():
    """The struck point starts with the blow, towards the blow; every other point later than sound in air.

    So by the triangle inequality no other point is heard first anywhere: the arrival's definition holds.
    """
    sound = drum_hits(HEAD, [(100, 1.0)], 4000, RATE_HZ, _seeded())
    begins = np.array([np.argmax(np.abs(row) > 0) for row in sound])
    points = head_points(HEAD) * HEAD.radius_m
    distances = np.hypot(*(points - points[0]).T)

    assert begins[0] in range(100, 103)
    assert sound[0, begins[0] : begins[0] + 4].min() > 0
    assert ((begins[1:] - 100) / RATE_HZ >= distances[1:] / 343.2).all()


@pytest.mark.parametrize("pitch_hz", [82.41, 110.0, 196.0, 329.63])
def test_string_is_in_tune(pitch_hz):
    """The autocorrelation of a plucked string peaks at its period, within 3 cents."""
    sound = plucked_string(pitch_hz, 1.5, 3.0, RATE_HZ, _seeded())[RATE_HZ // 4 : RATE_HZ]
    assert RATE_HZ / _period(sound, pitch_hz) == pytest.approx(pitch_hz, rel=2 ** (3 / 1200) - 1)


def test_voice_has_pitch_and_formant():
    """A sung "a" repeats at its pitch, and its strongest partial lies at the first formant (730 Hz).

    Peterson & Barney, JASA 24(2), 1952, table II: men's first formants of "a" and "i" are 730 and 270 Hz.
    """
    sound = sung_syllable("a", 110.0, 1.0, RATE_HZ, _seeded(), hiss=False)[RATE_HZ // 4 : 3 * RATE_HZ // 4]
    assert RATE_HZ / _period(sound, 110.0) == pytest.approx(110.0, rel=0.02)
    raised = lfilter([1, -0.95], [1], sound * np.hanning(len(sound)))
    strongest = np.argmax(np.abs(np.fft.rfft(raised, RATE_HZ))[:1500])
    assert abs(strongest - 730) < 110


def _period(sound, pitch_hz):
    """Period in samples: autocorrelation peak near the expected one, with a parabola through its top."""
    spectrum = np.fft.rfft(sound * np.hanning(len(sound)), 2 * len(sound))
    correlation = np.fft.irfft(np.abs(spectrum) ** 2)
    guess = RATE_HZ / pitch_hz
    low, high = int(0.7 * guess), int(1.4 * guess)
    top = low + int(np.argmax(correlation[low:high]))
    left, middle, right = correlation[top - 1 : top + 2]
    return top + 0.5 * (left - right) / (left - 2 * middle + right)
