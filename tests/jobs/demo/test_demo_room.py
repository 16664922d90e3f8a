"""The demo's rooms against an independent simulator and by hand."""

import numpy as np
import pytest
from demo_sessions import RATE_HZ, ROOM, made, placed_mic, seeded

from polaritykit.jobs.demo.room import (
    LEAD_SAMPLES,
    SPEED_OF_SOUND_M_PER_S,
    Radiator,
    direct_path,
    direction,
    image_sources,
    impulse_response,
    path_gains,
    place_arrivals,
)


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

    session = made("leaky_vocal")
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

    mine = placed_mic(microphone.position_m, way, omni_share)
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
    microphone = placed_mic((4.3, 5.3, 1.5), (0, -1, 0), 1.0)
    point = Radiator(position_m=(2.4, 2.2, 0.7), gain=1.0)
    noise = seeded().standard_normal(int(0.5 * RATE_HZ))
    response = impulse_response(ROOM, point, microphone, noise, RATE_HZ)
    decay_db = 10 * np.log10(np.cumsum(response[::-1] ** 2)[::-1] / np.sum(response**2))
    start, end = (np.argmax(decay_db < level) for level in (-5, -25))
    assert 3 * (end - start) / RATE_HZ == pytest.approx(ROOM.rt60_s, rel=0.12)


def test_aim_and_distance_by_hand():
    """A cardioid turned away hears nothing, side-on half; twice as far is 6.02 dB less (inverse distance)."""
    point = Radiator(position_m=(0.0, 0.0, 0.0), gain=1.0)
    assert direction((1, 0, 0), (0, 0, 0)) == (-1.0, 0.0, 0.0)
    assert direct_path(point, placed_mic((1, 0, 0), (1, 0, 0), 0.5))[1] == pytest.approx(0, abs=1e-12)
    assert direct_path(point, placed_mic((1, 0, 0), (0, 1, 0), 0.5))[1] == pytest.approx(0.5)
    near, far = (direct_path(point, placed_mic((d, 0, 0), (-1, 0, 0), 0.5)) for d in (1.0, 2.0))
    assert 20 * np.log10(far[1] / near[1]) == pytest.approx(-6.0206, abs=1e-4)
    assert far[0] == pytest.approx(2 / 343.2)
    # a figure-of-eight's rear lobe is inverted
    assert direct_path(point, placed_mic((1, 0, 0), (1, 0, 0), 0.0))[1] == pytest.approx(-1)
