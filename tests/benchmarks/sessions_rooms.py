"""Simulated rooms: exact direct sound and early images, a diffuse tail, drums as extended two-sided sources.

Conventions and what is exact
-----------------------------
Positions in metres, speed of sound 343.2 m/s.  The arrival of a source is the path from the struck point
(for the lower head: from that head's centre, which starts when the sound has crossed the shell) to the mic;
every other part of the head moves later, since bending waves are slower than sound.  Image sources
(Allen and Berkley, 1979) up to third order give the early sound; the tail is noise decaying 60 dB in RT60
whose level follows from the critical distance 0.057·sqrt(V/RT60) (Kuttruff, Room Acoustics).
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
from sessions_base import Hearing, Session, delayed, inject, pair_truths

SPEED = 343.2
RATE = 48000
#: Length of a response in samples (1.37 s).
LENGTH = 1 << 16


@dataclass(frozen=True, kw_only=True)
class Room:
    """A shoebox."""

    size_m: tuple[float, float, float]
    rt60_s: float

    @property
    def reflection(self) -> float:
        """Pressure reflection of every wall (Eyring)."""
        x, y, z = self.size_m
        surface = 2 * (x * y + y * z + x * z)
        absorption = 1 - np.exp(-0.161 * x * y * z / (self.rt60_s * surface))
        return float(np.sqrt(1 - absorption))

    @property
    def critical_distance_m(self) -> float:
        """Distance at which direct and diffuse sound are equally loud."""
        return float(0.057 * np.sqrt(np.prod(self.size_m) / self.rt60_s))


@cache
def _images(order: int) -> np.ndarray:
    """Reflection counts along the axes up to a total order."""
    span = range(-order, order + 1)
    grid = [(i, j, k) for i in span for j in span for k in span if abs(i) + abs(j) + abs(k) <= order]
    return np.array(sorted(grid, key=lambda g: np.abs(g).sum()))


def add_taps(response: np.ndarray, delays: np.ndarray, gains: np.ndarray) -> None:
    """Add band-limited impulses at fractional delays (64-tap Blackman-windowed sinc)."""
    n = np.floor(delays).astype(int)[:, None] + np.arange(-31, 33)
    x = n - delays[:, None]
    window = 0.42 + 0.5 * np.cos(np.pi * x / 33) + 0.08 * np.cos(2 * np.pi * x / 33)
    taps = gains[:, None] * 0.98 * np.sinc(0.98 * x) * window
    keep = (n >= 0) & (n < len(response))
    np.add.at(response, n[keep], taps[keep])


def direct_response(source_m: np.ndarray, mic_m: np.ndarray) -> np.ndarray:
    """Free-field response of a point source (pressure 1 at 1 m)."""
    h = np.zeros(LENGTH)
    distance = max(float(np.linalg.norm(source_m - mic_m)), 0.02)
    add_taps(h, np.array([distance / SPEED * RATE]), np.array([1 / distance]))
    return h


def room_sound(
    room: Room, source_m: np.ndarray, mic_m: np.ndarray, rng: np.random.Generator, *, tail: bool = True
) -> np.ndarray:
    """Response without the direct sound: early images and the diffuse tail."""
    h = np.zeros(LENGTH)
    images = _images(3)[1:]
    size = np.asarray(room.size_m)
    positions = np.where(images % 2 == 0, images * size + source_m, (images + 1) * size - source_m)
    distances = np.linalg.norm(positions - mic_m, axis=1)
    gains = room.reflection ** np.abs(images).sum(axis=1) / distances
    add_taps(h, distances / SPEED * RATE, gains)
    if tail:
        start = int((np.linalg.norm(source_m - mic_m) / SPEED + 0.012) * RATE)
        t = np.arange(LENGTH - start) / RATE
        decay = rng.standard_normal(len(t)) * np.exp(-6.91 * t / room.rt60_s) * np.minimum(1.0, t / 0.02)
        energy = (1 / room.critical_distance_m**2) * np.exp(-13.8 * 0.02 / room.rt60_s)
        h[start:] += decay * np.sqrt(energy / np.dot(decay, decay))
    return h


def response(room: Room, source_m: np.ndarray, mic_m: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Whole response of a point source."""
    return direct_response(source_m, mic_m) + room_sound(room, source_m, mic_m, rng)


def mic_colour(rng: np.random.Generator) -> np.ndarray:
    """Sections of one mic's colour: a low cut and a broad presence bell, both minimum phase."""
    from scipy.signal import butter

    low = butter(1, rng.uniform(20, 60), "highpass", fs=RATE, output="sos")
    # Bell after the audio-EQ formulas of Bristow-Johnson.
    gain, f0, q = rng.uniform(-4, 4), rng.uniform(2500, 9000), 0.8
    a = 10 ** (gain / 40)
    w = 2 * np.pi * f0 / RATE
    alpha = np.sin(w) / (2 * q)
    b = np.array([1 + alpha * a, -2 * np.cos(w), 1 - alpha * a])
    c = np.array([1 + alpha / a, -2 * np.cos(w), 1 - alpha / a])
    return np.concatenate([low, np.r_[b, c][None] / c[0]])


# --- drums ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Drum:
    """A struck head as patches; a second, lower head where `depth_m` is given."""

    name: str
    centre_m: np.ndarray
    axis: np.ndarray
    radius_m: float
    depth_m: float | None
    modes_hz: tuple[float, ...]
    decay_s: float
    #: Level of the noise-like part (stick, wires, cymbal wash) against the modes.
    noise: float
    low_cut_hz: float
    gain: float


def head_patches(drum: Drum) -> list[tuple[np.ndarray, float]]:
    """Position and start (s) of the patches of the struck head: its centre, then a ring."""
    if drum.radius_m == 0:
        return [(drum.centre_m, 0.0)]
    side = np.cross(drum.axis, [0.3, 1.0, 0.2])
    side /= np.linalg.norm(side)
    across = np.cross(drum.axis, side)
    r = 0.65 * drum.radius_m
    ring = [
        (drum.centre_m + r * (np.cos(angle) * side + np.sin(angle) * across), r / 110.0)
        for angle in np.arange(4) * np.pi / 2
    ]
    return [(drum.centre_m, 0.0), *ring]


def strokes(
    drum: Drum, patch: int, n_variants: int, rng: np.random.Generator, *, varied: bool = False
) -> np.ndarray:
    """Wave forms of one patch, `(n_variants, samples)`: damped modes and a noise burst, onset at sample 0.

    Where they are varied, every third one moves the head's centre first the other way (a stroke off the
    centre), and each is duller or brighter by its own minimum-phase filter.
    """
    from scipy.signal import butter, sosfilt

    n = int(0.7 * RATE)
    t = np.arange(n) / RATE
    shape = np.random.default_rng([len(drum.name), patch, int(1000 * drum.decay_s)])
    out = np.zeros((n_variants, n))
    for v in range(n_variants):
        x = np.zeros(n)
        for k, f in enumerate(drum.modes_hz):
            # The (0,1) mode moves all patches together, higher modes differ over the head.
            weight = 1.0 if k == 0 else shape.uniform(-0.6, 0.8)
            f_now = f * rng.uniform(0.99, 1.01)
            rise = 1 - np.exp(-t / 0.0004)
            x += (
                weight
                / (1 + 0.5 * k)
                * rise
                * np.exp(-t * (1 + 0.4 * k) / drum.decay_s)
                * np.cos(2 * np.pi * f_now * t)
            )
        if drum.noise:
            burst = rng.standard_normal(n) * np.exp(-t / (0.4 * drum.decay_s)) * (1 - np.exp(-t / 0.0002))
            click = np.exp(-t / 0.0001) - np.exp(-t / 0.00004)
            x += drum.noise * burst + (2.0 * drum.noise + 0.3) * click * (patch == 0)
        if varied and drum.radius_m:
            tone = np.random.default_rng([v, len(drum.name), 7])
            x = sosfilt(butter(1, tone.uniform(700, 6000), fs=RATE, output="sos"), x)
            x *= -0.6 if v % 3 == 1 and patch == 0 else 1.0
        out[v] = sosfilt(butter(1, drum.low_cut_hz, "highpass", fs=RATE, output="sos"), x)
    return out


def drum_on_mic(
    drum: Drum, spectra: list[np.ndarray], mic_m: np.ndarray, room: Room, rng: np.random.Generator
) -> tuple[np.ndarray, float, int]:
    """Every variant as the mic hears it, the arrival (s) and the sign of the direct sound.

    `spectra[patch]` is the transform of that patch's strokes, `(n_variants, LENGTH // 2 + 1)`.
    """
    from scipy.fft import irfft, rfft

    below = drum.depth_m is not None and float(np.dot(mic_m - drum.centre_m, drum.axis)) < 0
    if below:
        # The lower head moves towards this mic, later by the height of the shell.
        sources = [(drum.centre_m - drum.axis * drum.depth_m, drum.depth_m / SPEED)]
    else:
        sources = head_patches(drum)
    omega = 2j * np.pi * np.arange(LENGTH // 2 + 1) / LENGTH * RATE
    total = np.zeros((len(spectra[0]), LENGTH // 2 + 1), dtype=complex)
    around = room_sound(room, sources[0][0], mic_m, rng)
    for k, (position, start) in enumerate(sources):
        h = direct_response(position, mic_m) + around
        total += spectra[k] * (rfft(h) * np.exp(-omega * start)) / len(sources)
    arrival = float(np.linalg.norm(sources[0][0] - mic_m)) / SPEED + sources[0][1]
    # A struck head draws back from its own side (rarefaction) and pushes on the other.
    sign = 1 if below or not drum.radius_m else -1
    heard = (sign * drum.gain * irfft(total, LENGTH, axis=1)).astype(np.float32)
    last = min(LENGTH, int((2.5 * drum.decay_s + 0.9 * room.rt60_s + 0.05) * RATE))
    return heard[:, :last] * np.minimum(1.0, np.arange(last)[::-1] / 2400), arrival, sign


def simulated_drums(scale: float, *, two_sided_kick: bool) -> list[Drum]:
    """Snare, kick, two toms, hat and ride round a drummer at the origin of the kit, before placement.

    Gains are such that every drum is the loudest on its own close mic, as on real kits.
    """
    up = np.array([0.0, 0.0, 1.0])
    ahead = np.array([0.0, -1.0, 0.0])
    lean = np.array([0.0, -0.3, 0.954])
    shell = 0.45 if two_sided_kick else None
    rows = (
        ("snare", (0.25, 0.1, 0.65), up, 0.178, 0.14, (190, 330, 420, 610), 0.12, 0.25, 80, 1.6),
        ("kick", (0.0, 0.75, 0.35), ahead, 0.28, shell, (62, 110, 160), 0.22, 0.12, 25, 0.8),
        ("tom_1", (0.2, 0.6, 0.85), lean, 0.13, None, (145, 240, 330), 0.3, 0.06, 50, 0.9),
        ("tom_2", (-0.5, 0.3, 0.6), up, 0.2, None, (88, 150, 205), 0.35, 0.05, 40, 0.9),
        ("hihat", (0.6, 0.25, 0.85), up, 0.0, None, (), 0.1, 1.0, 3000, 0.5),
        ("ride", (-0.55, 0.65, 1.0), up, 0.0, None, (), 0.5, 0.6, 1500, 0.35),
    )
    return [
        Drum(
            name=name,
            centre_m=np.array(xyz) * np.array([scale, scale, 1.0]),
            axis=axis,
            radius_m=radius,
            depth_m=depth,
            modes_hz=modes,
            decay_s=decay,
            noise=noise,
            low_cut_hz=cut,
            gain=gain,
        )
        for name, xyz, axis, radius, depth, modes, decay, noise, cut, gain in rows
    ]


def kit_mics(drums: list[Drum], n_mics: int, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Close mics near their drums, two overheads, two room mics; further spots up to `n_mics`."""
    at = {d.name: d for d in drums}

    def jitter(size: float) -> np.ndarray:
        return rng.uniform(-size, size, 3)

    mics = {
        # In front of the front head where there is one, else as far from the only head.
        "kick": at["kick"].centre_m + np.array([0, (at["kick"].depth_m or 0.0) + 0.12, 0.0]) + jitter(0.03),
        "snare_top": at["snare"].centre_m + np.array([0.12, -0.06, 0.06]) + jitter(0.015),
        "snare_bottom": at["snare"].centre_m + np.array([0.06, 0.0, -0.24]) + jitter(0.015),
        "hihat": at["hihat"].centre_m + np.array([0.08, 0.0, 0.14]) + jitter(0.02),
        "tom_1": at["tom_1"].centre_m + np.array([0.05, 0.09, 0.08]) + jitter(0.015),
        "tom_2": at["tom_2"].centre_m + np.array([-0.12, 0.08, 0.09]) + jitter(0.015),
        "oh_left": np.array([0.55, 0.35, 1.75]) + jitter(0.15),
        "oh_right": np.array([-0.55, 0.35, 1.75]) + jitter(0.15),
        "room_left": np.array([0.9, 2.4, 1.5]) + jitter(0.25),
        "room_right": np.array([-0.9, 2.4, 1.5]) + jitter(0.25),
    }
    k = 1
    while len(mics) < n_mics:
        mics[f"spot_{k:02d}"] = np.array([0.0, 0.6, 1.2]) + rng.uniform(-0.9, 0.9, 3) * [1, 1, 0.4]
        k += 1
    return dict(list(mics.items())[:n_mics])


def simulated_kit(
    seed: int,
    *,
    rt60_s: float | None = None,
    noise_db: float = -65,
    n_mics: int = 10,
    seconds: float = 30,
    flips: bool = True,
    delays: bool = True,
    keep_parts: bool = False,
    mics_of: Callable[[list[Drum], int, np.random.Generator], dict[str, np.ndarray]] = kit_mics,
    play: Callable[..., list[tuple[float, str, float]]] | None = None,
    varied: bool = False,
) -> Session:
    """Six extended or point-like sources in a room, an overlapping groove, hidden flips and delays.

    With `keep_parts` the notes hold ``parts``: what each source alone brings to each track, as it stands
    in the tracks (coloured, scaled, flipped, delayed), and ``hearings``:
    arrivals and signs before that.  `varied` strokes differ in
    shape (`strokes`).
    """
    from scipy.fft import rfft
    from sessions_kit import groove

    rng = np.random.default_rng([seed, 77])
    rt60 = float(rng.choice([0.2, 0.4, 0.6, 0.8])) if rt60_s is None else rt60_s
    room = Room(size_m=tuple(rng.uniform([4.5, 5, 2.6], [8, 9, 4])), rt60_s=rt60)
    drums = simulated_drums(float(rng.uniform(0.9, 1.15)), two_sided_kick=seed % 3 == 0)
    mics = mics_of(drums, n_mics, rng)
    here = np.array([room.size_m[0] / 2, room.size_m[1] * 0.35, 0.0]) + rng.uniform(-0.4, 0.4, 3) * [1, 1, 0]
    n = int(seconds * RATE)
    renamed = {"hihat_closed": "hihat", "tom_4": "tom_2"}
    score = [
        (t, renamed.get(d, d), g)
        for t, d, g in (play or groove)(
            rng, seconds - 0.6, ("snare", "kick", "tom_1", "tom_4", "hihat_closed", "ride")
        )
    ]
    tracks = {m: np.zeros(n) for m in mics}
    parts: dict[str, dict[str, np.ndarray]] = {}
    hearings: dict[str, dict[str, Hearing]] = {}
    n_variants = 8
    for drum in drums:
        n_patches = len(head_patches(drum))
        spectra = [
            rfft(strokes(drum, p, n_variants, rng, varied=varied), LENGTH, axis=1) for p in range(n_patches)
        ]
        variants = rng.integers(n_variants, size=len(score))
        hearings[drum.name] = {}
        for mic, position in mics.items():
            placed = Drum(**{**drum.__dict__, "centre_m": drum.centre_m + here})
            heard, arrival, sign = drum_on_mic(placed, spectra, position + here, room, rng)
            energy = 0.0
            part = parts.setdefault(drum.name, {})[mic] = np.zeros(n if keep_parts else 0)
            for (time_s, name, gain_db), v in zip(score, variants, strict=True):
                if name == drum.name:
                    at = round(time_s * RATE)
                    x = heard[v][: n - at] * 10 ** (gain_db / 20)
                    tracks[mic][at : at + len(x)] += x
                    if keep_parts:
                        part[at : at + len(x)] += x
                    energy += float(np.dot(x, x))
            hearings[drum.name][mic] = Hearing(arrival_ms=arrival * 1e3, sign=sign, energy=energy)
    return finish(
        f"simulated kit {seed} RT60 {rt60}",
        tracks,
        hearings,
        rng,
        noise_db=noise_db,
        flips=flips,
        delays=delays,
        notes={"score": score},
        parts=parts if keep_parts else None,
    )


def finish(
    name: str,
    tracks: Mapping[str, np.ndarray],
    hearings: Mapping[str, Mapping[str, Hearing]],
    rng: np.random.Generator,
    *,
    noise_db: float,
    flips: bool = True,
    delays: bool = True,
    colour: bool = True,
    notes: Mapping[str, object] | None = None,
    parts: Mapping[str, Mapping[str, np.ndarray]] | None = None,
) -> Session:
    """Colour the mics, normalise, add independent noise (dB re each peak), inject flips and delays.

    The same is done to the parts of the sound, where they are given; the notes then hold them.
    """
    from scipy.signal import sosfilt

    made, noise = {}, {}
    done = {}
    for mic, x in tracks.items():
        sections = mic_colour(rng) if colour else np.array([[1.0, 0, 0, 1, 0, 0]])
        x = sosfilt(sections, x)  # noqa: PLW2901 - one step after the other
        peak = float(np.max(np.abs(x))) or 1.0
        hiss = rng.standard_normal(len(x)) * 10 ** (noise_db / 20)
        made[mic] = 0.5 * (x / peak + hiss)
        done[mic] = (sections, peak)
        noise[mic] = float(np.dot(hiss, hiss)) * peak**2
    injected, signs, shifts = inject(made, RATE, rng, flips=flips, delays=delays)

    def as_in_track(mic: str, part: np.ndarray) -> np.ndarray:
        sections, peak = done[mic]
        shaped = 0.5 * sosfilt(sections, part) / peak
        return (signs[mic] * delayed(shaped, shifts[mic] * 1e-3 * RATE)).astype(np.float32)

    notes = dict(notes or {})
    if parts is not None:
        notes["parts"] = {
            source: {mic: as_in_track(mic, part) for mic, part in heard.items()}
            for source, heard in parts.items()
        }
        notes["hearings"] = hearings
    return Session(
        name=name,
        sample_rate_hz=RATE,
        tracks=injected,
        pairs=pair_truths(hearings, signs, shifts, noise_energy=noise),
        flips=signs,
        delays_ms=shifts,
        notes=notes,
    )
