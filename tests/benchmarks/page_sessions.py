"""Sessions of any number of tracks for looking at pages: a kit, a smaller group, tracks that share nothing.

Made in a second, not simulated: every track hears every source of its group with a gain and a delay, some
are wired the other way round.  Not for judging answers.
"""

from pathlib import Path

import numpy as np

RATE = 48_000
KIT = (
    "kick_in", "kick_out", "snare_top", "snare_bottom", "hat", "tom_high", "tom_low", "ride",
    "oh_left", "oh_right", "room_left", "room_right", "tom_mid", "crash", "mono_room", "kick_sub",
    "snare_side", "hat_far", "under_kit", "hall",
)  # fmt: skip
BAND = ("guitar_near", "guitar_edge", "guitar_far", "piano_low", "piano_high", "piano_far")
ALONE = (
    "bass_di", "keys_left", "keys_right", "click", "synth", "vocal", "vocal_double", "choir_left",
    "choir_right", "talkback", "loop_a", "loop_b", "shaker_overdub", "strings", "brass", "flute",
    "organ", "spare_1", "spare_2", "spare_3", "spare_4", "spare_5",
)  # fmt: skip


def names_of(n_tracks: int) -> tuple[tuple[str, ...], ...]:
    """Kit, smaller group and the rest, together so many tracks."""
    n_band = 0 if n_tracks < 16 else 6
    n_kit = n_tracks if n_tracks < 16 else min(len(KIT), (n_tracks - n_band) * 2 // 3)
    return KIT[:n_kit], BAND[:n_band], ALONE[: n_tracks - n_kit - n_band]


def _hit(rng: np.random.Generator, low_hz: float, decay_s: float) -> np.ndarray:
    """Make a click and a ringing tone."""
    n = int(0.3 * RATE)
    time = np.arange(n) / RATE
    ring = np.exp(-time / decay_s) * np.sin(2 * np.pi * low_hz * time)
    click = np.exp(-time / 0.004) * rng.standard_normal(n)
    return 0.5 * ring + 0.25 * click


def make_session(folder: Path, n_tracks: int, seconds: float = 24.0) -> Path:
    """Write the session's files into a folder, unless it is there; return it."""
    import soundfile

    if folder.is_dir():
        return folder
    rng = np.random.default_rng(n_tracks)
    made: dict[str, np.ndarray] = {}
    n = int(seconds * RATE)
    for group in names_of(n_tracks)[:2]:
        n_sources = min(6, len(group))
        waves = []
        for k in range(n_sources):
            sound = np.zeros(n + RATE)
            hit = _hit(rng, 60.0 * 1.9**k, 0.12 / (1 + k))
            for start in np.arange(0.3 + 0.13 * k, seconds - 0.5, 1.1 + 0.17 * k):
                first = int((start + 0.01 * rng.standard_normal()) * RATE)
                sound[first : first + len(hit)] += rng.uniform(0.6, 1.0) * hit
            waves.append(sound[:n])
        places = rng.uniform(0.0, 2.2, (len(group), 2))
        at = places[:n_sources] + 0.08
        for number, name in enumerate(group):
            total = 5e-4 * rng.standard_normal(n)
            for k, wave in enumerate(waves):
                metres = max(0.1, float(np.hypot(*(places[number] - at[k]))))
                late = round(metres / 343.0 * RATE)
                total[late:] += 0.08 / metres * wave[: n - late]
            made[name] = -total if number % 7 == 3 else total
    for name in names_of(n_tracks)[2]:
        envelope = 0.5 + 0.5 * np.sin(2 * np.pi * rng.uniform(0.1, 0.7) * np.arange(n) / RATE)
        made[name] = 0.05 * envelope * rng.standard_normal(n)
    folder.mkdir(parents=True)
    for number, (name, samples) in enumerate(made.items(), start=1):
        soundfile.write(folder / f"{number:02d}_{name}.wav", np.clip(samples, -0.99, 0.99), RATE, "PCM_24")
    return folder
