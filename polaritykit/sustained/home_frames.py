"""The frames that are most one track's own, and what its pairs with other tracks show in them.

Conventions: as in `polaritykit.sustained.phase_curve`.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.hann import BINS_ALIKE
from polaritykit.base.types import Complexes, Floats, Recording, Samples
from polaritykit.sustained.activity import choose_frames, frame_samples, loud_db
from polaritykit.sustained.frames import explained_in, read_frames, spectra_of
from polaritykit.sustained.joint_delay import JointDelay, joint_delay, take_windows
from polaritykit.sustained.mains import left_in_take, resolved
from polaritykit.sustained.phase_curve import (
    BAND_HZ,
    MAX_RIVAL,
    MIN_SIGNIFICANCE,
    SURE_SIGNIFICANCE,
    PhaseCurve,
    phase_curve,
)

#: The straight line through the phase may move the peak by this part of the period at the evidence's
#: root-mean-square frequency.
_REFINE_WITHIN_PERIOD = 0.125
#: Where the opposite lobe is that high, or the evidence faint (under twice the least), the right lobe is
#: looked for again this far about the peak: two periods of an octave about 1.4 kHz.
LOBES_MS = 1.5
#: Besides a source's own frames all of the take refines the offset, where it agrees with them; windows
#: in all pairs together are limited to this: time, not precision, is then what more would cost.
MOST_TAKE_WINDOWS = 60_000


@dataclass(frozen=True, kw_only=True)
class Reading:
    """One pair in the frames of one home track."""

    home: int
    other: int
    curve: PhaseCurve
    offset_s: float
    std_s: float
    #: The lobe of the peak is also the highest once bins weigh by their coherence.
    lobes_agree: bool
    #: The phase of coherent bins confirms the offset to a fraction of a sample.
    confirmed: bool
    #: Power of the other track that the home track explains, dB below the other track's loud frames.
    explained_db: float


@dataclass(frozen=True, kw_only=True)
class HomeFrames:
    """The frames in which one track is loud against the others, read once for all its pairs.

    A single frame is not read: it has no phase in common with others.
    """

    home: int
    sample_rate_hz: int
    #: Samples of a frame, and those read before and after it.
    size: int
    margin: int
    #: Place of each frame in the take, shape (n_frames,).
    chosen: NDArray[np.int64]
    #: Tracks that were read, the home among them.
    tracks: tuple[int, ...]
    #: Shape (n_frames, n_tracks_read, size + 2·margin).
    audio: Samples
    #: Shape (n_frames, n_tracks_read, n_bins).
    spectra: Complexes
    #: Levels of the tracks in these frames, dB, shape (n_frames, n_tracks) ...
    levels_db: Floats
    #: ... and in each track's own loud frames, shape (n_tracks,).
    loud_db: Floats
    #: Largest offset looked for.
    search_ms: float

    @property
    def times_s(self) -> Floats:
        """Middle of each frame."""
        return np.asarray((self.chosen + 0.5) * self.size / self.sample_rate_hz)

    def spectra_of(self, track: int) -> Complexes:
        """Of one of the tracks that were read, shape (n_frames, n_bins)."""
        return np.asarray(self.spectra[:, self.tracks.index(track)])

    def audio_of(self, track: int) -> Samples:
        """Of one of the tracks that were read, shape (n_frames, size + 2·margin)."""
        return np.asarray(self.audio[:, self.tracks.index(track)])


def read_frames_of(
    recording: Recording, levels_db: Floats, home: int, search_ms: float, others: Sequence[int] | None = None
) -> HomeFrames:
    """Read the frames that are most one track's own.

    Parameters
    ----------
    recording : Recording
    levels_db : ndarray, shape (n_frames, n_tracks)
        From `ActivityMeter`.
    home : int
    search_ms : float
        Largest offset that will be looked for in them.
    others : sequence of int, optional
        Tracks to read beside the home; all when left out.

    Returns
    -------
    HomeFrames
    """
    rate = recording.sample_rate_hz
    size = frame_samples(recording.n_samples, rate)
    # Room for half-overlapping windows and for the largest offset on top.
    margin = size // 2 + min(round(search_ms * 1e-3 * rate), size // 4) + 1
    chosen = choose_frames(levels_db, home)
    n_tracks = levels_db.shape[1]
    tracks = tuple(sorted({home, *(range(n_tracks) if others is None else others)}))
    # Where there is nothing to compare with nothing is read.
    read = chosen if len(chosen) > 1 and len(tracks) > 1 else chosen[:0]
    audio = read_frames(recording, read, size, margin, tracks)
    return HomeFrames(
        home=home,
        sample_rate_hz=rate,
        size=size,
        margin=margin,
        chosen=chosen,
        tracks=tracks,
        audio=audio,
        spectra=spectra_of(audio, size, margin),
        levels_db=levels_db[chosen],
        loud_db=loud_db(levels_db),
        search_ms=search_ms,
    )


def read_pair(recording: Recording, frames: HomeFrames, other: int) -> Reading | None:
    """Read one pair of the home track.

    Parameters
    ----------
    recording : Recording
        Read again where all of the take can tell the offset more sharply.
    frames : HomeFrames
    other : int

    Returns
    -------
    Reading or None
        None where no bin carries a common phase.
    """
    rate, home = frames.sample_rate_hz, frames.home
    one, its = frames.spectra_of(home), frames.spectra_of(other)
    curve = phase_curve(one, its, rate, search_ms=frames.search_ms)
    if curve is None:
        return None
    offset, std, lobes_agree, line = curve.offset_s, 0.25 / rate, True, math.inf
    stands = curve.significance >= MIN_SIGNIFICANCE
    quieter_db = float(np.mean(frames.levels_db[:, other]) - frames.loud_db[other])
    if stands:
        whole = round(offset * rate)
        if not resolved(rate / frames.size):
            curve = _tested_in_take(recording, curve, (home, other), whole)
        better = _refined(recording, frames, curve, whole, other)
        near = _REFINE_WITHIN_PERIOD / curve.mean_hz
        # Where no two windows agree on a phase, the peak is known to a part of a period and no better.
        std = max(std, 0.5 * near)
        if better is not None:
            lobes_agree, line = better.same_lobe, better.line_s
            moved = abs(better.offset_s - offset)
            if moved <= near or not better.same_lobe:
                offset, std = better.offset_s, better.std_s
            else:
                # Reflections bend the phase: the straight line may correct the peak, not replace it.
                std = max(std, moved)
    return Reading(
        home=home,
        other=other,
        curve=curve,
        offset_s=offset,
        std_s=std,
        lobes_agree=lobes_agree,
        confirmed=line < 0.25 / rate,
        explained_db=explained_in(one, its, offset, rate) + quieter_db if stands else 0.0,
    )


def _tested_in_take(recording: Recording, curve: PhaseCurve, pair: tuple[int, int], whole: int) -> PhaseCurve:
    """Return the curve with what the mains leave of it read from the whole of a short take."""
    take = recording.read(0, recording.n_samples, pair)
    without, share = left_in_take(
        take[0],
        take[1],
        whole,
        sign=curve.sign,
        sample_rate_hz=recording.sample_rate_hz,
        band_hz=BAND_HZ,
    )
    # The curve's own chance level is low by the weights' choice and the window, see `MIN_SIGNIFICANCE`.
    scaled = without * math.sqrt(3 * BINS_ALIKE)
    return replace(curve, significance_without_mains=scaled, share_without_mains=share)


def _refined(
    recording: Recording, frames: HomeFrames, curve: PhaseCurve, whole: int, other: int
) -> JointDelay | None:
    """Delay from the home track's frames, or from all of the take where that tells the same more sharply."""
    rate = frames.sample_rate_hz
    narrow = curve.rival > MAX_RIVAL or curve.significance < SURE_SIGNIFICANCE

    def joint(windows: tuple[Samples, Samples]) -> JointDelay | None:
        return joint_delay(
            *windows,
            whole,
            offset_s=curve.offset_s,
            sign=curve.sign,
            sample_rate_hz=rate,
            lobes_s=LOBES_MS * 1e-3 if narrow else 0.0,
        )

    own = _frame_windows(frames, other, whole, recording.n_samples)
    best = joint(own) if len(own[0]) else None
    n_pairs = len(recording.track_names) * (len(recording.track_names) - 1) // 2
    more = joint(
        take_windows(
            recording, (frames.home, other), whole, frames.size, MOST_TAKE_WINDOWS // max(1, n_pairs)
        )
    )
    if best is None or more is None:
        return best or more
    apart = abs(more.offset_s - best.offset_s) > 3.0 * math.hypot(more.std_s, best.std_s)
    return best if apart or best.std_s <= more.std_s else more


def _frame_windows(frames: HomeFrames, other: int, whole: int, n_samples: int) -> tuple[Samples, Samples]:
    """Half-overlapping windows of both tracks in the chosen frames, the other's later by ``whole`` samples.

    Windows that reach beyond the take on either track are left out: one would hold what the other lacks.
    """
    size, margin = frames.size, frames.margin
    starts = frames.chosen * size - margin
    one, its = frames.audio_of(frames.home), frames.audio_of(other)
    pieces: list[tuple[Samples, Samples]] = []
    for at in (margin - size // 2, margin):
        if min(at, at + whole) < 0:
            continue
        begin = starts + at + min(0, whole)
        inside = (begin >= 0) & (begin + size + abs(whole) <= n_samples)
        later = slice(at + whole, at + whole + size)
        pieces.append((one[inside, at : at + size], its[inside, later]))
    return np.concatenate([a for a, _ in pieces]), np.concatenate([b for _, b in pieces])
