"""Windows of one source's hits to a signed vote for every pair of tracks.

The sign is read twice by different means: a normalised correlation of the first milliseconds, hit by
hit, in the band where near and far mics agree; and the averaged, whitened, bounded votes.

Conventions
-----------
A positive sign for (a, b) says that the two hear this source with the same polarity at their arrivals.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.arrival import Arrivals
from polaritykit.records import Floats, read_only
from polaritykit.settings import EvidenceSettings


@dataclass(frozen=True, kw_only=True)
class HitSigns:
    """Signs of one source for all pairs; arrays (n_tracks, n_tracks), [a, b]."""

    #: Mean over hits of the signed correlation of the direct sound at its best lag.
    correlation: Floats
    #: Its mean over its standard error.
    t_value: Floats
    #: Signed correlation of the averaged votes.
    votes: Floats
    #: Lag of the correlation's best value about the difference of the arrivals, seconds, antisymmetric.
    lag_s: Floats


def band_pass(windows: Floats, band_hz: tuple[float, float], sample_rate_hz: int) -> Floats:
    """Causal second-order Butterworth band-pass along the last axis."""
    from scipy.signal import butter, sosfilt

    sections = butter(2, band_hz, btype="bandpass", fs=sample_rate_hz, output="sos")
    return np.asarray(sosfilt(sections, windows, axis=-1))


def low_pass(windows: NDArray[np.floating], top_hz: float, sample_rate_hz: int) -> Floats:
    """Causal fourth-order Butterworth low-pass along the last axis; as it is where the rate leaves no room.

    Near the end of the band converters ring *before* the sound (linear-phase filters); a near mic would be
    picked at that ringing, a far one not.
    """
    from scipy.signal import butter, sosfilt

    if top_hz >= 0.45 * sample_rate_hz:
        return windows.astype(np.float64)
    sections = butter(4, top_hz, btype="lowpass", fs=sample_rate_hz, output="sos")
    return np.asarray(sosfilt(sections, windows, axis=-1))


def _cut(windows: Floats, starts: NDArray[np.int64], length: int) -> Floats:
    """Cut ``length`` samples at a start per track from (..., n_tracks, n_samples)."""
    index = np.clip(starts[:, None] + np.arange(length), 0, windows.shape[-1] - 1)
    return np.take_along_axis(windows, np.broadcast_to(index, (*windows.shape[:-2], *index.shape)), axis=-1)


def _correlations(windows: Floats, picks: NDArray[np.int64], before: int, length: int, reach: int) -> Floats:
    """Normalised correlation of every pair of tracks at lags -reach..reach about their picks.

    ``windows`` (n_hits, n_tracks, n_samples); returns (n_hits, n_tracks, n_tracks, 2·reach + 1).
    """
    template = _cut(windows, picks - before, length)
    template = template / np.maximum(np.linalg.norm(template, axis=-1, keepdims=True), 1e-12)
    longer = _cut(windows, picks - before - reach, length + 2 * reach)
    sliding = np.lib.stride_tricks.sliding_window_view(longer, length, axis=-1)
    norms = np.maximum(np.linalg.norm(sliding, axis=-1), 1e-12)
    n_tracks = windows.shape[1]
    out = np.empty((len(windows), n_tracks, n_tracks, 2 * reach + 1))
    for b in range(n_tracks):
        out[:, :, b] = template @ np.swapaxes(sliding[:, b] / norms[:, b, :, None], -1, -2)
    # Template a on b, and template b on a with time reversed, are two readings of one thing.
    return np.asarray(0.5 * (out + out.transpose(0, 2, 1, 3)[..., ::-1]))


def read_signs(
    windows: Floats, zero: int, arrivals: Arrivals, sample_rate_hz: int, settings: EvidenceSettings
) -> HitSigns:
    """Read the sign of every pair from the windows of one source's hits.

    Parameters
    ----------
    windows : ndarray, shape (n_hits, n_tracks, n_samples)
    zero : int
        Sample of the reference time.
    arrivals : Arrivals
    sample_rate_hz : int
    settings : EvidenceSettings

    Returns
    -------
    HitSigns
    """

    def samples(milliseconds: float) -> int:
        return round(milliseconds * 1e-3 * sample_rate_hz)

    picks = zero + np.round(arrivals.arrival_s * sample_rate_hz).astype(np.int64)
    direct = _correlations(
        band_pass(windows, settings.sign_band_hz, sample_rate_hz),
        picks,
        samples(settings.sign_before_ms),
        samples(settings.sign_before_ms + settings.sign_after_ms),
        samples(settings.sign_search_ms),
    )
    mean = direct.mean(axis=0)
    best = np.argmax(np.abs(mean), axis=-1)[..., None]
    at_best = np.take_along_axis(direct, np.broadcast_to(best, (len(direct), *best.shape)), axis=-1)[..., 0]
    value = at_best.mean(axis=0)
    error = at_best.std(axis=0, ddof=1) / np.sqrt(len(direct))
    votes = _correlations(
        arrivals.votes[None],
        picks,
        samples(settings.votes_before_ms),
        samples(settings.votes_before_ms + settings.votes_after_ms),
        samples(settings.votes_search_ms),
    )[0]
    second = np.take_along_axis(votes, np.argmax(np.abs(votes), axis=-1)[..., None], axis=-1)[..., 0]
    return HitSigns(
        correlation=read_only(value),
        t_value=read_only(np.abs(value) / np.maximum(error, 1e-9)),
        votes=read_only(second),
        lag_s=read_only(_lag(mean, best[..., 0]) / sample_rate_hz),
    )


def _lag(mean: Floats, best: NDArray[np.int64]) -> Floats:
    """Vertex of the parabola about the best lag, in samples from the middle, made antisymmetric."""
    reach = (mean.shape[-1] - 1) // 2
    inner = np.clip(best, 1, mean.shape[-1] - 2)
    left, middle, right = (
        np.abs(np.take_along_axis(mean, (inner + step)[..., None], axis=-1)[..., 0]) for step in (-1, 0, 1)
    )
    bend = left - 2 * middle + right
    bent = np.abs(bend) > 1e-12
    vertex = np.where(bent, 0.5 * (left - right) / np.where(bent, bend, 1.0), 0.0)
    lag = inner - reach + np.clip(vertex, -0.5, 0.5)
    return np.asarray(0.5 * (lag - lag.T))
