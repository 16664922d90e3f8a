"""The demo drum kit: nine microphones, two cables wired backwards, and a snare heard from both its sides.

The scene is invented: "The Tin Orchard", a trio, rehearses in a boathouse.  Positions in metres; x runs
along the front of the kit, y from the drummer towards the room, z up.
"""

import numpy as np

from polaritykit.base.types import Floats
from polaritykit.jobs.demo.room import SPEED_OF_SOUND_M_PER_S, Microphone, Point, Radiator, direction
from polaritykit.jobs.demo.session import BOATHOUSE, Face, Session, Source
from polaritykit.jobs.demo.sources import Drum, Noise, cymbal_hits, drum_hits, head_points, wire_rattle

Hits = list[tuple[int, float]]

#: Sixteen steps to the bar: K kick, S snare, H hat, A high tom, B low tom.
_GROOVE = "K.H.S.H.K.HKS.H."
_FILLS = ("K.H.S.H.AABBAABB", "K.H.S.H.A.B.A.B.", "K.H.S.H.ABABABAB", "K.H.S.H.A.A.B.B.", "K.H.S.H.AAAABBBB")
_STEP_S = 0.125
_COUNT_OFF_S = 0.35


def _played(letter: str, rate_hz: int, noise: Noise) -> Hits:
    """Blows of one drum: the bar's steps, with a drummer's scatter in time and strength."""
    steps = "".join(_GROOVE + fill for fill in _FILLS)
    hits = []
    for place in (i for i, step in enumerate(steps) if step == letter):
        late_s = _COUNT_OFF_S + place * _STEP_S + noise.uniform(-0.004, 0.004)
        hits.append((round(late_s * rate_hz), noise.uniform(0.55, 1.0)))
    return hits


def _drum_faces(drum: Drum, batter_m: Point, signals: Floats, rate_hz: int) -> tuple[Face, Face]:
    """Batter head (level, facing up) and resonant head, which moves outward while the batter moves inward.

    The air inside carries the blow to the other head in ``depth / c``.  The side of the blow therefore first
    hears a rarefaction and the far side a compression (Fletcher & Rossing, The Physics of Musical
    Instruments, 2nd ed., chapter 18: two heads coupled by air).
    """
    from scipy.signal import butter, lfilter

    points = head_points(drum) * drum.radius_m
    x, y, z = batter_m
    share = 1 / len(points)
    batter = [
        Radiator(position_m=(x + dx, y + dy, z), gain=-share, axis=(0, 0, 1), shading=2) for dx, dy in points
    ]
    resonant = [
        Radiator(
            position_m=(x + dx, y + dy, z - drum.depth_m),
            gain=drum.coupling * share,
            axis=(0, 0, -1),
            shading=2,
            late_s=drum.depth_m / SPEED_OF_SOUND_M_PER_S,
        )
        for dx, dy in points
    ]
    through = lfilter(*butter(1, 4000, fs=rate_hz), signals)
    return Face(radiators=tuple(batter), signals=signals), Face(radiators=tuple(resonant), signals=through)


_KICK = Drum(
    radius_m=0.28,
    depth_m=0.45,
    coupling=1.0,
    lowest_hz=58,
    t60_s=0.4,
    contact_s=(0.005, 0.004, 0.003),
    click=0.5,
    click_hz=(900, 3000),
    strike_radius=0.1,
)
_SNARE = Drum(
    radius_m=0.178,
    depth_m=0.14,
    coupling=0.5,
    lowest_hz=185,
    t60_s=0.3,
    contact_s=(0.0012, 0.0009, 0.0007),
    click=0.5,
    click_hz=(1800, 5000),
    strike_radius=0.15,
)
_TOM_HIGH = Drum(
    radius_m=0.152,
    depth_m=0.20,
    coupling=0.35,
    lowest_hz=142,
    t60_s=0.6,
    contact_s=(0.0016, 0.0012, 0.0009),
    click=0.4,
    click_hz=(1500, 4500),
    strike_radius=0.25,
)
_TOM_LOW = Drum(
    radius_m=0.203,
    depth_m=0.38,
    coupling=0.35,
    lowest_hz=82,
    t60_s=0.8,
    contact_s=(0.0022, 0.0016, 0.0012),
    click=0.4,
    click_hz=(1300, 4000),
    strike_radius=0.25,
)
_KICK_PORT: Point = (3.0, 2.65, 0.30)
_SNARE_AT: Point = (2.45, 2.25, 0.655)
_HAT_AT: Point = (2.10, 2.10, 0.86)
_TOM_HIGH_AT: Point = (2.75, 2.55, 0.80)
_TOM_LOW_AT: Point = (3.55, 2.10, 0.62)


def _kick(rate_hz: int, n_samples: int, noise: Noise) -> Source:
    """Kick drum, which speaks through its front head alone: its batter side is left out to keep one sign."""
    hits = _played("K", rate_hz, noise)
    signals = drum_hits(_KICK, hits, n_samples, rate_hz, noise)
    x, y, z = _KICK_PORT
    radiators = tuple(
        Radiator(
            position_m=(x + dx, y, z + dz),
            gain=0.2,
            axis=(0, 1, 0),
            shading=1,
            late_s=_KICK.depth_m / SPEED_OF_SOUND_M_PER_S,
        )
        for dx, dz in (head_points(_KICK) - head_points(_KICK)[0]) * _KICK.radius_m
    )
    face = Face(radiators=radiators, signals=signals)
    return Source(name="kick", home="01_kick", faces=(face,), starts_s=_seconds(hits, rate_hz))


def _seconds(hits: Hits, rate_hz: int) -> tuple[float, ...]:
    return tuple(start / rate_hz for start, _ in hits)


def _snare(rate_hz: int, n_samples: int, noise: Noise) -> Source:
    hits = _played("S", rate_hz, noise)
    signals = drum_hits(_SNARE, hits, n_samples, rate_hz, noise)
    batter, resonant = _drum_faces(_SNARE, _SNARE_AT, signals, rate_hz)
    for point in range(1, 5):
        batter.signals[point] += 0.25 * wire_rattle(hits, n_samples, rate_hz, noise)
        resonant.signals[point] += 0.6 * wire_rattle(hits, n_samples, rate_hz, noise)
    return Source(
        name="snare", home="02_snare_top", faces=(batter, resonant), starts_s=_seconds(hits, rate_hz)
    )


def _hat(rate_hz: int, n_samples: int, noise: Noise) -> Source:
    hits = _played("H", rate_hz, noise)
    signals = cymbal_hits(hits, n_samples, rate_hz, noise)[None, :]
    above = Radiator(position_m=_HAT_AT, gain=-0.25, axis=(0, 0, 1), shading=1)
    below = Radiator(position_m=(*_HAT_AT[:2], _HAT_AT[2] - 0.02), gain=0.1, axis=(0, 0, -1), shading=1)
    faces = (Face(radiators=(above,), signals=signals), Face(radiators=(below,), signals=signals))
    return Source(name="hat", home="04_hat", faces=faces, starts_s=_seconds(hits, rate_hz))


def _tom(drum: Drum, home: str, batter_m: Point, hits: Hits, rate_hz: int, *, noise: Noise) -> Source:
    signals = drum_hits(drum, hits, _kit_samples(rate_hz), rate_hz, noise)
    faces = _drum_faces(drum, batter_m, signals, rate_hz)
    return Source(name=home[3:], home=home, faces=faces, starts_s=_seconds(hits, rate_hz))


def _kit_samples(rate_hz: int) -> int:
    return int((_COUNT_OFF_S + 2 * 16 * len(_FILLS) * _STEP_S + 0.45) * rate_hz)


def _kit_microphones() -> tuple[Microphone, ...]:
    """Nine microphones; the low tom's and the right overhead's cables are the planted faults.

    The snare's upper microphone turns its null to the hat and the lower one its null to the kick, as an
    engineer would; the kick's stands in the port, shielded by the shell.
    """
    x, y, z = _HAT_AT
    snare_top: Point = (2.28, 2.20, 0.72)
    snare_bottom: Point = (2.47, 2.20, 0.42)
    kick = np.array(direction(snare_bottom, _KICK_PORT))
    null = 0.366 / (1 - 0.366)
    up = np.array([0.0, 0.0, 1.0]) - kick[2] * kick
    away = -null * kick + np.sqrt(1 - null**2) * up / np.linalg.norm(up)
    lower_aim = (float(away[0]), float(away[1]), float(away[2]))
    hat, tom_high, tom_low = (x - 0.11, y + 0.03, z + 0.09), (2.70, 2.71, 0.87), (3.48, 2.30, 0.70)
    left, right = (2.15, 2.95, 1.85), (3.95, 2.85, 2.00)

    rows = (
        ("01_kick", (3.03, 2.71, 0.27), (0.0, -1.0, 0.0), 0.5, (25, 12000), -6.5),
        ("02_snare_top", snare_top, direction(_HAT_AT, snare_top), 0.5, (45, 14000), -7),
        ("03_snare_bottom", snare_bottom, lower_aim, 0.366, (70, 15000), -9),
        ("04_hat", hat, direction(hat, (2.15, 2.10, 0.85)), 0.5, (120, 16000), -11),
        ("05_tom_high", tom_high, direction(tom_high, _TOM_HIGH_AT), 0.5, (40, 13000), -8),
        ("06_tom_low", tom_low, direction(tom_low, _TOM_LOW_AT), 0.5, (35, 13000), -7.5),
        ("07_overhead_left", left, direction(left, (2.5, 2.2, 0.7)), 0.5, (30, 17000), -9),
        ("08_overhead_right", right, direction(right, (3.4, 2.2, 0.7)), 0.5, (30, 17000), -9.5),
        ("09_room", (4.30, 5.30, 1.50), (0.0, -1.0, 0.0), 1.0, (20, 14000), -10),
    )
    return tuple(
        Microphone(
            name=name,
            position_m=at,
            aim=aim,
            omni_share=omni_share,
            highpass_hz=edges_hz[0],
            lowpass_hz=edges_hz[1],
            peak_dbfs=peak_dbfs,
            noise_dbfs=-73.0 if name == "09_room" else -78.0,
            inverted=name in {"06_tom_low", "08_overhead_right"},
            shielded_source="kick" if name == "01_kick" else None,
            shield_db=26.0,
        )
        for name, at, aim, omni_share, edges_hz, peak_dbfs in rows
    )


def drum_kit() -> Session:
    """Nine tracks of a groove with fills; two cables swapped, and a snare heard from both its sides."""
    rate_hz, n_samples = 44100, _kit_samples(44100)
    noise = np.random.RandomState(1601)  # the one stream numpy promises never to change
    sources = (
        _kick(rate_hz, n_samples, noise),
        _snare(rate_hz, n_samples, noise),
        _hat(rate_hz, n_samples, noise),
        _tom(_TOM_HIGH, "05_tom_high", _TOM_HIGH_AT, _played("A", rate_hz, noise), rate_hz, noise=noise),
        _tom(_TOM_LOW, "06_tom_low", _TOM_LOW_AT, _played("B", rate_hz, noise), rate_hz, noise=noise),
    )
    return Session(
        name="drum_kit",
        sample_rate_hz=rate_hz,
        room=BOATHOUSE,
        microphones=_kit_microphones(),
        sources=sources,
        seed=1602,
    )
