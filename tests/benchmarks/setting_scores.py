"""What a setting does to a kit, judged on its stems: levels per source and octave, and the rows made of them.

Conventions: levels in dB of one source's own contributions at gains that bring every track to one level; an
octave counts from 63 Hz to 1 kHz within 20 dB of the source's strongest.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from sessions_stems import ALL_HZ, JUDGED_HZ, Stem, StemKit

RANGE_DB = 20.0


@dataclass(frozen=True, kw_only=True)
class Set:
    """A setting of all tracks, in their order."""

    signs: np.ndarray
    shifts_ms: np.ndarray
    #: Tracks whose shift is settled: set, or agreeing because it is right already.
    settled: np.ndarray
    #: (home, octave) of what is said to be lost.
    said: frozenset[tuple[str, float]] = frozenset()
    #: Groups of tracks whose signs hang together as far as was told; empty: all do.
    groups: tuple[tuple[int, ...], ...] = ()


def overheads(kit: StemKit) -> list[int]:
    """Places of the overheads."""
    return [k for k, name in enumerate(kit.names) if name.startswith("oh")]


def own_mics(kit: StemKit, stem: int) -> list[int]:
    """Close mics that hear this source most."""
    far = ("oh", "room")
    return [k for k, name in enumerate(kit.names) if kit.own[k] == stem and not name.startswith(far)]


def octaves(kit: StemKit, stem: Stem, tracks: Sequence[int]) -> np.ndarray:
    """Judged octaves within range of the strongest, in the power sum of some tracks."""
    power = stem.octave_energy[:, list(tracks)] @ kit.gains[list(tracks)] ** 2
    judged = power[[ALL_HZ.index(c) for c in JUDGED_HZ]]
    return np.flatnonzero(judged >= power.max() * 10 ** (-RANGE_DB / 10))


def levels_db(kit: StemKit, stem: Stem, tracks: Sequence[int], setting: Set) -> np.ndarray:
    """Level of one source in the sum of some tracks, per judged octave."""
    chosen = list(tracks)
    weight = (kit.gains * setting.signs)[chosen, None] * np.exp(
        -2j * np.pi * stem.frequency_hz * setting.shifts_ms[chosen, None] * 1e-3
    )
    power = np.abs((weight * stem.spectra[chosen]).sum(axis=0)) ** 2
    return np.array([10 * np.log10(power[stem.octave == k].sum() + 1e-30) for k in range(len(JUDGED_HZ))])


@dataclass(frozen=True, kw_only=True)
class SourceOctave:
    """One octave of one source under a setting and under its flips alone."""

    source: str
    home: str
    centre_hz: float
    #: Share of the octave in the source's energy.
    share: float
    #: All its own mics have a settled shift.
    settled: bool
    #: In its own mics with the overheads, and in the sum of all tracks.
    mics_db: float
    mics_flips_db: float
    whole_db: float
    whole_flips_db: float
    said: bool
    #: Least change of all that is told of: in the sum of all, in own mics with overheads and alone, against
    #: the flips alone and against the recording.
    least_db: float


def source_octaves(kit: StemKit, setting: Set) -> list[SourceOctave]:
    """All source-octaves of a kit under a setting; sources without a close mic of their own are left out."""
    flips = Set(signs=setting.signs, shifts_ms=np.zeros(len(kit.names)), settled=setting.settled)
    recorded = Set(signs=np.ones(len(kit.names)), shifts_ms=flips.shifts_ms, settled=setting.settled)
    found: list[SourceOctave] = []
    everyone = range(len(kit.names))
    for number, stem in enumerate(kit.stems):
        own = own_mics(kit, number)
        if not own:
            continue
        mics = own + overheads(kit)
        judged = octaves(kit, stem, mics)
        power = (stem.octave_energy[:, mics] @ kit.gains[mics] ** 2)[[ALL_HZ.index(c) for c in JUDGED_HZ]]
        tables = [levels_db(kit, stem, t, s) for t in (mics, everyone) for s in (setting, flips)]
        before = [[levels_db(kit, stem, t, s) for s in (flips, recorded)] for t in (mics, everyone, own)]
        after = [[levels_db(kit, stem, t, setting)] * 2 for t in (mics, everyone, own)]
        least = np.min(np.array(after) - np.array(before), axis=(0, 1))
        found += [
            SourceOctave(
                source=stem.name,
                home=stem.home,
                centre_hz=JUDGED_HZ[k],
                share=float(power[k] / power[judged].sum()),
                settled=bool(setting.settled[own].all()),
                mics_db=float(tables[0][k]),
                mics_flips_db=float(tables[1][k]),
                whole_db=float(tables[2][k]),
                whole_flips_db=float(tables[3][k]),
                said=(stem.home, JUDGED_HZ[k]) in setting.said,
                least_db=float(least[k]),
            )
            for k in judged
        ]
    return found


@dataclass(frozen=True, kw_only=True)
class FlipCount:
    """Flips of one kit, as pairs of counts: of how many."""

    right: tuple[int, int]
    found: tuple[int, int]
    #: Right ones in groups that no answer ties to the anchor: they end alike, whichever way round.
    apart: tuple[int, int]


def flips(kit: StemKit, setting: Set, *, anchor: str = "oh_left") -> FlipCount:
    """Hold the flips against the sign of each track's own source, where that and the anchor's are known.

    A group that no answer ties to the anchor is right when its tracks end alike, for which way round it is
    was not told; as it is always told, the smaller part of it that ends unlike counts as wrong.  Of a track
    that no answer ties to any other nothing was told, and where it ends is not set.
    """
    place = kit.names.index(anchor)
    true = np.array([kit.stems[own].sign[k] * kit.stems[own].sign[place] for k, own in enumerate(kit.own)])
    flipped = setting.signs * setting.signs[place] < 0
    reference = true.astype(float)
    tied = np.ones(len(true), dtype=bool)
    for group in setting.groups:
        members = list(group)
        if place in members:
            continue
        if len(members) < 2:
            flipped[members] = False
            continue
        tied[members] = False
        ends = float(np.sum(true[members] * np.where(flipped[members], -1.0, 1.0)))
        reference[members] *= 1.0 if ends >= 0 else -1.0
    both = flipped & (reference < 0)
    told = flipped & (reference != 0)
    return FlipCount(
        right=(int(both[tied].sum()), int(told[tied].sum())),
        found=(int(both.sum()), int((reference < 0).sum())),
        apart=(int(both[~tied].sum()), int(told[~tied].sum())),
    )


def mean_gain_db(found: Sequence[SourceOctave]) -> float:
    """Gain over the flips alone in own mics with overheads, mean over source-octaves."""
    return float(np.mean([o.mics_db - o.mics_flips_db for o in found]))


def harmed(found: Sequence[SourceOctave], *, whole: bool) -> list[SourceOctave]:
    """Source-octaves more than 1 dB below the flips alone."""
    if whole:
        return [o for o in found if o.whole_db - o.whole_flips_db < -1]
    return [o for o in found if o.mics_db - o.mics_flips_db < -1]


def alike(one: Sequence[SourceOctave], two: Sequence[SourceOctave], *, settled: bool) -> tuple[int, int]:
    """Source-octaves of twins that end within 0.5 dB in own mics with overheads, and all that count."""
    pairs = [(a, b) for a, b in zip(one, two, strict=True) if not settled or (a.settled and b.settled)]
    return sum(abs(a.mics_db - b.mics_db) <= 0.5 for a, b in pairs), len(pairs)


def own_sum_change_db(kit: StemKit, a: int, b: int, setting: Set) -> float:
    """Least change over octaves of their source in the sum of two mics on it, against the flips alone."""
    stem = kit.stems[int(kit.own[a])]
    flips = Set(signs=setting.signs, shifts_ms=np.zeros(len(kit.names)), settled=setting.settled)
    change = levels_db(kit, stem, (a, b), setting) - levels_db(kit, stem, (a, b), flips)
    return float(change[octaves(kit, stem, (a, b))].min())
