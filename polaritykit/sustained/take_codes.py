"""Whitened spectra of a whole take, of all tracks at once: two bytes for each bin of each frame.

A look at all pairs of very many tracks wants all spectra side by side, and need not be exact: a byte for the
phase and one for the logarithm of the size leave an error 37 dB below each bin (uniform over 1/256 turn,
0.7 %, and over 0.4 dB, 1.3 %), which is like a noise of the tracks' own.

Conventions: as in `polaritykit.sustained.whole_take`; codes are the byte of the size above that of the phase.
"""

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.cores import on_cores
from polaritykit.base.types import Floats, Recording
from polaritykit.sustained.take_frames import TakeFrames, TakePlan, read_take

#: Sizes that have a code of their own: from so far below a whitened frame's root mean square to the most that
#: one bin of two thousand can hold of it.
_LOWEST_DB, _HIGHEST_DB = -62.0, 38.0
_CODES = 256
#: Cells of a grid across the unit circle.
_CIRCLE = 256
#: Of each size and phase.
BYTES_OF_BIN = 2
#: Tracks read together: of a file with many channels all are decoded for one.
_TOGETHER = 16
#: Errors of two tracks' sizes and phases, as a noise in units of what chance gives: 0.014·√2.
ROUGH = 0.02

Spectra = NDArray[np.complex64]


@dataclass(frozen=True, kw_only=True)
class TakeCodes:
    """Spectra of the frames of a take, coded."""

    #: Tracks that were read, in session order.
    tracks: tuple[int, ...]
    #: Shape (n_tracks_read, n_bins, n_frames): the first frames of all runs, then the second ones.
    codes: NDArray[np.uint16]
    #: Mean power before whitening over that of the track's strongest bin, (n_tracks_read, n_bins).
    power: NDArray[np.float32]
    plan: TakePlan

    def spectra(self, rows: slice | int, bins: slice) -> Spectra:
        """Of some tracks and bins, (…, n_bins, n_frames)."""
        codes = self.codes[rows, bins]
        found = np.empty(codes.shape, np.complex64)
        _look_up(_tables()[0], codes, found)
        return found

    def frames(self, rows: tuple[int, ...]) -> TakeFrames:
        """Of some tracks, as they were in their runs."""
        n_bins, n_frames = self.codes.shape[1:]
        spectra = np.empty((n_frames, len(rows), n_bins), np.complex64)
        for place, row in enumerate(rows):
            # Two bytes are put in order sooner than eight.
            in_runs = self.codes[row].reshape(n_bins, self.plan.run, -1).transpose(2, 1, 0)
            coded = np.ascontiguousarray(in_runs, np.uint16).reshape(n_frames, n_bins)
            _look_up(_tables()[0], coded, spectra[:, place])
        return TakeFrames(tracks=rows, spectra=spectra, power=self.power[list(rows)], plan=self.plan)

    def sizes(self, rows: slice | int, bins: slice) -> NDArray[np.float32]:
        """Return the powers of the same."""
        codes = np.asarray(self.codes[rows, bins] >> 8, np.uint16)
        found = np.empty(codes.shape, np.float32)
        _look_up(_tables()[1], codes, found)
        return found


def read_codes(recording: Recording, plan: TakePlan, tracks: tuple[int, ...]) -> TakeCodes:
    """Read the frames of a take once, and code their spectra.

    Parameters
    ----------
    recording : Recording
    plan : TakePlan
    tracks : tuple of int
        In session order.

    Returns
    -------
    TakeCodes
    """
    n_bins, runs = plan.high - plan.low, len(plan.starts)
    codes = np.empty((len(tracks), n_bins, runs * plan.run), np.uint16)
    power = np.empty((len(tracks), n_bins), np.float32)

    for begin in range(0, len(tracks), _TOGETHER):
        take = read_take(recording, plan, tracks[begin : begin + _TOGETHER])

        def code(own: int, take: TakeFrames = take, begin: int = begin) -> None:
            mean = np.asarray(take.power[own])
            power[begin + own] = mean / max(float(mean.max()), 1e-30)
            coded = np.empty((runs, plan.run, n_bins), np.uint16)
            # Run by run: what is worked out of one stays in the cache.
            for number, its in enumerate(coded):
                its[:] = _coded(np.asarray(take.spectra[number * plan.run :][: plan.run, own], np.complex64))
            codes[begin + own] = coded.transpose(2, 1, 0).reshape(n_bins, -1)

        for _ in on_cores(code, range(len(take.tracks))):
            pass
    return TakeCodes(tracks=tracks, codes=codes, power=power, plan=plan)


def _look_up(table: NDArray[Any], codes: NDArray[np.uint16], found: NDArray[Any]) -> None:
    """Look up codes row by row: what numpy makes of them for that stays in the cache."""
    for own, row in zip(found, codes, strict=True):
        table.take(row, out=own, mode="clip")


def _coded(spectra: Spectra) -> NDArray[np.uint16]:
    power = np.square(spectra.real) + np.square(spectra.imag)
    step = np.float32((_HIGHEST_DB - _LOWEST_DB) / (_CODES - 2) * np.log(10.0) / 10.0)
    lowest = np.float32(_LOWEST_DB * np.log(10.0) / 10.0)
    size = np.clip((np.log(np.maximum(power, np.float32(1e-30))) - lowest) / step + 1.5, 0.0, _CODES - 0.5)
    # The arc tangent takes several times as long as all else: a grid about the unit circle tells the phase to
    # a half of a code.
    unit = spectra / np.maximum(np.sqrt(power), np.float32(1e-30))
    half = np.float32(_CIRCLE / 2)
    across = np.minimum(unit.real * half + half, _CIRCLE - 1).astype(np.uint16)
    up = np.minimum(unit.imag * half + half, _CIRCLE - 1).astype(np.uint16)
    return np.asarray(size.astype(np.uint16) << 8 | _phases()[up * np.uint16(_CIRCLE) + across])


@cache
def _phases() -> NDArray[np.uint16]:
    """Phase of each cell of a grid about the unit circle."""
    middle = (np.arange(_CIRCLE) + 0.5) / (_CIRCLE / 2) - 1.0
    angle = np.arctan2(middle[:, None], middle).ravel()
    return np.asarray(np.round(angle * (_CODES / (2.0 * np.pi))).astype(np.int16) & 0xFF, np.uint16)


@cache
def _tables() -> tuple[Spectra, Floats | NDArray[np.float32]]:
    """Value of each code, and power of each size."""
    step_db = (_HIGHEST_DB - _LOWEST_DB) / (_CODES - 2)
    size = 10.0 ** ((_LOWEST_DB + (np.arange(_CODES) - 1.0) * step_db) / 20.0)
    size[0] = 0.0
    phasor = np.exp(2j * np.pi * np.arange(_CODES) / _CODES)
    return np.outer(size, phasor).ravel().astype(np.complex64), np.square(size).astype(np.float32)
