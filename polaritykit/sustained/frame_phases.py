"""Phases of all tracks in the frames that homes are read in: transformed once, kept small.

A session of n tracks has n² readings of a home with another track.  What all of them start from is the phase
of every bin in every frame: a whole number of two bytes, whose differences are those of the two tracks.

Conventions: as in `polaritykit.sustained.phase_curve`; a whole turn is 65536.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats, Recording, Samples
from polaritykit.base.windows import over_windows
from polaritykit.sustained.activity import choose_frames, frame_samples
from polaritykit.sustained.frames import spectra_of
from polaritykit.sustained.phase_curve import BAND_HZ, BIN_RANGE_DB

#: Phases kept at a time, two bytes each; homes whose frames hold more are read one group after another.
_BYTES = 2.5e8
_BIN_BYTES = 2
_TURN = 1 << 16
#: Tracks read together: their powers, in half precision, are kept until the bins are chosen.
_TRACKS = 64
#: Frames looked up together.
_FRAMES = 8


@dataclass(frozen=True, kw_only=True)
class FramePhases:
    """Phases in the frames of some homes, and which bins count in each of them."""

    homes: tuple[int, ...]
    #: Frames of each home as places in `phase`, and in the take.
    rows: tuple[NDArray[np.int64], ...]
    chosen: tuple[NDArray[np.int64], ...]
    #: Shape (n_frames, n_tracks, n_bins), of the band's bins.
    phase: NDArray[np.uint16]
    #: Whether a track holds anything in a frame, shape (n_frames, n_tracks).
    sounds: NDArray[np.bool_]
    #: Bins in which a track has sound in a home's frames, shape (n_homes, n_tracks, n_bins).
    audible: NDArray[np.bool_]
    #: First bin of the band.
    first: int
    #: Samples of a frame.
    size: int
    sample_rate_hz: int

    @property
    def frequency_hz(self) -> Floats:
        """Of each bin, shape (n_bins,)."""
        bins = self.first + np.arange(self.phase.shape[2])
        return np.asarray(bins * self.sample_rate_hz / self.size)

    def times_s(self, place: int) -> Floats:
        """Middle of each frame of a home."""
        return np.asarray((self.chosen[place] + 0.5) * self.size / self.sample_rate_hz)

    def phasors(self, place: int, others: Sequence[int]) -> NDArray[np.complex64]:
        """Return the unit cross-spectra of a home with other tracks in its frames.

        Parameters
        ----------
        place : int
            Of the home in `homes`.
        others : sequence of int

        Returns
        -------
        ndarray, shape (n_frames, n_others, n_bins)
            Zero where one of the two is silent.
        """
        rows, home = self.rows[place][:, None], self.homes[place]
        turned = self.phase[rows, list(others)] - self.phase[rows, home]
        found = np.empty(turned.shape, np.complex64)
        # Some frames at a time: what numpy makes of their phases to look them up stays in the cache.
        for first in range(0, len(turned), _FRAMES):
            some = slice(first, first + _FRAMES)
            _unit_circle().take(turned[some], out=found[some], mode="clip")
        both = self.sounds[rows, list(others)] & self.sounds[rows, home]
        if not both.all():
            found *= both[..., None]
        return found


def frame_phases(recording: Recording, levels_db: Floats, homes: Sequence[int]) -> Iterator[FramePhases]:
    """Read the phases in the frames of all homes, as many homes at a time as the memory allows.

    Parameters
    ----------
    recording : Recording
    levels_db : ndarray, shape (n_frames, n_tracks)
        From `polaritykit.sustained.activity.ActivityMeter`.
    homes : sequence of int
        Those of which fewer than two frames are chosen say nothing.

    Yields
    ------
    FramePhases
        All homes in their order, once each.
    """
    rate, n_tracks = recording.sample_rate_hz, len(recording.track_names)
    size = frame_samples(recording.n_samples, rate)
    first, stop = _band(size, rate)
    most = max(1, int(_BYTES / (_BIN_BYTES * n_tracks * max(1, stop - first))))
    group: list[tuple[int, NDArray[np.int64]]] = []
    frames: set[int] = set()
    for home in homes:
        chosen = choose_frames(levels_db, home)
        chosen = chosen if len(chosen) > 1 else chosen[:0]
        if group and len(frames | set(chosen.tolist())) > most:
            yield _read(recording, group, size, first, stop)
            group, frames = [], set()
        group.append((home, chosen))
        frames |= set(chosen.tolist())
    if group:
        yield _read(recording, group, size, first, stop)


def _band(size: int, rate_hz: int) -> tuple[int, int]:
    """First bin of the band and the one after its last."""
    frequency = np.arange(size // 2 + 1) * rate_hz / size
    inside = np.flatnonzero((frequency >= BAND_HZ[0]) & (frequency <= BAND_HZ[1]))
    return (int(inside[0]), int(inside[-1]) + 1) if len(inside) else (0, 0)


def _read(
    recording: Recording, group: list[tuple[int, NDArray[np.int64]]], size: int, first: int, stop: int
) -> FramePhases:
    frames = np.unique(np.concatenate([chosen for _, chosen in group]))
    rows = tuple(np.searchsorted(frames, chosen) for _, chosen in group)
    n_tracks, n_bins = len(recording.track_names), stop - first
    phase = np.empty((len(frames), n_tracks, n_bins), np.uint16)
    top = np.empty((len(frames), n_tracks), np.float64)
    audible = np.empty((len(rows), n_tracks, n_bins), np.bool_)
    for begin in range(0, n_tracks, _TRACKS):
        tracks = tuple(range(begin, min(begin + _TRACKS, n_tracks)))
        here = slice(begin, begin + len(tracks))
        power = np.empty((len(frames), len(tracks), n_bins), np.float16)

        def read(
            row: int,
            sound: Samples,
            here: slice = here,
            power: NDArray[np.float16] = power,
        ) -> None:
            spectra = spectra_of(sound, size)[:, first:stop]
            own = np.abs(spectra) ** 2
            top[row, here] = own.max(axis=1, initial=0.0)
            # Half precision holds eleven digits below each frame's own strongest bin; the frames' are told
            # apart.
            power[row] = 6e4 * own / np.maximum(top[row, here], 1e-300)[:, None]
            turns = np.round(np.angle(spectra) * (_TURN / (2.0 * np.pi)))
            phase[row, here] = turns.astype(np.int32).astype(np.uint16)

        windows = [(at * size, (at + 1) * size) for at in frames.tolist()]
        over_windows(read, recording, windows, tracks, in_place=True)
        audible[:, here] = _audible(power, top[:, here], rows)
    return FramePhases(
        homes=tuple(home for home, _ in group),
        rows=rows,
        chosen=tuple(chosen for _, chosen in group),
        phase=phase,
        sounds=top > 0.0,
        audible=audible,
        first=first,
        size=size,
        sample_rate_hz=recording.sample_rate_hz,
    )


def _audible(power: NDArray[np.float16], top: Floats, rows: Sequence[NDArray[np.int64]]) -> NDArray[np.bool_]:
    """Bins whose mean power over a home's frames lies within the range below the track's strongest one."""
    n_frames, n_tracks, n_bins = power.shape
    member = np.zeros((len(rows), n_frames), np.float32)
    for place, own in enumerate(rows):
        member[place, own] = 1.0
    found = np.empty((len(rows), n_tracks, n_bins), np.bool_)
    for track in range(n_tracks):
        scale = (top[:, track] / max(float(top[:, track].max(initial=0.0)), 1e-300)).astype(np.float32)
        mean = member @ (power[:, track].astype(np.float32) * scale[:, None])
        found[:, track] = mean >= mean.max(axis=1, initial=0.0)[:, None] * 10.0 ** (-BIN_RANGE_DB / 10.0)
    return found


@cache
def _unit_circle() -> NDArray[np.complex64]:
    """Return a whole turn in steps of a phase."""
    return np.asarray(np.exp(2j * np.pi * np.arange(_TURN) / _TURN), np.complex64)
