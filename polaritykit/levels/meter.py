"""Levels and level faults of all tracks in one pass over the audio.

Conventions: blocks are ``(n_tracks, n)`` float32, 1.0 is full scale, finite; levels are
``20·log10`` of amplitude.  RMS is plain (a full-scale sine reads -3.01 dBFS; AES17 meters add 3.01 dB).
A level that does not exist (digital silence) is None.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from polaritykit.base.types import Floats, Samples
from polaritykit.levels.clipping import ClipDetector, Clipping
from polaritykit.levels.duplicates import DuplicateFinder
from polaritykit.levels.hum import Hum, HumDetector
from polaritykit.levels.settings import LevelSettings
from polaritykit.levels.tiles import Tiles
from polaritykit.levels.true_peak import CONTEXT, STRETCH, TruePeakMeter


@dataclass(frozen=True, kw_only=True)
class TrackLevels:
    """Levels and level faults of one track."""

    peak_dbfs: float | None
    true_peak_dbtp: float | None
    rms_dbfs: float | None
    crest_db: float | None
    noise_floor_dbfs: float | None
    #: Mean of the samples as a fraction of full scale.
    dc_offset: float
    clipped_runs: int
    clipped_samples: int
    #: Level of the flat tops: well below 0 means clipped first and turned down later; None without any.
    clip_dbfs: float | None = None
    #: Mains frequency found (50 or 60), or None.
    hum_hz: float | None
    #: Level of the hum's harmonics together.
    hum_dbfs: float | None
    #: Name of an earlier track this one copies (up to gain and sign), or None.
    duplicate_of: str | None
    #: ``clipped``, ``true_peak_over``, ``silent``, ``dc_offset``, ``duplicate``, ``hum``, ``not_finite``.
    faults: tuple[str, ...]


#: Rate the hum detector works at, about; and taps of its low-pass per output sample and input frame.
_LOW_RATE_HZ = 1000
_SEGMENTS = 6
#: Tracks measured together: large enough to keep Python out of the way.
_TRACKS_AT_ONCE = 12
#: Histogram of short-term levels.
_LOWEST_DB, _HIGHEST_DB, _BINS_PER_DB = -200.0, 20.0, 4
#: Short-term levels that make one mean for the standard error of the DC offset (32 × 40 ms).
_TILES_PER_MEAN = 32
#: Fault ``dc_offset``: mean above 0.1 % of full scale (-60 dBFS, common practice) and above this many
#: standard errors of the means of 1.3 s, so that a short take of a low note is not blamed.
_DC_OFFSET_LIMIT = 1e-3
_DC_STANDARD_ERRORS = 4.0
#: Noise floor: this percentile of the levels of 40 ms (digital silence left out), so that pauses making up a
#: twentieth of the take are enough.
_NOISE_FLOOR_PERCENTILE = 5.0
#: Silent when the peak stays under this (the 16th bit is -90 dBFS) ...
_SILENT_PEAK_DBFS = -80.0
#: ... or when the RMS is under the first and 90 % of the levels of 40 ms lie within the second: an open input
#: hears at least the room change.
_SILENT_RMS_DBFS = -60.0
_SILENT_RANGE_DB = 1.5
#: Fault ``hum`` when its lines together come within this of the track's own RMS.
_HUM_BELOW_RMS_DB = 40.0


class LevelMeter:
    """Measures every track while blocks go by; memory does not grow with the length of the take.

    (Hum keeps 72 bytes a second and track, a 2600th of the audio.)

    Parameters
    ----------
    track_names : sequence of str
        Names in the order of the rows.
    sample_rate_hz : int
        Common sample rate.
    settings : LevelSettings, optional
        Thresholds.
    """

    def __init__(
        self, track_names: Sequence[str], sample_rate_hz: int, settings: LevelSettings | None = None
    ) -> None:
        self._names = tuple(track_names)
        settings = settings or LevelSettings()
        self._parts = [
            (rows, _SomeTracks(len(range(len(self._names))[rows]), sample_rate_hz, settings))
            for rows in (
                slice(first, first + _TRACKS_AT_ONCE) for first in range(0, len(self._names), _TRACKS_AT_ONCE)
            )
        ]
        self._duplicates = DuplicateFinder(len(self._names))
        self._result: tuple[TrackLevels, ...] | None = None

    def update(self, block: Samples) -> None:
        """Take in the next samples of all tracks, shape ``(n_tracks, n)``, any n."""
        self._duplicates.update(block)
        for rows, part in self._parts:
            part.update(block[rows])

    def result(self) -> tuple[TrackLevels, ...]:
        """Return the levels of every track; nothing may be added afterwards."""
        if self._result is None:
            originals = self._duplicates.originals(10 ** (_SILENT_PEAK_DBFS / 10))
            copy_of = [None if original is None else self._names[original] for original in originals]
            self._result = tuple(track for rows, part in self._parts for track in part.result(copy_of[rows]))
        return self._result


class _SomeTracks:
    """The meters of a few tracks."""

    def __init__(self, n_tracks: int, sample_rate_hz: int, settings: LevelSettings) -> None:
        self._settings = settings
        self._frame = max(1, round(sample_rate_hz / _LOW_RATE_HZ))
        self._tile = STRETCH * self._frame  # 40 ms
        self._tiles = Tiles(n_tracks, self._tile, CONTEXT)
        self._n_samples = 0
        self._filter = _decimator(self._frame)
        self._tails = np.zeros((_SEGMENTS, n_tracks, _SEGMENTS - 1), dtype=np.float32)
        self._true_peak = TruePeakMeter(n_tracks)
        self._clipping = ClipDetector(n_tracks)
        self._hum = HumDetector(n_tracks, sample_rate_hz / self._frame)
        self._peak = np.zeros(n_tracks)
        self._sum = np.zeros(n_tracks)
        self._energy = np.zeros(n_tracks)
        self._means = _Means(n_tracks)
        self._histogram = np.zeros(
            (n_tracks, round((_HIGHEST_DB - _LOWEST_DB) * _BINS_PER_DB)), dtype=np.int64
        )

    def update(self, block: Samples) -> None:
        """Take in the next samples, shape ``(n_tracks, n)``, any n."""
        self._n_samples += block.shape[1]
        for samples in self._tiles.cut(block):
            self._measure(samples)

    def result(self, copy_of: Sequence[str | None]) -> list[TrackLevels]:
        """Return the levels of each track, given what it copies; nothing may be added afterwards."""
        for samples in self._tiles.last():
            self._measure(samples)
        found = zip(copy_of, self._hum.result(), self._clipping.result(), strict=True)
        return [self._track(number, *told) for number, told in enumerate(found)]

    def _measure(self, samples: Samples) -> None:
        """Measure whole tiles, given with what is around them."""
        inside = samples[:, CONTEXT:-CONTEXT]
        tiles = inside.reshape(len(inside), -1, self._tile)
        lowest, highest = tiles.min(axis=2), tiles.max(axis=2)
        peaks = np.maximum(highest, -lowest)
        np.maximum(self._peak, peaks.max(axis=1), out=self._peak)
        self._true_peak.update(samples, self._tile, peaks)
        self._clipping.update(samples, CONTEXT, self._tile, lowest, highest)
        sums = self._low_band(inside)
        self._short_term(tiles, sums.reshape(len(inside), tiles.shape[1], -1).sum(axis=2))

    def _low_band(self, inside: Samples) -> Floats:
        """Feed the hum detector; return the sum of each frame, shape (n_tracks, n_frames)."""
        frames = inside.reshape(len(inside), -1, self._frame)
        products = frames @ self._filter
        parts = np.empty((_SEGMENTS, len(inside), _SEGMENTS - 1 + frames.shape[1]), dtype=np.float32)
        parts[:, :, : _SEGMENTS - 1] = self._tails
        parts[:, :, _SEGMENTS - 1 :] = products[:, :, :_SEGMENTS].transpose(2, 0, 1)
        self._tails = parts[:, :, frames.shape[1] :].copy()
        low = np.zeros((len(inside), frames.shape[1]), dtype=np.float32)
        for segment, part in enumerate(parts):
            first = _SEGMENTS - 1 - segment
            low += part[:, first : first + frames.shape[1]]
        self._hum.update(low)
        return products[:, :, _SEGMENTS].astype(np.float64)

    def _short_term(self, tiles: Samples, sums: Floats) -> None:
        """Accumulate sums, energies and the histogram of short-term levels (without their mean)."""
        energies = (tiles[:, :, None] @ tiles[..., None])[:, :, 0, 0].astype(np.float64)
        self._sum += sums.sum(axis=1)
        self._energy += energies.sum(axis=1)
        means = sums / self._tile
        self._means.update(means)
        powers = energies / self._tile - means**2
        # Below float32's own rounding of the mean square there is nothing to measure.
        track, tile = np.nonzero(powers > energies / self._tile * 1e-5)
        place = ((10 * np.log10(powers[track, tile]) - _LOWEST_DB) * _BINS_PER_DB).astype(np.intp)
        np.add.at(self._histogram, (track, np.clip(place, 0, self._histogram.shape[1] - 1)), 1)

    def _track(self, number: int, copy_of: str | None, hum: Hum | None, clip: Clipping) -> TrackLevels:
        count = max(1, self._n_samples)
        peak = float(self._peak[number])
        true_peak = float(self._true_peak.peaks[number])
        rms = float(np.sqrt(self._energy[number] / count))
        dc_offset = float(self._sum[number] / count)
        rms_db = _decibels(rms)
        hum_fault = hum is not None and hum.level_dbfs >= (rms_db or 0.0) - _HUM_BELOW_RMS_DB
        true_peak_db = _decibels(true_peak)
        faults = {
            "clipped": clip.runs > 0,
            "true_peak_over": (true_peak_db or -np.inf) > self._settings.true_peak_limit_dbtp,
            "silent": self._is_silent(number, peak, dc_offset, rms),
            "dc_offset": abs(dc_offset) >= _DC_OFFSET_LIMIT
            and self._means.is_steady(number, dc_offset, _DC_STANDARD_ERRORS),
            "duplicate": copy_of is not None,
            "hum": hum_fault,
        }
        return TrackLevels(
            peak_dbfs=_decibels(peak),
            true_peak_dbtp=true_peak_db,
            rms_dbfs=rms_db,
            crest_db=20 * float(np.log10(peak / rms)) if rms > 0 else None,
            noise_floor_dbfs=self._percentile(number, _NOISE_FLOOR_PERCENTILE),
            dc_offset=dc_offset,
            clipped_runs=clip.runs,
            clipped_samples=clip.samples,
            clip_dbfs=None if clip.ceiling is None else _decibels(clip.ceiling),
            hum_hz=None if hum is None else hum.mains_hz,
            hum_dbfs=None if hum is None else hum.level_dbfs,
            duplicate_of=copy_of,
            faults=tuple(name for name, found in faults.items() if found),
        )

    def _percentile(self, number: int, percentile: float) -> float | None:
        """Short-term level that the given percentage of the audible tiles stays under."""
        counts = np.cumsum(self._histogram[number])
        if counts[-1] == 0:
            return None
        place = int(np.searchsorted(counts, max(1.0, counts[-1] * percentile / 100)))
        return _LOWEST_DB + (place + 0.5) / _BINS_PER_DB

    def _is_silent(self, number: int, peak: float, dc_offset: float, rms: float) -> bool:
        """Nothing there, or an open input: steady noise far down."""
        if peak - abs(dc_offset) < 10 ** (_SILENT_PEAK_DBFS / 20):
            return True
        low, high = self._percentile(number, 5.0), self._percentile(number, 95.0)
        if low is None or high is None:
            return True
        swing = np.sqrt(max(0.0, rms**2 - dc_offset**2))
        return bool(swing < 10 ** (_SILENT_RMS_DBFS / 20) and high - low < _SILENT_RANGE_DB)


class _Means:
    """Means over some tiles, and how much they vary: the standard error of the DC offset."""

    def __init__(self, n_tracks: int) -> None:
        self._pending = np.zeros((n_tracks, 0))
        self._count = 0
        self._sum = np.zeros(n_tracks)
        self._squares = np.zeros(n_tracks)

    def update(self, means: Floats) -> None:
        self._pending = np.concatenate([self._pending, means], axis=1)
        groups = self._pending.shape[1] // _TILES_PER_MEAN
        used = groups * _TILES_PER_MEAN
        grouped = self._pending[:, :used].reshape(len(means), groups, _TILES_PER_MEAN).mean(axis=2)
        self._pending = self._pending[:, used:]
        self._count += groups
        self._sum += grouped.sum(axis=1)
        self._squares += (grouped**2).sum(axis=1)

    def is_steady(self, number: int, mean: float, standard_errors: float) -> bool:
        """Whether the mean is that many standard errors away from zero (of tiles, in a short take)."""
        if self._count >= 3:
            count, total, squares = self._count, self._sum[number], self._squares[number]
        else:
            tiles = self._pending[number]
            count, total, squares = max(2, len(tiles)), tiles.sum(), (tiles**2).sum()
        variance = max(0.0, float(squares / count - (total / count) ** 2)) * count / (count - 1)
        return abs(mean) >= standard_errors * float(np.sqrt(variance / count))


def _decimator(frame: int) -> Samples:
    """Low-pass to 260 Hz, cut so that one matrix product filters and decimates by ``frame``.

    Column ``j`` holds the taps that weigh the frame ``j`` frames back, latest sample last; the last
    column sums the frame.
    """
    length = _SEGMENTS * frame
    time = np.arange(length) - (length - 1) / 2
    taps = np.sinc(time / frame) * np.kaiser(length, 4.5)
    taps /= taps.sum()
    columns = taps.reshape(_SEGMENTS, frame)[:, ::-1].T
    return np.column_stack([columns, np.ones(frame)]).astype(np.float32)


def _decibels(amplitude: float) -> float | None:
    return 20 * float(np.log10(amplitude)) if amplitude > 0 else None
