"""One pass over a recording: levels, pooled spectra, onsets and activity, each sample read once.

Conventions: as in the modules that take the blocks.
"""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from polaritykit.base.types import BLOCK_SAMPLES, Floats, Progress, Recording
from polaritykit.evidence.settings import Settings
from polaritykit.evidence.spread import listened_s
from polaritykit.levels.meter import LevelMeter, TrackLevels
from polaritykit.spectra.pool import Spectra, SpectrumPool, hop_for
from polaritykit.struck.onsets import OnsetDetector
from polaritykit.sustained.activity import ActivityMeter

#: Frame of the pooled spectra, samples at up to 48 kHz (twice that at twice the rate).
_FFT_SIZE = 8192
#: Frames pooled into the spectra: a few minutes' worth, spread over the take, tell a take of any length.
_MOST_FRAMES = 2048


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

    @property
    def usable(self) -> list[bool]:
        """Whether each track is neither silent nor a copy of another."""
        return [not {"silent", "duplicate"} & set(track.faults) for track in self.levels]


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
    names, rate, n_samples = recording.track_names, recording.sample_rate_hz, recording.n_samples
    meter = LevelMeter(names, rate, settings.levels)
    onsets = OnsetDetector(len(names), rate)
    activity = ActivityMeter(len(names), n_samples, rate)
    pool = _pool(recording)
    listened = 0
    # Each hears the blocks in their order, whichever thread it is on: the answers are those of one thread.
    with ThreadPoolExecutor(thread_name_prefix="listen") as threads:
        for start, block in recording.blocks(BLOCK_SAMPLES):
            if start > listened:
                onsets.jump(start)
                activity.jump(start)
            listened = start + block.shape[1]
            heard = [threads.submit(hears.update, block) for hears in (meter, pool, onsets, activity)]
            for one in heard:
                one.result()
            progress("listening", min(1.0, listened / max(n_samples, 1)))
    return FirstPass(
        levels=meter.result(), spectra=pool.result(), onsets=onsets, activity_db=activity.levels_db()
    )


def pooled_spectra(recording: Recording) -> Spectra:
    """Pool the spectra of a whole recording, as an analysis does."""
    pool = _pool(recording)
    for _, block in recording.blocks(BLOCK_SAMPLES):
        pool.update(block)
    return pool.result()


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
    rate, n_samples = recording.sample_rate_hz, recording.n_samples
    size = fft_size_for(n_samples, rate, len(recording.track_names))
    part_s = listened_s(recording)
    listened = n_samples if part_s is None else round(part_s * rate)
    return SpectrumPool(
        len(recording.track_names), rate, size, hop_samples=hop_for(listened, size, _MOST_FRAMES)
    )
