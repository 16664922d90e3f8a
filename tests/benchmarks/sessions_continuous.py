"""Continuous sound in rooms: leaky mics, stereo pairs, direct line against amplifier, unrelated takes.

Truth is exact: point sources, free-field paths at 343.2 m/s; real voices and instruments from distribution
packages are convolved into the same rooms where the packages are at hand.
"""

from collections.abc import Mapping

import numpy as np
from instruments import PLAYED, bowed, organ, shaker, strings, voice
from sessions_base import Hearing, Session, delayed
from sessions_rooms import LENGTH, RATE, SPEED, Room, finish, response


def through(signal: np.ndarray, h: np.ndarray) -> np.ndarray:
    """Convolve and keep the length."""
    from scipy.signal import oaconvolve

    return oaconvolve(signal, h)[: len(signal)]


def placed(
    signals: Mapping[str, np.ndarray],
    sources_m: Mapping[str, np.ndarray],
    mics_m: Mapping[str, np.ndarray],
    room: Room,
    rng: np.random.Generator,
    *,
    gain: Mapping[tuple[str, str], float] | None = None,
) -> tuple[dict[str, np.ndarray], dict[str, dict[str, Hearing]]]:
    """All mics' signals and how each source reaches them; `gain[source, mic]` is a pickup's signed factor."""
    n = len(next(iter(signals.values())))
    tracks = {m: np.zeros(n) for m in mics_m}
    hearings: dict[str, dict[str, Hearing]] = {}
    for s, signal in signals.items():
        hearings[s] = {}
        for m, position in mics_m.items():
            g = (gain or {}).get((s, m), 1.0)
            x = g * through(signal, response(room, sources_m[s], position, rng))
            tracks[m] += x
            arrival = float(np.linalg.norm(sources_m[s] - position)) / SPEED * 1e3
            hearings[s][m] = Hearing(arrival_ms=arrival, sign=1 if g > 0 else -1, energy=float(np.dot(x, x)))
    return tracks, hearings


def _room(rng: np.random.Generator) -> Room:
    return Room(
        size_m=tuple(rng.uniform([4, 5, 2.6], [8, 9, 4])), rt60_s=float(rng.choice([0.2, 0.4, 0.6, 0.8]))
    )


def _sounds(
    rng: np.random.Generator, seconds: float, real: list[np.ndarray] | None
) -> tuple[np.ndarray, np.ndarray]:
    """Two different continuous sounds: synthetic, or cut from real recordings."""
    if not real:
        return voice(rng, seconds), strings(rng, seconds)
    picks = rng.choice(len(real), size=2, replace=False)
    n = int(seconds * RATE)
    cut = []
    for k in picks:
        x = np.tile(real[k], -(-n // len(real[k])))[:n]
        cut.append(x / np.std(x))
    return cut[0], cut[1]


def leaky_session(
    seed: int,
    *,
    seconds: float = 20,
    real: list[np.ndarray] | None = None,
    flips: bool = True,
    delays: bool = True,
) -> Session:
    """Put a voice mic and an instrument mic that leak into each other, and one further off."""
    rng = np.random.default_rng([seed, 11])
    room = _room(rng)
    centre = np.array([room.size_m[0] / 2, room.size_m[1] / 2, 0.0])
    mouth = centre + np.array([0, 0, rng.uniform(1.1, 1.3)])
    guitar = centre + np.array([rng.uniform(-0.15, 0.15), rng.uniform(0.1, 0.3), rng.uniform(0.6, 0.8)])
    mics = {
        "voice": mouth + np.array([0, rng.uniform(0.12, 0.25), 0.02]),
        "guitar": guitar + np.array([rng.uniform(-0.1, 0.1), rng.uniform(0.2, 0.4), -0.05]),
        "room": centre + np.array([rng.uniform(-0.6, 0.6), rng.uniform(1.2, 1.8), 1.5]),
    }
    one, two = _sounds(rng, seconds, real)
    signals = {"voice": one, "guitar": two * rng.uniform(0.6, 1.5)}
    tracks, hearings = placed(signals, {"voice": mouth, "guitar": guitar}, mics, room, rng)
    return finish(f"leaky {seed}", tracks, hearings, rng, noise_db=-60, flips=flips, delays=delays)


def stereo_session(
    seed: int,
    kind: str,
    *,
    seconds: float = 20,
    real: list[np.ndarray] | None = None,
    flips: bool = True,
    delays: bool = False,
) -> Session:
    """Put a stereo pair before three sources.

    `kind` is ``spaced``, ``near-coincident``, ``coincident`` (two cardioids at ±45 degrees) or ``mismatched``
    (low cut, treble and level differ).
    """
    from scipy.signal import butter, sosfilt

    rng = np.random.default_rng([seed, 13])
    room = _room(rng)
    centre = np.array([room.size_m[0] / 2, room.size_m[1] / 2, 1.4])
    spacing = {
        "spaced": rng.uniform(0.3, 0.9),
        "near-coincident": 0.17,
        "coincident": 0.0,
        "mismatched": rng.uniform(0.02, 0.3),
    }[kind]
    mics = {"left": centre - [spacing / 2, 0, 0], "right": centre + np.array([spacing / 2, 0, 0])}
    aim = {"left": np.array([-1, 1, 0]) / np.sqrt(2), "right": np.array([1, 1, 0]) / np.sqrt(2)}
    one, two = _sounds(rng, seconds, real)
    signals = {"a": one, "b": 0.7 * two, "c": 0.5 * strings(rng, seconds, octave=2.0)}
    sources, gain = {}, {}
    for name, angle in zip(signals, rng.uniform(-50, 50, 3), strict=True):
        distance = rng.uniform(0.8, 1.6)
        direction = np.array([np.sin(np.radians(angle)), np.cos(np.radians(angle)), rng.uniform(-0.2, 0.2)])
        sources[name] = centre + distance * direction
        for m, position in mics.items():
            towards = sources[name] - position
            gain[name, m] = 0.5 + 0.5 * float(np.dot(aim[m], towards / np.linalg.norm(towards)))
    tracks, hearings = placed(signals, sources, mics, room, rng, gain=gain)
    if kind == "mismatched":
        low = butter(2, rng.uniform(80, 180), "highpass", fs=RATE, output="sos")
        high = butter(1, rng.uniform(7000, 14000), "lowpass", fs=RATE, output="sos")
        tracks["right"] = sosfilt(high, sosfilt(low, tracks["right"])) * 10 ** (rng.uniform(-8, 8) / 20)
    return finish(
        f"{kind} pair {seed}",
        tracks,
        hearings,
        rng,
        noise_db=-60,
        flips=flips,
        delays=delays,
        colour=kind != "coincident",
    )


def direct_line_session(
    seed: int, *, seconds: float = 20, flips: bool = True, delays: bool = True
) -> Session:
    """Record a direct line, a distorting amplifier's mic, and a mic farther from the loudspeaker."""
    from scipy.signal import butter, sosfilt

    rng = np.random.default_rng([seed, 17])
    room = _room(rng)
    dry = strings(rng, seconds, octave=float(rng.choice([0.5, 1.0, 2.0])))
    drive = rng.uniform(1, 6)
    hot = np.tanh(drive * dry / 3) + 0.1 * np.tanh(drive * dry / 3) ** 2
    band = butter(2, [rng.uniform(70, 110), rng.uniform(4000, 5500)], "bandpass", fs=RATE, output="sos")
    driven = sosfilt(band, hot - hot.mean())
    centre = np.array([room.size_m[0] / 2, room.size_m[1] / 2, 0.5])
    paths = {"close": rng.uniform(0.05, 0.3), "far": rng.uniform(0.7, 1.5)}
    tracks = {"line": dry}
    heard = {"line": Hearing(arrival_ms=0.0, sign=1, energy=float(np.dot(dry, dry)))}
    for name, distance in paths.items():
        x = through(driven, response(room, centre, centre + np.array([0.0, distance, 0.0]), rng))
        tracks[name] = x
        heard[name] = Hearing(arrival_ms=distance / SPEED * 1e3, sign=1, energy=float(np.dot(x, x)))
    return finish(
        f"direct line {seed}", tracks, {"amplifier": heard}, rng, noise_db=-60, flips=flips, delays=delays
    )


def ear_session(seed: int, ears: list[tuple[float, np.ndarray, float]], *, seconds: float = 15) -> Session:
    """Use measured responses of two ears as a spaced pair; truth is the measured onset difference, one sign.

    `ears` holds (azimuth in degrees, response (2, taps) at 44.1 kHz, right-minus-left lag in ms).
    """
    from math import gcd

    from scipy.signal import resample_poly

    rng = np.random.default_rng([seed, 19])
    _, taps, lag_ms = ears[int(rng.integers(len(ears)))]
    signal = [voice, strings][int(rng.integers(2))](rng, seconds)
    g = gcd(RATE, 44100)
    tracks, heard = {}, {}
    for k, name in enumerate(("left", "right")):
        h = np.zeros(LENGTH // 8)
        made = resample_poly(taps[k], RATE // g, 44100 // g)
        h[: len(made)] = made
        tracks[name] = through(signal, h)
        heard[name] = Hearing(arrival_ms=lag_ms * k, sign=1, energy=float(np.dot(tracks[name], tracks[name])))
    return finish(f"ears {seed}", tracks, {"source": heard}, rng, noise_db=-70)


# --- between strokes and sustained sound -----------------------------------------------------------------


def played_session(
    seed: int, kind: str, *, seconds: float = 20, rate_hz: int = RATE, flips: bool = True
) -> Session:
    """Record one player of `PLAYED` by a close mic, a spaced pair overhead and a room mic, at any rate."""
    from dataclasses import replace
    from math import gcd

    from scipy.signal import resample_poly

    rng = np.random.default_rng([seed, 41])
    room = _room(rng)
    source = np.array([room.size_m[0] / 2, room.size_m[1] / 2, rng.uniform(0.8, 1.2)])
    half = rng.uniform(0.2, 0.5)
    high = source + np.array([rng.uniform(-0.4, 0.4), rng.uniform(-0.2, 0.4), rng.uniform(0.8, 1.2)])
    mics = {
        "close": source + rng.normal(0, 1, 3) / np.sqrt(3) * rng.uniform(0.15, 0.4),
        "over_left": high - [half, 0, 0],
        "over_right": high + np.array([half, 0, 0]),
        "room": source + np.array([rng.uniform(-1, 1), rng.uniform(1.2, 1.8), rng.uniform(0, 0.6)]),
    }
    sound = PLAYED[kind](rng, seconds)
    signals = {kind: sound / np.std(sound)}
    tracks, hearings = placed(signals, {kind: source}, mics, room, rng)
    session = finish(f"{kind} {seed}", tracks, hearings, rng, noise_db=-60, flips=flips)
    common = gcd(rate_hz, RATE)
    made = {
        k: resample_poly(np.asarray(x, dtype=float), rate_hz // common, RATE // common).astype(np.float32)
        if rate_hz != RATE
        else x
        for k, x in session.tracks.items()
    }
    return replace(session, tracks=made, sample_rate_hz=rate_hz)


# --- nothing in common ---------------------------------------------------------------------------------


def unrelated_session(
    seed: int, kind: str, *, seconds: float = 20, real: list[np.ndarray] | None = None
) -> Session:
    """Four takes that share no sound in the air, with `kind` of what they may share all the same.

    ``organ`` and ``strings``: one key and tempo; ``drums``: one tempo; ``voice``: nothing; ``hum``: mains;
    ``dither``: one 16 bit dither; ``crosstalk``: each -60 dB in its neighbour (electrical); ``bowed`` and
    ``shaker``: more players.  With ``real`` sounds four of them are taken.
    """
    from dataclasses import replace

    rng = np.random.default_rng([seed, 23])
    n = int(seconds * RATE)
    names = ["take_1", "take_2", "take_3", "take_4"]
    room = _room(rng)

    def in_room(x: np.ndarray) -> np.ndarray:
        place = rng.uniform(0.2, 0.8, (2, 3)) * room.size_m
        y = through(x, response(room, place[0], place[1], rng))
        return y / np.std(y)

    makers = {
        "organ": lambda: organ(rng, seconds, 100.0),
        "strings": lambda: strings(rng, seconds, tempo=100.0),
        "voice": lambda: voice(rng, seconds),
        "drums": lambda: _beat(rng, seconds),
        "bowed": lambda: bowed(rng, seconds),
        "shaker": lambda: shaker(rng, seconds),
    }
    mixed = [voice, strings]
    if real:
        picks = rng.choice(len(real), size=4, replace=False)
        dry = [np.tile(real[k], -(-n // len(real[k])))[:n] for k in picks]
    else:
        dry = [makers[kind]() if kind in makers else mixed[k % 2](rng, seconds) for k in range(4)]
    tracks = {name: in_room(x) for name, x in zip(names, dry, strict=True)}
    if kind == "hum":
        t = np.arange(n) / RATE
        hum = sum(np.sin(2 * np.pi * 50 * k * t + k) / k for k in range(1, 8))
        tracks = {name: x + hum * 10 ** (-rng.uniform(15, 35) / 20) for name, x in tracks.items()}
    if kind == "crosstalk":
        alone = dict(tracks)
        tracks = {name: alone[name] + 1e-3 * alone[names[(k + 1) % 4]] for k, name in enumerate(names)}
    heard = {
        name: {m: Hearing(arrival_ms=0.0, sign=1, energy=float(m == name)) for m in names} for name in names
    }
    session = finish(
        f"unrelated {kind} {seed}",
        tracks,
        heard,
        rng,
        noise_db=-110 if kind == "dither" else -75,
        flips=False,
        delays=False,
    )
    made = dict(session.tracks)
    if kind == "dither":
        step = 2.0**-15
        dither = (rng.random(n) - rng.random(n)) * step
        # Recorded 50 dB lower, so that the dither is a noise floor one can meet.
        made = {k: (np.round((0.003 * x + dither) / step) * step).astype(np.float32) for k, x in made.items()}
    apart = tuple(replace(p, related=False, polarity=None, sources=()) for p in session.pairs)
    return replace(session, tracks=made, pairs=apart, notes={"kind": kind})


def _beat(rng: np.random.Generator, seconds: float) -> np.ndarray:
    """Noise strokes on one fixed beat."""
    n = int(seconds * RATE)
    out = np.zeros(n)
    for at in np.arange(0.1, seconds - 0.5, 0.3):
        k = int((at + rng.normal(0, 0.004)) * RATE)
        t = np.arange(int(0.3 * RATE)) / RATE
        tone = np.sin(2 * np.pi * rng.choice([90.0, 180.0, 240.0]) * t) + rng.standard_normal(
            len(t)
        ) * rng.uniform(0.1, 1)
        out[k : k + len(t)] += tone * np.exp(-t / rng.uniform(0.03, 0.12)) * rng.uniform(0.3, 1)
    return out / np.std(out)


# --- two clocks, and changes during the take -----------------------------------------------------------


def drift_session(seed: int, *, seconds: float = 120) -> Session:
    """Record one voice on two recorders whose clocks differ by up to 60 ppm (`notes["drift_ppm"]`).

    The second recorder's file is read faster: at session time t it holds the sound of t·(1 + ppm·1e-6), so
    that its lateness shrinks as the take goes on where ppm is positive.
    """
    rng = np.random.default_rng([seed, 29])
    ppm = float(rng.choice([-1, 1]) * rng.uniform(8, 60))
    source = voice(rng, seconds) + 0.3 * strings(rng, seconds)
    late_ms = float(rng.uniform(2, 9))
    n = len(source)
    t = np.arange(n) * (1 + ppm * 1e-6) - late_ms * 1e-3 * RATE
    tracks = {"first": source, "second": _resampled(source, t)}
    middle = late_ms - ppm * 1e-6 * seconds / 2 * 1e3
    heard = {
        "first": Hearing(arrival_ms=0.0, sign=1, energy=float(np.dot(source, source))),
        "second": Hearing(arrival_ms=middle, sign=1, energy=float(np.dot(source, source))),
    }
    return finish(
        f"drift {seed}", tracks, {"voice": heard}, rng, noise_db=-50, delays=False, notes={"drift_ppm": -ppm}
    )


def _resampled(x: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Values of a band-limited signal at fractional positions (32-tap windowed sinc)."""
    first = np.floor(at).astype(int)
    fraction = at - first
    y = np.zeros(len(at))
    padded = np.pad(x, 64)
    for k in range(-15, 17):
        d = fraction - k
        tap = np.sinc(d) * (0.5 + 0.5 * np.cos(np.pi * d / 17))
        y += tap * padded[np.clip(first + k + 64, 0, len(padded) - 1)]
    return y


def step_session(seed: int, *, seconds: float = 60) -> Session:
    """Make a leaky set-up in which one mic is moved, or its polarity switched, part way through.

    `notes` holds ``step_s``, ``what`` (``"offset"`` or ``"polarity"``) and ``by_ms``.
    """
    from dataclasses import replace

    before = leaky_session(seed, seconds=seconds, flips=False, delays=False)
    rng = np.random.default_rng([seed, 31])
    what = ["offset", "polarity"][seed % 2]
    at_s = float(rng.uniform(0.35, 0.7)) * seconds
    by_ms = float(rng.choice([-1, 1]) * rng.uniform(0.6, 2.5)) if what == "offset" else 0.0
    x = np.asarray(before.tracks["room"], dtype=float)
    k = int(at_s * RATE)
    changed = delayed(x, by_ms * 1e-3 * RATE) if what == "offset" else -x
    moved = np.r_[x[:k], changed[k:]].astype(np.float32)
    touched = tuple(
        p if "room" not in (p.reference, p.other) else replace(p, related=True, polarity=None, sources=())
        for p in before.pairs
    )
    return replace(
        before,
        name=f"step {what} {seed}",
        tracks={**before.tracks, "room": moved},
        pairs=touched,
        notes={"step_s": at_s, "what": what, "by_ms": by_ms},
    )


def bound_session(seed: int, snr_db: float, band_hz: tuple[float, float] | None, *, n: int = 4096) -> Session:
    """Put noise of an ideal band on two tracks in white noise: for the Cramér-Rao bound.

    `snr_db` is the ratio within the band.
    """
    rng = np.random.default_rng([seed, 37])
    low, high = band_hz or (0.0, RATE / 2)

    def banded(size: int) -> np.ndarray:
        spectrum = np.fft.rfft(rng.standard_normal(size))
        f = np.fft.rfftfreq(size, 1 / RATE)
        return np.fft.irfft(spectrum * ((f >= low) & (f <= high)), size)

    lag = float(rng.uniform(-60, 60))
    x = banded(n + 1024)
    y = delayed(x, lag)
    a = 10 ** (-snr_db / 20)
    tracks = {"a": x[512:-512] + a * rng.standard_normal(n), "b": y[512:-512] + a * rng.standard_normal(n)}
    heard = {
        "a": Hearing(arrival_ms=0.0, sign=1, energy=float(n)),
        "b": Hearing(arrival_ms=lag / RATE * 1e3, sign=1, energy=float(n)),
    }
    return finish(
        f"bound {seed}",
        tracks,
        {"noise": heard},
        rng,
        noise_db=-200,
        delays=False,
        colour=False,
        notes={"lag": lag},
    )
