"""One pass over a recording: levels, pooled spectra, onsets and activity, each sample read once.

Conventions: as in the modules that take the blocks.
"""

from dataclasses import dataclass

import numpy as np

from polaritykit.base.listeners import Listener, Listeners, LostError, in_copies, in_threads
from polaritykit.base.spans import Span, common_span, spans_of
from polaritykit.base.types import BLOCK_SAMPLES, Floats, Progress, Recording, Samples
from polaritykit.evidence.settings import Settings
from polaritykit.evidence.spread import listened_s
from polaritykit.levels.headroom import MOST_SUMMED
from polaritykit.levels.meter import LevelMeter, TrackLevels
from polaritykit.levels.settings import LevelSettings
from polaritykit.spectra.pool import Spectra, SpectrumPool, hop_for
from polaritykit.struck.onsets import OnsetDetector
from polaritykit.sustained.activity import ActivityMeter, frame_samples

#: Frame of the pooled spectra, samples at up to 48 kHz (twice that at twice the rate).
_FFT_SIZE = 8192
#: Frames pooled into the spectra: a few minutes' worth, spread over the take, tell a take of any length.
_MOST_FRAMES = 2048
#: The sum of all tracks is kept up to this length, 60 MB: five minutes.
_MOST_SUM_SAMPLES = 1.5e7
#: Cross-spectra of all pairs take so much at most: of up to 90 tracks in full.
_MATRIX_BYTES = 5.4e8


@dataclass(frozen=True, kw_only=True)
class FirstPass:
    """What one pass over all samples tells."""

    levels: tuple[TrackLevels, ...]
    spectra: Spectra
    #: Has heard the whole recording.
    onsets: OnsetDetector
    #: Level of each track in frames, dB, shape (n_frames, n_tracks).
    activity_db: Floats
    #: Length of such a frame.
    frame_samples: int
    #: Sum of all tracks as recorded, shape (n_samples,), where it is asked for and takes little memory.
    plain_sum: Samples | None = None
    #: Tracks that are sums of others: they say nothing that those do not.
    sums: frozenset[int] = frozenset()

    @property
    def usable(self) -> list[bool]:
        """Whether each track is neither silent, nor a copy of another, nor a sum of others."""
        return [
            number not in self.sums and not {"silent", "duplicate"} & set(track.faults)
            for number, track in enumerate(self.levels)
        ]


def read_first_pass(recording: Recording, settings: Settings, progress: Progress) -> FirstPass:
    """Read a recording once.

    Parameters
    ----------
    recording : Recording
    settings : Settings
    progress : callable
        Called with the stage and the share of it done.

    Returns
    -------
    FirstPass
    """
    try:
        with in_copies(_listeners(recording, settings), _block_shape(recording)) as listeners:
            return _read(recording, listeners, progress)
    except LostError:
        with in_threads(_listeners(recording, settings)) as listeners:
            return _read(recording, listeners, progress)


def _read(recording: Recording, listeners: Listeners, progress: Progress) -> FirstPass:
    pool, common = _pool(recording), common_span(spans_of(recording))
    plain_sum = _room_for_sum(recording)
    for start, block in recording.blocks(BLOCK_SAMPLES):
        listeners.hear(start, block)
        pool.update(_within(common, start, block))
        if plain_sum is not None:
            np.add.reduce(block, axis=0, out=plain_sum[start : start + block.shape[1]])
        listeners.wait()
        progress("listening", min(1.0, (start + block.shape[1]) / max(recording.n_samples, 1)))
    levels, (onsets, activity_db) = listeners.told()
    return FirstPass(
        levels=levels,
        spectra=pool.result(),
        onsets=onsets,
        activity_db=activity_db,
        frame_samples=frame_samples(recording.n_samples, recording.sample_rate_hz),
        plain_sum=plain_sum,
    )


def _room_for_sum(recording: Recording) -> Samples | None:
    """Where the sum of all tracks goes; None where its peak is not looked for, or it would take too much."""
    n = recording.n_samples
    asked = listened_s(recording) is None and len(recording.track_names) * n <= MOST_SUMMED
    return np.zeros(n, np.float32) if asked and n <= _MOST_SUM_SAMPLES else None


def _block_shape(recording: Recording) -> tuple[int, int]:
    return len(recording.track_names), min(BLOCK_SAMPLES, recording.n_samples)


def _listeners(recording: Recording, settings: Settings) -> list[Listener]:
    """Make what hears every sample of each track by itself, in shares of about the same work."""
    names, rate = recording.track_names, recording.sample_rate_hz
    meter = _Levels(names, spans_of(recording), rate, settings.levels)
    onsets = OnsetDetector(len(names), rate)
    activity = ActivityMeter(len(names), recording.n_samples, rate)
    listened = 0

    def hear(start: int, block: Samples) -> None:
        nonlocal listened
        if start > listened:
            onsets.jump(start)
            activity.jump(start)
        listened = start + block.shape[1]
        onsets.update(block)
        activity.update(block)

    def told() -> tuple[OnsetDetector, Floats]:
        onsets.onsets()  # searched to the end here, not by whoever is told
        return onsets, activity.levels_db()

    return [Listener(hear=meter.update, told=meter.result), Listener(hear=hear, told=told)]


def pooled_spectra(recording: Recording) -> Spectra:
    """Pool the spectra of a recording where all tracks have sound, as an analysis does."""
    pool, common = _pool(recording), common_span(spans_of(recording))
    for start, block in recording.blocks(BLOCK_SAMPLES):
        pool.update(_within(common, start, block))
    return pool.result()


def _within(span: Span, start: int, block: Samples) -> Samples:
    """Give the part of a block from sample `start` on that lies in a span."""
    first, stop = (min(max(at - start, 0), block.shape[1]) for at in span)
    return block[:, first:stop]


class _Levels:
    """Meters for tracks that do not all sound as long: each is measured where it lies."""

    def __init__(
        self, names: tuple[str, ...], spans: tuple[Span, ...], rate_hz: int, settings: LevelSettings
    ) -> None:
        rows: dict[Span, list[int]] = {}
        for row, span in enumerate(spans):
            rows.setdefault(span, []).append(row)
        self._meters = [
            (span, some, LevelMeter([names[row] for row in some], rate_hz, settings))
            for span, some in rows.items()
        ]
        self._n_tracks = len(names)

    def update(self, start: int, block: Samples) -> None:
        """Take in the next samples of all tracks, the first of them the recording's sample `start`."""
        for span, rows, meter in self._meters:
            part = _within(span, start, block)
            if part.shape[1]:
                meter.update(part if len(rows) == self._n_tracks else part[rows])

    def result(self) -> tuple[TrackLevels, ...]:
        levels: dict[int, TrackLevels] = {}
        for _, rows, meter in self._meters:
            levels.update(zip(rows, meter.result(), strict=True))
        return tuple(levels[row] for row in range(self._n_tracks))


def fft_size_for(n_samples: int, sample_rate_hz: int, n_tracks: int) -> int:
    """Frame of the pooled spectra: doubled at double rates, shorter in a short take and for many tracks.

    Parameters
    ----------
    n_samples, sample_rate_hz, n_tracks : int
        Of the recording.

    Returns
    -------
    int
        Samples, a power of two.
    """
    size = _FFT_SIZE * (2 if sample_rate_hz > 50_000 else 1) * (2 if sample_rate_hz > 100_000 else 1)
    while size > 256 and (size * 4 > n_samples or 8 * size * n_tracks**2 > _MATRIX_BYTES):
        size //= 2
    return size


def _pool(recording: Recording) -> SpectrumPool:
    rate = recording.sample_rate_hz
    first, stop = common_span(spans_of(recording))
    size = fft_size_for(stop - first, rate, len(recording.track_names))
    part_s = listened_s(recording)
    listened = stop - first if part_s is None else min(stop - first, round(part_s * rate))
    return SpectrumPool(
        len(recording.track_names), rate, size, hop_samples=hop_for(listened, size, _MOST_FRAMES)
    )
