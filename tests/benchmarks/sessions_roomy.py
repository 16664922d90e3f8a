"""Kits heard by few mics, most of them a metre or more away: the real one's hits and simulated rooms.

What makes such takes hard is played in: a cymbal with nearly every stroke, soft and hard strokes mixed,
strokes of one drum that differ in shape (centre and edge), and on some tracks a linear-phase equaliser,
which rings before the sound.
"""

from collections.abc import Mapping

import numpy as np
from sessions_base import Session
from sessions_kit import Score, kit_session
from sessions_rooms import Drum, simulated_kit

#: One close mic at most on a drum; the rest hang, or stand at other instruments.
ROOMY_MICS = (
    ("kick", "hihat", "ride", "oh_left", "oh_right", "room_left", "room_right"),
    ("snare_top", "hihat", "ride", "oh_left", "oh_right", "room_left", "room_right"),
    ("kick", "snare_top", "ride", "oh_left", "oh_right", "room_left", "room_right"),
    ("kick", "snare_top", "hihat", "oh_left", "oh_right", "room_left", "room_right"),
)


def busy_groove(rng: np.random.Generator, seconds: float, drums: tuple[str, ...]) -> Score:
    """One player's groove with the hat or ride on nearly every stroke, hands and feet within some ms."""
    step = 60 / rng.uniform(88, 128) / 4
    kicks = {0, 8} | set(rng.choice([3, 6, 7, 10, 11, 14], size=3, replace=False).tolist())
    toms = [d for d in drums if d.startswith("tom")]
    score: Score = []
    for bar in range(int((seconds - 1.6) / (16 * step))):
        cymbal = "ride" if bar % 4 == 2 else "hihat_closed"
        for k in range(16):
            fill = bool(toms) and bar % 4 == 3 and k >= 8
            notes: list[str] = []
            if fill:
                notes += [str(rng.choice([*toms, "snare"]))] if rng.random() < 0.8 else []
            else:
                notes += ["kick"] * (k in kicks) + ["snare"] * (k in (4, 12))
                notes += ["snare"] * (k in (7, 15) and rng.random() < 0.4)
            along = (k % 2 == 0 or bool(notes)) and rng.random() < (0.3 if fill else 0.85)
            notes += [cymbal] * along
            # Accents and soft strokes; a ghost note is softer still.
            accent = 0.0 if k % 4 == 0 else -3.0
            for drum in notes:
                gain = accent + rng.uniform(-7, 3)
                late = 0.6 + (bar * 16 + k) * step + rng.normal(0, 0.005)
                if drum in drums:
                    score.append((float(late), drum, float(gain)))
    return sorted(score)


def roomy_kit_session(seed: int, *, split: str, flips: bool = True, delays: bool = True) -> Session:
    """Seven mics of the real kit, most of them far, under a busy groove of hard and soft hits."""
    mics = ROOMY_MICS[seed % len(ROOMY_MICS)]
    return kit_session(
        seed + 500, split=split, mics=mics, flips=flips, delays=delays, play=busy_groove, whole=seed % 3 > 0
    )


def roomy_mics(drums: list[Drum], n_mics: int, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Place a mic at the bass drum or the snare, two overheads, and some further off."""
    at = {d.name: d for d in drums}

    def jitter(size: float) -> np.ndarray:
        return rng.uniform(-size, size, 3)

    kick = at["kick"].centre_m + np.array([0, (at["kick"].depth_m or 0.0) + 0.3, 0.0]) + jitter(0.1)
    mics = {
        "kick": kick,
        "snare_top": at["snare"].centre_m + np.array([0.12, -0.06, 0.06]) + jitter(0.015),
        "oh_left": np.array([0.6, 0.35, 1.8]) + jitter(0.2),
        "oh_right": np.array([-0.6, 0.35, 1.8]) + jitter(0.2),
        "side_left": np.array([1.5, 0.6, 1.1]) + jitter(0.3),
        "front": np.array([0.0, 2.0, 1.2]) + jitter(0.3),
        "room_left": np.array([1.1, 2.9, 1.5]) + jitter(0.3),
        "room_right": np.array([-1.1, 2.9, 1.5]) + jitter(0.3),
    }
    left_out = str(rng.choice(["kick", "snare_top"]))
    del mics[left_out]
    return dict(list(mics.items())[:n_mics])


def roomy_simulated(seed: int, *, flips: bool = True, delays: bool = True) -> Session:
    """Simulate a kit under far mics, its strokes of varied shape, a cymbal with nearly each."""
    rng = np.random.default_rng([seed, 91])
    return simulated_kit(
        seed + 300,
        rt60_s=float(rng.uniform(0.3, 0.6)),
        n_mics=7,
        flips=flips,
        delays=delays,
        mics_of=roomy_mics,
        play=busy_groove,
        varied=True,
    )


def equalised(session: Session, rng: np.random.Generator, share: float = 0.4) -> Mapping[str, np.ndarray]:
    """Send some tracks through a linear-phase equaliser, its delay taken out as such devices do.

    A symmetric filter with a low cut and one or two bells rings before each sound as long as after it; at
    least the first overhead has one.
    """
    from scipy.signal import fftconvolve, firwin2

    chosen = [name for name in session.tracks if rng.random() < share or name == "oh_left"]
    made = dict(session.tracks)
    for name in chosen:
        frequency = np.linspace(0, session.sample_rate_hz / 2, 4097)
        # A steep low cut and narrow bells: what rings long.
        gain_db = -40.0 / (1 + (frequency / rng.uniform(80, 200)) ** 10)
        for _ in range(2):
            centre, width, size = rng.uniform(250, 3000), rng.uniform(0.08, 0.3), rng.uniform(6, 12)
            octaves = np.log2(np.maximum(frequency, 1.0) / centre)
            gain_db = gain_db + rng.choice([-1, 1]) * size * np.exp(-0.5 * (octaves / width) ** 2)
        taps = firwin2(8191, frequency, 10 ** (gain_db / 20), fs=session.sample_rate_hz)
        made[name] = fftconvolve(session.tracks[name], taps, mode="same").astype(np.float32)
    return made
