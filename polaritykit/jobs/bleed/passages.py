"""Passages in which one of two leaking sources is alone, from the level ratio of the two microphones.

While one source is alone the ratio of its own mic to the other stands at its extreme in every octave; when
both sound it lies between, differently in each octave.

Conventions: track 0 is the main mic, track 1 the leaky one; powers are mean squares per octave.
"""

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.octaves import OCTAVES_HZ as ALL_OCTAVES_HZ
from polaritykit.base.octaves import octave_bins
from polaritykit.base.types import Floats, Recording
from polaritykit.jobs.bleed.findings import BleedPassages

#: Octaves reported: the outermost hold too little of either source.
OCTAVES_HZ = ALL_OCTAVES_HZ[1:-1]
#: Frames in which the sources are looked for one at a time: a syllable or a note.
_FRAME_S = 0.085
#: An octave has sound this far over its noise, and within this of its loudest frames.
_ABOVE_NOISE_DB, _ACTIVE_RANGE_DB = 10.0, 40.0
#: Noise is the 5th percentile of the frames, if that lies this far under their 90th.
_NOISE_BELOW_DB = 30.0
#: Octaves below are too few bins for a ratio of one frame.
_VOTE_FROM_HZ = 100.0
#: Level ratio of the two mics while one source is alone: this percentile of all frames, and its mirror.
_EXTREME_PERCENTILE = 95.0
#: The two extremes must lie this far apart, or the octave cannot tell the sources.
_LEAST_GAP_DB = 6.0
#: A frame is alone when its ratio comes within this of the extreme (or a quarter of the gap) ...
_NEAR_DB = 3.0
#: ... in this share of its octaves ...
_SHARE = 0.75
#: ... for this long at least, and this long in all.
_LEAST_PASSAGE_S = 0.25
LEAST_TOTAL_S = 1.0
_BLOCK_FRAMES = 64
#: Frames left out at the start of a passage.
_RINGING_FRAMES = 1

Flags = NDArray[np.bool_]


def find_passages(recording: Recording) -> BleedPassages:
    """Find where each source is alone, and the noise of both mics.

    Parameters
    ----------
    recording : Recording
        Two tracks, main and leaky.

    Returns
    -------
    BleedPassages
        Either list may be empty.
    """
    size = 2 ** round(np.log2(_FRAME_S * recording.sample_rate_hz))
    power, cross = _octave_powers(recording, size)
    noise = _noise(power)
    main_alone, leaky_alone = _alone(power, noise)
    frame_s = size / recording.sample_rate_hz
    whole = power.sum(axis=2) / max(1, power.shape[2])
    return BleedPassages(
        main_alone_s=_runs(main_alone, frame_s),
        leaky_alone_s=_runs(leaky_alone, frame_s),
        noise_main=tuple(noise[0].tolist()),
        noise_leaky=tuple(noise[1].tolist()),
        whole_main=tuple(whole[0].tolist()),
        whole_leaky=tuple(whole[1].tolist()),
        whole_cross=tuple(cross.tolist()),
    )


def bins_of_octaves(frequency_hz: Floats) -> list[Flags]:
    """Bins of each octave of `OCTAVES_HZ`."""
    return [octave_bins(frequency_hz, centre_hz) for centre_hz in OCTAVES_HZ]


def _octave_powers(recording: Recording, size: int) -> tuple[Floats, Floats]:
    """Mean square per track, octave and frame ``(2, n_octaves, n_frames)``; mean cross power per octave."""
    from scipy import fft

    window = np.hanning(size + 1)[:-1].astype(np.float32)
    scale = 2.0 / (size * float(np.sum(window.astype(np.float64) ** 2)))
    bins = bins_of_octaves(fft.rfftfreq(size, 1.0 / recording.sample_rate_hz))
    powers: list[Floats] = []
    cross = np.zeros(len(bins))
    for _, block in recording.blocks(size * _BLOCK_FRAMES):
        n_frames = block.shape[1] // size
        frames = block[:, : n_frames * size].reshape(2, n_frames, size)
        spectrum = fft.rfft(frames * window, axis=-1)
        product = (spectrum[0].conj() * spectrum[1]).real.sum(axis=0, dtype=np.float64)
        cross += [product[chosen].sum() for chosen in bins]
        square = np.abs(spectrum) ** 2
        powers.append(np.stack([square[..., chosen].sum(axis=-1) for chosen in bins], axis=1) * scale)
    power = np.concatenate(powers, axis=2).astype(np.float64)
    return power, cross * scale / max(1, power.shape[2])


def _noise(power: Floats) -> Floats:
    """Noise power per track and octave; zero where the take is never silent."""
    if power.shape[2] == 0:
        return np.zeros(power.shape[:2])
    low, high = np.percentile(power, (5.0, 90.0), axis=2)
    silent = low < high * 10.0 ** (-_NOISE_BELOW_DB / 10.0)
    noise: Floats = np.where(silent, low, 0.0)
    return noise


def _alone(power: Floats, noise: Floats) -> tuple[Flags, Flags]:
    """Per frame: main's source alone, leaky's source alone."""
    n_frames = power.shape[2]
    votes = np.zeros((2, n_frames))
    voters = np.zeros(n_frames)
    for octave, centre_hz in enumerate(OCTAVES_HZ):
        main, leaky = power[:, octave]
        total = main + leaky
        active = (total > 10.0 ** (_ABOVE_NOISE_DB / 10.0) * noise[:, octave].sum()) & (
            total > total.max(initial=0.0) * 10.0 ** (-_ACTIVE_RANGE_DB / 10.0)
        )
        if centre_hz < _VOTE_FROM_HZ or np.count_nonzero(active) < 10:
            continue
        ratio_db = 10.0 * np.log10(np.maximum(main, 1e-30) / np.maximum(leaky, 1e-30))
        low, high = np.percentile(ratio_db[active], (100.0 - _EXTREME_PERCENTILE, _EXTREME_PERCENTILE))
        if high - low < _LEAST_GAP_DB:
            continue
        margin = max(_NEAR_DB, 0.25 * (high - low))
        voters += active
        votes[0] += active & (ratio_db > high - margin)
        votes[1] += active & (ratio_db < low + margin)
    enough = voters >= 2.0
    main_alone, leaky_alone = enough & (votes >= _SHARE * voters)
    return main_alone, leaky_alone


def _runs(alone: Flags, frame_s: float) -> tuple[tuple[float, float], ...]:
    """Give the runs of frames long enough; nothing when there is too little in all."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], alone, [False]]).astype(np.int8)))
    runs = [
        (float(first * frame_s), float(last * frame_s))
        # The other source still rings in the room when a passage begins.
        for first, last in edges.reshape(-1, 2) + np.array([_RINGING_FRAMES, 0])
        if (last - first) * frame_s >= _LEAST_PASSAGE_S
    ]
    return tuple(runs) if sum(end - start for start, end in runs) >= LEAST_TOTAL_S else ()
