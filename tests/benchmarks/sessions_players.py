"""Players of sustained sound in rooms of random size, heard near and far.

Truth is exact: straight ways and the simulator's speed of sound.  Rooms by image sources (pyroomacoustics); a
far mic may stand well beyond the critical distance, where reflections are louder than the direct sound.
Strings after Karplus and Strong (1983), Computer Music Journal 7(2), 43-55; bowed and struck ones are a
sawtooth and a stiff string's partials.
"""

from collections.abc import Callable

import numpy as np
from sessions_base import Hearing, Session
from sessions_rooms import RATE, finish

_NOTES_HZ = (82.4, 110.0, 123.5, 146.8, 196.0, 220.0, 246.9, 329.6, 392.0)
_STEPS_S = (0.25, 0.5, 0.5, 0.75)
_ORDER = 14


def plucked(hz: float, rng: np.random.Generator) -> np.ndarray:
    """Let a burst of noise decay in a loop that averages neighbours."""
    from scipy.signal import lfilter

    period, n = int(RATE / hz), int(1.5 * RATE)
    burst = np.zeros(n)
    burst[:period] = lfilter([0.7], [1.0, -0.5], rng.standard_normal(period))
    loop = np.zeros(period + 2)
    loop[[0, period, period + 1]] = 1.0, -0.498, -0.498
    note = lfilter([1.0], loop, burst)
    return np.asarray(note / np.abs(note).max())


def bowed(hz: float, rng: np.random.Generator) -> np.ndarray:
    """Make a sawtooth with vibrato and some bow noise, an octave up."""
    from scipy.signal import butter, sawtooth, sosfilt

    time = np.arange(int(1.2 * RATE)) / RATE
    vibrato = 1 + 0.004 * np.sin(2 * np.pi * 5.5 * time + rng.uniform(0, 6))
    wave = sawtooth(2 * np.pi * 2 * hz * np.cumsum(vibrato) / RATE) + 0.02 * rng.standard_normal(len(time))
    shape = np.minimum(1.0, np.minimum(time / 0.12, (1.2 - time) / 0.15))
    return np.asarray(sosfilt(butter(2, [200, 4000], "bandpass", fs=RATE, output="sos"), wave) * shape)


def struck(hz: float, rng: np.random.Generator) -> np.ndarray:
    """Add partials of a stiff string, each with a decay of its own, and the knock of the hammer."""
    time = np.arange(2 * RATE) / RATE
    note = np.zeros(len(time))
    for k in range(1, 25):
        phase = 2 * np.pi * hz * k * np.sqrt(1 + 0.0004 * k * k) * time + rng.uniform(0, 6)
        note += np.sin(phase) * np.exp(-time * (1 + 0.4 * k)) / k
    knock = np.arange(480)
    note[:480] += 0.5 * rng.standard_normal(480) * np.exp(-knock / 100)
    return note / 3


_PLAYERS: tuple[Callable[[float, np.random.Generator], np.ndarray], ...] = (plucked, bowed, struck)


def music(
    player: Callable[[float, np.random.Generator], np.ndarray], seconds: float, rng: np.random.Generator
) -> np.ndarray:
    """Play notes one after the other, ringing into each other."""
    sound, at = np.zeros(int((seconds + 3) * RATE)), 0.3
    while at < seconds - 1:
        note, first = player(float(rng.choice(_NOTES_HZ)), rng), int(at * RATE)
        sound[first : first + len(note)] += rng.uniform(0.3, 1) * note
        at += float(rng.choice(_STEPS_S))
    return sound[: int(seconds * RATE)]


def players_session(seed: int, *, seconds: float = 12.0) -> Session:
    """One player before near, middle and far mics; every fourth time another one with a mic."""
    import pyroomacoustics as pra

    rng = np.random.default_rng([seed, 67])
    size = np.array([rng.uniform(4, 12), rng.uniform(4, 9), rng.uniform(2.5, 4.5)])
    absorption = float(rng.uniform(0.12, 0.5))

    def seat() -> np.ndarray:
        return np.array(
            [rng.uniform(1.2, size[0] - 1.2), rng.uniform(1.2, size[1] - 1.2), rng.uniform(0.8, 1.5)]
        )

    def near(place: np.ndarray, distance_m: float) -> np.ndarray:
        while True:
            way = rng.standard_normal(3)
            mic = place + distance_m * way / np.linalg.norm(way)
            if np.all((mic > 0.3) & (mic < size - 0.3)):
                return mic

    def far() -> np.ndarray:
        return np.array([*(rng.uniform(0.4, size[axis] - 0.4) for axis in (0, 1)), rng.uniform(1.2, 2.2)])

    seats = [seat()]
    mics = {"near": near(seats[0], 0.3), "middle": near(seats[0], float(rng.uniform(0.6, 1.1))), "far": far()}
    if seed % 2:
        mics = {"middle": mics["middle"], "far": mics["far"], "farther": far()}
    if seed % 4 == 3:
        seats.append(seat())
        mics["other"] = near(seats[1], 0.4)
    heard = {}
    for number, place in enumerate(seats):
        room = pra.ShoeBox(size, fs=RATE, materials=pra.Material(absorption), max_order=_ORDER)
        room.add_source(place, signal=music(_PLAYERS[(seed // (1 + number)) % 3], seconds, rng))
        room.add_microphone(np.array(list(mics.values())).T)
        room.simulate()
        heard[f"player {number + 1}"] = dict(
            zip(mics, room.mic_array.signals[:, : int(seconds * RATE)], strict=True)
        )
    hearings = {
        name: {
            mic: Hearing(
                arrival_ms=1e3 * float(np.linalg.norm(place - mics[mic])) / pra.constants.get("c"),
                sign=1,
                energy=float(np.dot(sound, sound)),
            )
            for mic, sound in sounds.items()
        }
        for (name, sounds), place in zip(heard.items(), seats, strict=True)
    }
    tracks = {mic: np.sum([sounds[mic] for sounds in heard.values()], axis=0) for mic in mics}
    return finish(f"players {seed}", tracks, hearings, rng, noise_db=-60)
