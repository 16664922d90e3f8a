"""What a benchmark session is: tracks, and the exact or settled truth about every pair.

Conventions
-----------
offsets are positive when *other* hears the sound later; signs are +1 (same) and -1 (inverted).
An offset or sign that nobody can know is None and is not scored.
"""

import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import combinations
from pathlib import Path

import numpy as np


@dataclass(frozen=True, kw_only=True)
class SourceTruth:
    """How one source reaches the two tracks of a pair."""

    name: str
    #: Arrival at *other* minus arrival at *reference*; None where not settled.
    offset_ms: float | None
    #: Product of the direct sound's signs; None where not settled.
    sign: int | None
    #: The smaller of the source's shares of the two tracks' energies.
    share_db: float


@dataclass(frozen=True, kw_only=True)
class PairTruth:
    """What is known about one pair."""

    reference: str
    other: str
    #: Whether the two share sound (None: not to be scored).
    related: bool | None
    #: Sign that the wiring explains, or None where it cannot be known.
    polarity: str | None
    #: Strongest first.
    sources: tuple[SourceTruth, ...]
    #: Whether audible sources have different signs (heard from two sides): scored apart.
    disputed: bool = False

    @property
    def dominant(self) -> SourceTruth | None:
        """The source with the largest share in both tracks."""
        return self.sources[0] if self.sources else None

    @property
    def settled(self) -> bool:
        """Whether the offset of the dominant source is known, and of those within 3 dB of it.

        Where one of them is not, a right answer that speaks of it could not be told from a wrong one.
        """
        leading = [s for s in self.sources if s.share_db >= self.sources[0].share_db - 3]
        return bool(leading) and all(s.offset_ms is not None for s in leading)


@dataclass(frozen=True, kw_only=True)
class Session:
    """One session with its truth."""

    name: str
    sample_rate_hz: int
    tracks: Mapping[str, np.ndarray]
    pairs: tuple[PairTruth, ...]
    #: Injected sign of each track.
    flips: Mapping[str, int]
    #: Injected delay of each track.
    delays_ms: Mapping[str, float]
    #: Anything else a builder wants to hand to a special check (drift, step time, splits).
    notes: Mapping[str, object] = field(default_factory=dict)


def cache_dir() -> Path:
    """Folder for slow intermediate results, outside the checkout."""
    named = os.environ.get("POLARITYKIT_BENCH_CACHE")
    path = Path(named) if named else Path.home() / ".cache" / "polaritykit-bench"
    path.mkdir(parents=True, exist_ok=True)
    return path


def delayed(signal: np.ndarray, delay_samples: float) -> np.ndarray:
    """Delay by a phase ramp (circular over a zero-padded span, so the ends stay clean)."""
    from scipy.fft import irfft, next_fast_len, rfft

    if delay_samples == 0:
        return np.asarray(signal, dtype=float).copy()
    n = next_fast_len(len(signal) + 2 * int(abs(delay_samples)) + 256, real=True)
    ramp = np.exp(-2j * np.pi * np.arange(n // 2 + 1) / n * delay_samples)
    return irfft(rfft(signal, n) * ramp, n)[: len(signal)]


def inject(
    tracks: Mapping[str, np.ndarray],
    sample_rate_hz: int,
    rng: np.random.Generator,
    *,
    flips: bool,
    delays: bool,
    most_ms: float = 6.0,
) -> tuple[dict[str, np.ndarray], dict[str, int], dict[str, float]]:
    """Flip about half of the tracks and delay each by up to `most_ms`; give back what was done.

    The random draw does not depend on the switches, so that the untouched session is the same session.
    """
    signs = {name: int(rng.choice([-1, 1])) for name in tracks}
    shifts = {name: float(rng.uniform(0, most_ms)) for name in tracks}
    signs = signs if flips else dict.fromkeys(tracks, 1)
    shifts = shifts if delays else dict.fromkeys(tracks, 0.0)
    made = {
        name: (signs[name] * delayed(x, shifts[name] * 1e-3 * sample_rate_hz)).astype(np.float32)
        for name, x in tracks.items()
    }
    return made, signs, shifts


@dataclass(frozen=True, kw_only=True)
class Hearing:
    """How one source reaches one track: arrival, sign of the direct sound, energy in the track."""

    arrival_ms: float | None
    sign: int | None
    energy: float


def pair_truths(
    hearings: Mapping[str, Mapping[str, Hearing]],
    flips: Mapping[str, int],
    delays_ms: Mapping[str, float],
    *,
    noise_energy: Mapping[str, float] | None = None,
    least_share_db: float = -40.0,
) -> tuple[PairTruth, ...]:
    """Truth of every pair from `hearings[source][track]`.

    The pair's polarity is the dominant source's sign; where a source less than 15 dB weaker has the other
    sign (a source heard from its two sides) it is None, and where any has, the pair is disputed.
    """
    tracks = list(flips)
    totals = {
        t: sum(h[t].energy for h in hearings.values()) + (noise_energy or {}).get(t, 0.0) for t in tracks
    }
    result = []
    for a, b in combinations(tracks, 2):
        sources = []
        for name, heard in hearings.items():
            ha, hb = heard[a], heard[b]
            share = min(ha.energy / totals[a], hb.energy / totals[b])
            share_db = 10 * np.log10(max(share, 1e-12))
            if share_db < least_share_db:
                continue
            known = ha.arrival_ms is not None and hb.arrival_ms is not None
            offset = hb.arrival_ms - ha.arrival_ms + delays_ms[b] - delays_ms[a] if known else None
            signed = ha.sign is not None and hb.sign is not None
            sign = ha.sign * hb.sign * flips[a] * flips[b] if signed else None
            sources.append(SourceTruth(name=name, offset_ms=offset, sign=sign, share_db=float(share_db)))
        sources.sort(key=lambda s: -s.share_db)
        signed_sources = [s for s in sources if s.sign is not None]
        near = {s.sign for s in signed_sources if s.share_db > signed_sources[0].share_db - 15}
        polarity = {1: "same", -1: "inverted"}[near.pop()] if len(near) == 1 else None
        strong = bool(sources) and sources[0].share_db > -20
        result.append(
            PairTruth(
                reference=a,
                other=b,
                related=True if strong else None,
                polarity=polarity,
                sources=tuple(sources),
                disputed=len({s.sign for s in signed_sources}) > 1,
            )
        )
    return tuple(result)


def without_sound(session: Session) -> Session:
    """Return the session without its audio (to keep many results in memory)."""
    return replace(session, tracks={})
