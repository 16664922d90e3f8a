"""Triggered samples: tracks whose strokes fall together with a drum's and share no waveform with it.

They are known by timing and level, and judged by their sum alone: what shares no waveform has no wiring that
could be told.

Conventions: as in `source_sums`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.processes import in_processes
from polaritykit.base.types import Floats, Recording, Samples, read_only
from polaritykit.base.windows import over_windows
from polaritykit.decide.conclusion import Conclusion
from polaritykit.decide.findings import PairCause
from polaritykit.decide.source_sums import (
    GatedSpectra,
    energy_shares,
    heard_octaves,
    octave_levels_db,
    octave_powers,
    parts_power,
    struck_spectra,
    weights,
)
from polaritykit.evidence.source import SourceEvidence
from polaritykit.spectra.pool import Spectra
from polaritykit.struck.repeatability import stroke_similarity

#: Strokes of a drum repeat with those that trigger its sample: this much of the energy around them at least.
#: Of unrelated sound no more does than chance leaves of six strokes, a sixth.
_IN_STEP = 0.4
#: A sample is one recording over and over (correlation of its strokes; drums have 0.97 at most, hits that a
#: benchmark lays down again and again over a mic's own noise 0.99998), out of digital silence: a mic is never
#: this far below its own strokes.
_REPEATS, _SILENT = 0.9999, 1e-6
#: What is looked at before a stroke and after it.
_BEFORE_S, _AFTER_S, _GAP_S = 0.020, 0.040, 0.005
#: Strokes of one sample lie on each other within this, as their moments are found.
_REACH_S = 0.003

Pairs = Mapping[tuple[int, int], Conclusion]


@dataclass(frozen=True, kw_only=True)
class Triggered:
    """A track that holds one sample over and over, and the source whose strokes it goes with."""

    track: int
    source: SourceEvidence


def find_triggered(recording: Recording, evidence: tuple[SourceEvidence, ...]) -> tuple[Triggered, ...]:
    """Find the tracks that hold a triggered sample.

    Parameters
    ----------
    recording : Recording
        Read around the strokes of each source.
    evidence : tuple of SourceEvidence

    Returns
    -------
    tuple of Triggered
        One per such track.
    """
    rate = recording.sample_rate_hz
    before, after = round(_BEFORE_S * rate), round(_AFTER_S * rate)
    struck = [item for item in evidence if item.kind == "hits" and len(item.at_samples) >= 2]

    def samples_of(told: tuple[SourceEvidence, list[int], list[int]]) -> list[int]:
        item, possible, mics = told
        if not possible:
            return []
        windows = np.stack([recording.read(int(at) - before, int(at) + after) for at in item.at_samples])
        return [
            track
            for track in possible
            if stroke_similarity(windows[:, track].astype(np.float64), before, rate) >= _REPEATS
            or _in_turn(windows, track, mics, round(_REACH_S * rate))
        ]

    found: dict[int, Triggered] = {}
    told = _out_of_silence(recording, struck)
    for item, tracks in zip(struck, in_processes(samples_of, told), strict=True):
        for track in tracks:
            found.setdefault(track, Triggered(track=track, source=item))
    return tuple(found.values())


def _out_of_silence(
    recording: Recording, struck: Sequence[SourceEvidence]
) -> list[tuple[SourceEvidence, list[int], list[int]]]:
    """Tracks on which most strokes of a source come out of digital silence, and those on which they do not.

    Strokes of all sources are read together: in most sessions no track is ever so silent.
    """
    rate = recording.sample_rate_hz
    before, after, gap = (round(s * rate) for s in (_BEFORE_S, _AFTER_S, _GAP_S))

    def peaks(_: int, sound: Samples) -> NDArray[np.float32]:
        size = np.abs(sound)
        return np.stack([size[:, : before - gap].max(axis=1), size.max(axis=1)])

    at = [int(one) for item in struck for one in item.at_samples]
    told = over_windows(peaks, recording, [(one - before, one + after) for one in at])
    found, first = [], 0
    for item in struck:
        quiet, loud = np.median(told[first : first + len(item.at_samples)], axis=0)
        first += len(item.at_samples)
        silent = quiet <= _SILENT * loud
        found.append((item, np.flatnonzero(silent & (loud > 0.0)).tolist(), np.flatnonzero(~silent).tolist()))
    return found


def _in_turn(windows: NDArray[np.float32], track: int, mics: Sequence[int], reach: int) -> bool:
    """Whether a track plays one of several samples per stroke: most have a twin that no mic repeats.

    Where bars of a take were copied, what its mics hear repeats with them.
    """
    twins = _alike(windows[:, track], reach) >= _REPEATS
    if np.mean(twins.any(axis=1)) <= 0.5:
        return False
    return all(np.mean((_alike(windows[:, mic], reach) >= _REPEATS)[twins]) <= 0.5 for mic in mics)


def _alike(strokes: NDArray[np.float32], reach: int) -> Floats:
    """Largest correlation of any two strokes within some lags, either sign; 0 with itself."""
    from scipy.fft import irfft, next_fast_len, rfft

    size = next_fast_len(strokes.shape[1] + reach, real=True)
    spectra = rfft(strokes.astype(np.float64), size, axis=-1)
    energy = np.sum(np.square(strokes, dtype=np.float64), axis=-1)
    found = np.zeros((len(strokes), len(strokes)))
    for place, spectrum in enumerate(spectra):
        curve = np.abs(irfft(spectrum.conj() * spectra, size, axis=-1))
        top = np.maximum(curve[:, : reach + 1].max(axis=-1), curve[:, size - reach :].max(axis=-1))
        found[place] = top / np.sqrt(np.maximum(energy[place] * energy, 1e-30))
    np.fill_diagonal(found, 0.0)
    return found


def without_triggered(
    evidence: tuple[SourceEvidence, ...], triggered: tuple[Triggered, ...]
) -> tuple[SourceEvidence, ...]:
    """Take back all that evidence says of samples: what shares no waveform has neither sign nor offset."""
    return taken_back(evidence, [item.track for item in triggered])


def taken_back(evidence: tuple[SourceEvidence, ...], tracks: list[int]) -> tuple[SourceEvidence, ...]:
    """Take back all that evidence says of some tracks.

    Parameters
    ----------
    evidence : tuple of SourceEvidence
    tracks : list of int

    Returns
    -------
    tuple of SourceEvidence
        With neither sign nor offset in their pairs.
    """
    return tuple(_without(item, tracks) for item in evidence) if tracks else evidence


def _without(item: SourceEvidence, tracks: list[int]) -> SourceEvidence:
    kept = np.ones_like(item.known)
    kept[tracks, :] = kept[:, tracks] = False
    direct = item.direct
    if direct is not None:
        direct = replace(direct, agreed=read_only(np.where(kept, direct.agreed, 0.0)))
    return replace(
        item, known=item.known & kept, log_odds=read_only(np.where(kept, item.log_odds, 0.0)), direct=direct
    )


def with_triggered(
    recording: Recording,
    evidence: tuple[SourceEvidence, ...],
    triggered: tuple[Triggered, ...],
    pairs: Pairs,
    spectra: Spectra,
) -> dict[tuple[int, int], Conclusion]:
    """Name the pairs of a triggered sample and its drum.

    Parameters
    ----------
    recording : Recording
        Read around the strokes.
    evidence : tuple of SourceEvidence
    triggered : tuple of Triggered
    pairs : mapping of (a, b), a < b, to Conclusion
    spectra : Spectra
        Of the whole take.

    Returns
    -------
    dict of (a, b) to Conclusion
        The same but for the cause of such pairs: the track of the sample, of the drum, and how much fuller
        their sum is as it is than with one of them flipped.
    """
    names = recording.track_names
    found = dict(pairs)
    power = spectra.sound_power
    gains = np.divide(1.0, np.sqrt(power), out=np.zeros(len(power)), where=power > 0.0)
    samples = {item.track for item in triggered}
    levels = np.stack([item.level_db for item in evidence]) if evidence else np.zeros((0, len(names)))
    for item in triggered:
        place = next(k for k, other in enumerate(evidence) if other.at_samples is item.source.at_samples)
        drum = _drum_of(levels, place, samples)
        gated = struck_spectra(recording, item.source.at_samples)
        if drum is None or _in_step(gated, drum) < _IN_STEP:
            continue
        key = (min(item.track, drum), max(item.track, drum))
        cause = PairCause(
            code="triggered",
            home=names[item.track],
            against=names[drum],
            fuller_db=_fuller_db(gated, item.track, drum, gains),
        )
        found[key] = replace(found[key], cause=cause)
    return found


def _drum_of(level_db: Floats, place: int, samples: set[int]) -> int | None:
    """Track whose loudest source these strokes are, the one in which they stand out most."""
    over = level_db[place] - np.delete(level_db, place, axis=0).max(axis=0, initial=-200.0)
    over[list(samples)] = -np.inf
    best = int(np.argmax(over))
    return best if over[best] > 0.0 else None


def _in_step(gated: GatedSpectra, drum: int) -> float:
    """Share of a track's energy around the strokes that repeats with them; one in their number by chance."""
    mean, plain = (float(parts_power(parts[:, drum]).sum()) for parts in (gated.parts, gated.plain))
    return mean / plain if plain > 0.0 else 0.0


def _fuller_db(gated: GatedSpectra, sample: int, drum: int, gains: Floats) -> float:
    """How much fuller the sum is as it is than flipped, mean over octaves by their energy."""
    chosen = np.zeros(len(gains))
    chosen[[sample, drum]] = gains[[sample, drum]]
    turned = np.where(np.arange(len(gains)) == sample, -chosen, chosen)
    still = np.zeros(len(gains))
    as_it_is, flipped = (
        octave_levels_db(octave_powers(gated, weights(gated, signed, still)))[:, 0]
        for signed in (chosen, turned)
    )
    shares = energy_shares(gated, chosen, heard_octaves(gated, chosen, [sample, drum]))
    return float(shares @ (as_it_is - flipped))
