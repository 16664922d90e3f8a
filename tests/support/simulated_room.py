"""An independent simulator (pyroomacoustics) as reference for arrivals, levels and images."""

import numpy as np
import pytest

RATE_HZ = 96000


def simulate(source_m, mics, *, floor=False):
    """Impulse responses of a source at mics, free field or over one reflecting floor at z = 0.

    Parameters
    ----------
    source_m : (3,) sequence
        Position.
    mics : list of (position, aim, pressure share)
        First-order mics; aim None for an omni.

    Returns
    -------
    responses : list of (n,) arrays
        At 96 kHz, the simulator's own filter delay included.
    speed_mps : float
        Speed of sound it used.
    """
    pra = pytest.importorskip("pyroomacoustics")
    high_pass = pra.constants.get("rir_hpf_enable")
    pra.constants.set("rir_hpf_enable", False)  # it would turn the low end of every response
    try:
        if floor:
            sides = dict.fromkeys(("east", "west", "north", "south", "ceiling"), pra.Material(1.0))
            room = pra.ShoeBox(
                [8, 8, 6], fs=RATE_HZ, max_order=1, materials=sides | {"floor": pra.Material(0.0)}
            )
        else:
            room = pra.AnechoicRoom(fs=RATE_HZ)
        room.add_source(list(source_m))
        for position, aim, pressure in mics:
            pattern = (
                None if aim is None else pra.directivities.CardioidFamily(np.array(aim, float), p=pressure)
            )
            room.add_microphone(list(position), directivity=pattern)
        room.compute_rir()
    finally:
        pra.constants.set("rir_hpf_enable", high_pass)
    return [np.asarray(row[0], dtype=np.float64) for row in room.rir], float(room.c)


def lag_and_ratio(a, b):
    """Delay of b against a in s and signed amplitude ratio, from the phase slope of pure arrivals."""
    n = 2 ** int(np.ceil(np.log2(max(len(a), len(b)))) + 1)
    ratio = np.fft.rfft(b, n) / np.fft.rfft(a, n)
    frequency = np.fft.rfftfreq(n, 1 / RATE_HZ)
    band = (frequency > 1000) & (frequency < 15000)
    angle = np.unwrap(np.angle(ratio[band]))
    slope, start = np.polyfit(2 * np.pi * frequency[band], angle, 1)
    sign = 1.0 if np.cos(start) > 0 else -1.0
    return -slope, sign * float(np.median(np.abs(ratio[band])))
