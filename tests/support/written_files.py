"""Audio files of noise, and a recording read from end to end."""

import numpy as np
import soundfile

RATE = 48_000


def noise(n, channels=1, seed=0):
    """White noise, well below full scale."""
    shape = (n,) if channels == 1 else (n, channels)
    return np.random.default_rng(seed).uniform(-0.5, 0.5, shape)


def write(path, samples, rate=RATE, **how):
    """Write one file through libsndfile, in small portions (its Vorbis writer needs that)."""
    channels = 1 if samples.ndim == 1 else samples.shape[1]
    with soundfile.SoundFile(path, "w", rate, channels, **how) as file:
        for start in range(0, len(samples), 4096):
            file.write(samples[start : start + 4096])
    return path


def streamed(recording, block_samples):
    """Everything that `blocks` yields, joined, after checking the starts."""
    pieces = []
    position = 0
    for start, block in recording.blocks(block_samples):
        assert start == position
        position += block.shape[1]
        pieces.append(block)
    return np.concatenate(pieces, axis=1)
