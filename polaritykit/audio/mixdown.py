"""Writes weighted sums of tracks as audio, for listening to a decision before it is taken.

Conventions: 24-bit WAV at the session's rate; the weights are chosen by the caller so that nothing clips.
"""

from pathlib import Path

import numpy as np

from polaritykit.base.file_names import opened_as
from polaritykit.base.types import BLOCK_SAMPLES, Recording
from polaritykit.base.whole_files import replacing


def write_sum(
    path: Path, recording: Recording, *, weights: tuple[float, ...], delays: tuple[int, ...]
) -> None:
    """Write one sum, streamed.

    Parameters
    ----------
    path : Path
        File to write, replaced when it is there.
    recording : Recording
        The tracks.
    weights : tuple of float
        One factor per track; negative inverts.  Absolute values that add up to 1 cannot clip.
    delays : tuple of int
        Samples by which each track is delayed; 0 or more.

    Raises
    ------
    UsageError
        The folder cannot be written to.
    """
    import soundfile

    rate_hz = recording.sample_rate_hz
    # By its path: where libsndfile calls back into Python, a full disk and Ctrl-C would be swallowed.
    with (
        replacing(path) as temporary,
        soundfile.SoundFile(opened_as(temporary), "w", rate_hz, 1, "PCM_24", format="WAV") as file,
    ):
        for start in range(0, recording.n_samples, BLOCK_SAMPLES):
            stop = min(start + BLOCK_SAMPLES, recording.n_samples)
            total = np.zeros(stop - start, np.float32)
            for track, (weight, delay) in enumerate(zip(weights, delays, strict=True)):
                total += weight * recording.read(start - delay, stop - delay, (track,))[0]
            file.write(total)
