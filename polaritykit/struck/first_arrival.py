"""The hits of one source to one first arrival per track, with its spread.

Each track is whitened by a predictor fitted to the sound just before each hit, so that what still
rings (earlier drums, cymbals, hum) is taken away and what is *new* stands out.  Every sample of every
hit then casts a bounded vote for its sign, and the votes are averaged over hits: what the hits share
stays, what overlaps them by chance cancels, and no single hit can outvote the rest.  The first arrival
is where the variance of the averaged votes changes.

Conventions
-----------
arrival
    seconds after the hit's own reference time (the pick on the source's home track); later is positive.
windows
    ``(n_hits, n_tracks, n_samples)``; the reference time of every hit lies at the same sample.

References
----------
Change of variance picked with the Akaike criterion: Maeda, N. (1985), Zisin 38, 365-379; here a variant of
his form, with variances about zero and the number of samples on either side as weights.
Autoregressive whitening before it: Sleeman, R. & van Eck, T. (1999), Phys. Earth Planet. Inter. 113,
265-275.
Stacks in which each trace has a bounded say: Schimmel, M. & Paulssen, H. (1997), Geophys. J. Int. 130,
497-505.
(All three cited from memory.)
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats, read_only

#: Order of the predictor that whitens; 12 to 40 do alike.
ORDER = 24
#: The predictor is fitted to this much sound ...
NOISE_MS = 25.0
#: ... that ends this long before the earliest possible arrival.
NOISE_GAP_MS = 1.2
#: Tracks may hear the source this much before its home track (electronic delay of the home track).
EARLIEST_MS = 15.0
#: Tracks may hear it this much later: 20 m of path, or a digital link and less path.
LATEST_MS = 60.0
#: The home track's own pick is looked for from this long before its onset frame.
_HOME_SEARCH_MS = 3.0
#: Its window ends this much later than that of averaged votes: single hits begin up to an onset frame
#: apart.
_HOME_LATER_MS = 1.0
#: Smoothing of the envelope that ends the picking window.
_ENVELOPE_MS = 0.3
#: The window ends where the log envelope has climbed this share from noise to top ...
_CLIMB = 0.75
#: ... plus this.
_AFTER_CLIMB_MS = 0.5
#: Whitening does not chase what lies this far below the hit itself: without it the top octaves of a
#: quiet recording, which no two hits share, would decide, and a near mic would be picked at a precursor
#: that lies under the noise of a far one.
_FLOOR_DB = -20.0
#: Averaged votes below this are taken for chance on every track alike: a quiet near mic would else be
#: picked at a faint forerunner that the noise of a far one hides.
_VOTES_FLOOR = 0.05
#: Picks from resampled sets of hits, for the spread.
_BOOTSTRAPS = 16
#: Resampled picks within this of the pick agree with it.
_AGREE_MS = 0.25

_TINY = 1e-20
#: A variance of fewer samples than this says nothing.
_FEWEST = 12


@dataclass(frozen=True, kw_only=True)
class Arrivals:
    """First arrivals of one source on all tracks, shape (n_tracks,) each unless said."""

    #: Seconds after the hit's reference time.
    arrival_s: Floats
    #: Robust standard deviation of the pick over bootstrapped sets of hits, seconds.
    spread_s: Floats
    #: Share of bootstrapped picks within ``agree_ms`` of the pick.
    stability: Floats
    #: Mean size of the averaged votes over the first millisecond: 1 when all hits agree, about 1/sqrt(n) by
    #: chance.
    coherence: Floats
    #: Energy after the arrival over the noise before it, whitened, dB (median over hits).
    snr_db: Floats
    #: Pick lies at the edge of the search.
    at_edge: NDArray[np.bool_]
    #: Averaged votes, shape (n_tracks, n_samples).
    votes: Floats


def whiten(windows: Floats, noise: slice, order: int, floor: Floats) -> Floats:
    """Filter each row with the prediction-error filter fitted to its own ``noise`` stretch.

    Parameters
    ----------
    windows : ndarray, shape (..., n_samples)
    noise : slice
        Samples before the sound arrives.
    order : int
        Order of the predictor.
    floor : ndarray, shape (..., 1)
        White noise (root-mean-square) assumed in addition, so that the filter does not chase what lies
        far below the sound itself.

    Returns
    -------
    ndarray, shape (..., n_samples)
        Residual, in units of its root-mean-square over ``noise`` (floor included); the first ``order``
        samples are zero.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    fit = windows[..., noise]
    fit = fit - fit.mean(axis=-1, keepdims=True)
    n_fit = fit.shape[-1]
    taper, size = np.hanning(n_fit), next_fast_len(n_fit + order, real=True)
    spectrum = rfft(fit * taper, size, axis=-1)
    correlation = irfft(spectrum.real**2 + spectrum.imag**2, size, axis=-1)[..., : order + 1]
    # The tiny share keeps pure tones solvable, the tiny constant digital silence.
    correlation[..., 0] = correlation[..., 0] * (1 + 1e-6) + floor[..., 0] ** 2 * np.sum(taper**2) + _TINY
    lags = np.abs(np.subtract.outer(np.arange(order), np.arange(order)))
    predictor = np.linalg.solve(correlation[..., lags], correlation[..., 1:, None])[..., 0]
    residual = windows - _predicted(windows, predictor)
    residual[..., :order] = 0.0
    gain = 1.0 + np.sum(predictor**2, axis=-1, keepdims=True)
    scale = np.sqrt(np.mean(residual[..., noise] ** 2, axis=-1, keepdims=True) + floor**2 * gain)
    residual /= np.maximum(scale, 1e-12)
    return residual


def _predicted(windows: Floats, predictor: Floats) -> Floats:
    """Predict each row's samples from those before them; shapes (..., n_samples) and (..., order).

    Stretches as long as the predictor follow from themselves and the stretch before by two triangular
    Toeplitz matrices of its coefficients, which is several times as fast as one convolution a row.
    """
    n, order = windows.shape[-1], predictor.shape[-1]
    rows = windows.shape[:-1]
    sound = np.zeros((*rows, order * (-(-n // order) + 1)))
    sound[..., order : order + n] = windows
    sound = sound.reshape(*rows, -1, order)
    # What sample j of a stretch takes from sample i of its own, j - i later, and of the one before; zeros
    # follow the coefficients, and lie before them as negative places are counted from the end.
    coefficients = np.concatenate([predictor, np.zeros((*rows, order))], axis=-1)
    later = np.subtract.outer(-np.arange(order), -np.arange(order))
    found = sound[..., 1:, :] @ coefficients[..., later - 1]
    found += sound[..., :-1, :] @ coefficients[..., later + order - 1]
    return np.reshape(found, (*rows, -1))[..., :n]


def akaike(energy: Floats, first: int, last: NDArray[np.int64], asked_from: int = 0) -> Floats:
    """Akaike criterion of a change of variance at each sample of ``[first, last)``.

    Parameters
    ----------
    energy : ndarray, shape (..., n_samples)
        The squared trace.
    first : int
    last : ndarray of int, shape (...,)
        End of each row's window.
    asked_from : int
        Changes before this sample are not asked for.

    Returns
    -------
    ndarray, shape (..., n_samples)
        Infinite outside the window, and where it is not asked for.
    """
    value = np.full(energy.shape, np.inf)
    # Only what is asked for inside the widest window is worth a logarithm.
    stop, fewest = int(last.max()), max(_FEWEST, asked_from - first)
    inside = np.cumsum(energy[..., first:stop], axis=-1)
    end = (last - first)[..., None]
    whole = np.take_along_axis(inside, end - 1, axis=-1)
    left = np.arange(fewest, stop - first)
    right = np.maximum(end - left, 1)
    before = inside[..., fewest - 1 : -1]
    found = left * np.log(np.maximum(before / left, _TINY))
    found += right * np.log(np.maximum((whole - before) / right, _TINY))
    found[end - left < _FEWEST] = np.inf
    value[..., first + fewest : stop] = found
    return value


def window_end(energy: Floats, first: int, sample_rate_hz: int) -> NDArray[np.int64]:
    """End of the picking window per row: soon after the log envelope has climbed most of its way.

    Parameters
    ----------
    energy : ndarray, shape (..., n_samples)
        The squared trace.
    first : int
        Sample at which the window begins.
    sample_rate_hz : int

    Returns
    -------
    ndarray of int, shape (...,)
    """
    from scipy.ndimage import uniform_filter1d

    width = max(3, round(_ENVELOPE_MS * 1e-3 * sample_rate_hz))
    envelope = np.maximum(uniform_filter1d(energy, width, axis=-1, mode="constant")[..., first:], 1e-6)
    before = envelope[..., : max(4, round(0.002 * sample_rate_hz))]
    floor = np.log(before).mean(axis=-1, keepdims=True)
    top = np.log(envelope.max(axis=-1, keepdims=True))
    climbed = np.argmax(envelope >= np.exp(floor + _CLIMB * (top - floor)), axis=-1)
    end = first + climbed + round(_AFTER_CLIMB_MS * 1e-3 * sample_rate_hz)
    return np.asarray(np.clip(end, first + 2 * _FEWEST, energy.shape[-1] - 1))


def _samples(milliseconds: float, sample_rate_hz: int) -> int:
    return round(milliseconds * 1e-3 * sample_rate_hz)


def _floor(windows: Floats, zero: int, sample_rate_hz: int) -> Floats:
    """Level of the hit on each track, lowered: what lies further down is not worth chasing."""
    stretch = windows[
        ..., max(0, zero - _samples(2.0, sample_rate_hz)) : zero + _samples(30.0, sample_rate_hz)
    ]
    level = np.sqrt(np.mean(stretch**2, axis=-1, keepdims=True))
    return np.asarray(level * 10 ** (_FLOOR_DB / 20))


def pick_home(windows: Floats, zero: int, sample_rate_hz: int) -> NDArray[np.int64]:
    """Pick each hit on its home track alone.

    Parameters
    ----------
    windows : ndarray, shape (n_hits, n_samples)
        The home track, its onset frame at sample ``zero``.
    zero, sample_rate_hz : int

    Returns
    -------
    ndarray of int, shape (n_hits,)
        Sample of the pick in each window.
    """
    first = zero - _samples(_HOME_SEARCH_MS, sample_rate_hz)
    noise = slice(max(0, first - _samples(NOISE_MS, sample_rate_hz)), first)
    residual = whiten(windows, noise, ORDER, 0.0 * windows[..., :1])
    end = window_end(np.median(residual**2, axis=0), first, sample_rate_hz)
    end = np.minimum(end + _samples(_HOME_LATER_MS, sample_rate_hz), windows.shape[-1] - 1)
    return np.asarray(np.argmin(akaike(residual**2, first, np.full(len(windows), end)), axis=-1))


def _pick(votes: Floats, first: int, sample_rate_hz: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Sample of the first arrival on averaged votes (..., n_samples), and the end of its window."""
    energy = votes**2 + _VOTES_FLOOR**2
    end = window_end(energy, first - _samples(NOISE_GAP_MS, sample_rate_hz), sample_rate_hz)
    value = akaike(energy, max(0, first - _samples(10.0, sample_rate_hz)), end, first)
    # A window that ends before the search begins leaves nothing to choose: the pick is then at its edge.
    return np.where(np.isfinite(value).any(axis=-1), np.argmin(value, axis=-1), first), end


def pick_arrivals(windows: Floats, zero: int, sample_rate_hz: int) -> Arrivals:
    """Pick the first arrival of one source on each track, over all its hits.

    Parameters
    ----------
    windows : ndarray, shape (n_hits, n_tracks, n_samples)
        Cut so that the home track's pick lies at sample ``zero`` of every hit.
    zero : int
        Sample of the reference time.
    sample_rate_hz : int

    Returns
    -------
    Arrivals
    """
    first = zero - _samples(EARLIEST_MS, sample_rate_hz)
    noise_end = first - _samples(NOISE_GAP_MS, sample_rate_hz)
    noise = slice(max(0, noise_end - _samples(NOISE_MS, sample_rate_hz)), noise_end)
    floor = _floor(windows, zero, sample_rate_hz)
    # Single precision is enough for a vote.
    residual, cast = np.empty_like(windows), np.empty(windows.shape, np.float32)
    # One hit at a time: what is worked out of it stays in the cache.
    for number, hit in enumerate(windows):
        residual[number] = whiten(hit, noise, ORDER, floor[number])
        cast[number] = np.tanh(residual[number].astype(np.float32))
    votes = cast.mean(axis=0, dtype=np.float64)
    pick, end = _pick(votes, first, sample_rate_hz)
    # The seed is fixed so that the same take always gives the same answer.
    draws = np.random.default_rng(0).multinomial(len(cast), np.full(len(cast), 1 / len(cast)), _BOOTSTRAPS)
    others = (draws / len(cast)).astype(np.float32) @ cast.reshape(len(cast), -1)
    # One at a time: what is worked out of it stays in the cache.
    picks = np.stack(
        [_pick(other.reshape(votes.shape).astype(np.float64), first, sample_rate_hz)[0] for other in others]
    )
    away = np.abs(picks - pick)
    after = np.minimum(pick[:, None] + np.arange(_samples(1.0, sample_rate_hz)), votes.shape[-1] - 1)
    edge = _samples(0.15, sample_rate_hz)
    return Arrivals(
        arrival_s=read_only((pick - zero) / sample_rate_hz),
        spread_s=read_only(np.maximum(1.4826 * np.median(away, axis=0), 0.3) / sample_rate_hz),
        stability=read_only((away <= _AGREE_MS * 1e-3 * sample_rate_hz).mean(axis=0)),
        coherence=read_only(np.abs(np.take_along_axis(votes, after, axis=-1)).mean(axis=-1)),
        snr_db=read_only(_snr(residual, pick, noise, sample_rate_hz)),
        at_edge=(pick <= first + edge) | (pick >= end - _FEWEST),
        votes=read_only(votes),
    )


def _snr(residual: Floats, pick: NDArray[np.int64], noise: slice, sample_rate_hz: int) -> Floats:
    before = np.mean(residual[..., noise] ** 2, axis=-1)
    index = np.minimum(pick[:, None] + np.arange(_samples(5.0, sample_rate_hz)), residual.shape[-1] - 1)
    after = np.take_along_axis(residual, np.broadcast_to(index, (len(residual), *index.shape)), axis=-1)
    ratio = np.mean(after**2, axis=-1) / np.maximum(before, _TINY)
    return np.asarray(np.median(10 * np.log10(np.maximum(ratio, _TINY)), axis=0))
