"""Kits with all known: what each source alone brings to every track, when it arrives and which way round.

A twin of a kit is the same kit with other flips and delays put on its tracks; both sides of a stereo pair
get one delay, since another spacing is another image.

Conventions: delays in ms, positive later; levels judged on the stems themselves, never on the mix.
"""

import pickle
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from sessions_base import Session, cache_dir, delayed
from sessions_rooms import RATE, simulated_kit

#: Octaves that are judged, and all that may be a source's strongest (IEC 61260-1, nominal centres).
JUDGED_HZ = (63.0, 125.0, 250.0, 500.0, 1000.0)
ALL_HZ = (31.5, *JUDGED_HZ, 2000.0, 4000.0, 8000.0, 16_000.0)
#: Of the open kit's recordings.
KIT_RATE = 44_100
LINKED = (("oh_left", "oh_right"), ("room_left", "room_right"))


@dataclass(frozen=True, kw_only=True)
class Stem:
    """One source alone, in all tracks of a kit (in their order)."""

    name: str
    #: Track it has the largest share of.
    home: str
    #: First arrival at each track, ms, and sign of the direct sound as recorded.
    arrival_ms: np.ndarray
    sign: np.ndarray
    energy: np.ndarray
    #: Times at which it is struck, s.
    struck_s: tuple[float, ...]
    frequency_hz: np.ndarray
    #: Index of each bin's octave in `JUDGED_HZ`.
    octave: np.ndarray
    #: Transform of its contribution to each track, shape (n_tracks, n_bins).
    spectra: np.ndarray
    #: Energy per octave of `ALL_HZ` and track.
    octave_energy: np.ndarray


@dataclass(frozen=True, kw_only=True)
class StemKit:
    """A kit as recorded, with its stems."""

    name: str
    sample_rate_hz: int
    tracks: Mapping[str, np.ndarray]
    stems: tuple[Stem, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Tracks in order."""
        return tuple(self.tracks)

    @property
    def gains(self) -> np.ndarray:
        """Gain that brings every track to one level."""
        return np.asarray(1 / np.sqrt(np.sum([stem.energy for stem in self.stems], axis=0)))

    @property
    def own(self) -> np.ndarray:
        """Place in `stems` of the source each track is there for: louder in it than in the others."""
        energy = np.array([stem.energy for stem in self.stems])
        # A drum that is not played in this take is nobody's.
        played = (energy > 0.0).all(axis=1, keepdims=True)
        matched = 10 * np.log10(np.where(played, energy, 1.0)) + 20 * np.log10(self.gains)
        stands = matched - matched.mean(axis=1, keepdims=True)
        return np.argmax(np.where(played, stands, -np.inf), axis=0)


def stems_of(session: Session, score: list[tuple[float, str, float]]) -> tuple[Stem, ...]:
    """Reduce the parts of a session's sound to what is judged."""
    from scipy.fft import next_fast_len, rfft, rfftfreq

    parts: Mapping[str, Mapping[str, np.ndarray]] = session.notes["parts"]  # type: ignore[assignment]
    hearings: Any = session.notes["hearings"]
    names = list(session.tracks)
    rate = session.sample_rate_hz
    n = next_fast_len(len(session.tracks[names[0]]) + rate // 10, real=True)
    frequency = rfftfreq(n, 1 / rate)
    bands = [np.abs(np.log2(np.maximum(frequency, 1e-9) / c)) <= 0.5 for c in ALL_HZ]
    judged = np.array([bands[ALL_HZ.index(c)] for c in JUDGED_HZ])
    chosen = np.flatnonzero(judged.any(axis=0))
    energies = {s: np.array([float(np.dot(heard[m], heard[m])) for m in names]) for s, heard in parts.items()}
    total = np.sum(list(energies.values()), axis=0)
    found = []
    for source, heard in parts.items():
        spectra = np.stack([rfft(heard[m].astype(np.float64), n) for m in names])
        power = np.abs(spectra) ** 2
        told = [hearings[source][m] for m in names]
        arrival = [np.nan if h.arrival_ms is None else h.arrival_ms for h in told]
        found.append(
            Stem(
                name=source,
                home=names[int(np.argmax(energies[source] / total))],
                arrival_ms=np.array(arrival) + np.array([session.delays_ms[m] for m in names]),
                sign=np.array([(h.sign or 0) * session.flips[m] for h, m in zip(told, names, strict=True)]),
                energy=energies[source],
                struck_s=tuple(t for t, drum, _ in score if drum == source),
                frequency_hz=frequency[chosen],
                octave=np.argmax(judged[:, chosen], axis=0),
                spectra=spectra[:, chosen].astype(np.complex64),
                octave_energy=np.stack([power[:, band].sum(axis=1) for band in bands]),
            )
        )
    return tuple(found)


def stem_kit(seed: int, *, seconds: float = 30.0, n_mics: int = 10) -> StemKit:
    """Simulate a kit without injected flips or delays; kept in the cache."""
    path = cache_dir() / f"stems-1-{seed}-{seconds:g}-{n_mics}.pickle"
    if path.exists():
        kit: StemKit = pickle.loads(path.read_bytes())
        return kit
    session = simulated_kit(seed, delays=False, flips=False, keep_parts=True, seconds=seconds, n_mics=n_mics)
    score: Any = session.notes["score"]
    kit = StemKit(
        name=session.name, sample_rate_hz=RATE, tracks=session.tracks, stems=stems_of(session, score)
    )
    path.write_bytes(pickle.dumps(kit))
    return kit


def real_kit(seed: int, *, seconds: float = 30.0, split: str = "report") -> StemKit:
    """Lay hits of the open kit's recordings drum by drum, as they were recorded.

    Arrivals and signs are known where the recordings settle them, not a number or 0 elsewhere.
    """
    from sessions_kit import data_root, groove, hearings, laid, pick_hits
    from sessions_settled import KIT_HOMES, KIT_MICS, kit_breaks

    rng = np.random.default_rng([seed, {"development": 1, "report": 2}[split], 77])
    folder, breaks, n = data_root() / "kit", kit_breaks(), int(seconds * KIT_RATE)
    score = groove(rng, seconds, tuple(KIT_HOMES))
    parts, energy = {}, {}
    for drum, home in KIT_HOMES.items():
        parts[drum], found = laid(
            folder=folder,
            homes={drum: home},
            breaks=breaks,
            mics=KIT_MICS,
            score=[stroke for stroke in score if stroke[1] == drum],
            choice={drum: pick_hits(folder / drum, home, whole=True, split=split)},
            rng=rng,
            n=n,
        )
        energy |= found
    tracks = {m: np.sum([part[m] for part in parts.values()], axis=0).astype(np.float32) for m in KIT_MICS}
    session = Session(
        name=f"real kit {seed} {split}",
        sample_rate_hz=KIT_RATE,
        tracks=tracks,
        pairs=(),
        flips=dict.fromkeys(KIT_MICS, 1),
        delays_ms=dict.fromkeys(KIT_MICS, 0.0),
        notes={"parts": parts, "hearings": hearings(breaks, energy, {"kick": KIT_HOMES["kick"]})},
    )
    return StemKit(name=session.name, sample_rate_hz=KIT_RATE, tracks=tracks, stems=stems_of(session, score))


def twin(kit: StemKit, seed: int, *, most_ms: float = 4.0) -> StemKit:
    """Return the same kit with random flips and delays on its tracks."""
    rng = np.random.default_rng([seed, 4711])
    names = list(kit.tracks)
    signs = {m: int(rng.choice([-1, 1])) for m in names}
    shifts = {m: float(rng.uniform(0, most_ms)) for m in names}
    for left, right in LINKED:
        if left in shifts and right in shifts:
            shifts[right] = shifts[left]
    return injected(kit, signs, shifts)


def injected(kit: StemKit, signs: Mapping[str, int], shifts_ms: Mapping[str, float]) -> StemKit:
    """Return a kit with flips and delays put on its tracks, and its stems with it."""
    names = list(kit.tracks)
    rate = kit.sample_rate_hz
    tracks = {
        m: (signs[m] * delayed(x, shifts_ms[m] * 1e-3 * rate)).astype(np.float32)
        for m, x in kit.tracks.items()
    }
    sign = np.array([signs[m] for m in names])
    shift = np.array([shifts_ms[m] for m in names])
    stems = []
    for stem in kit.stems:
        turns = sign[:, None] * np.exp(-2j * np.pi * stem.frequency_hz * shift[:, None] * 1e-3)
        stems.append(
            replace(
                stem,
                arrival_ms=stem.arrival_ms + shift,
                sign=stem.sign * sign,
                spectra=(stem.spectra * turns).astype(np.complex64),
            )
        )
    return replace(kit, tracks=tracks, stems=tuple(stems))
