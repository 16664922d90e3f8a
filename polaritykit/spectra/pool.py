"""Pooled auto- and cross-spectra of all pairs, streamed: each track is transformed once per block.

Memory does not grow with the length of the take, and the products of all pairs are one batched matrix
product, so that 24 tracks (276 pairs) cost about as much again as their Fourier transforms alone.

Conventions
-----------
cross-spectrum
    ``cross(a, b)`` is the mean of conj(X_a)·X_b.  When b hears the sound later by τ its phase is −2πfτ.
scale
    one-sided power spectrum of a Hann-windowed signal: the bins of ``power`` add up to the mean square.
frames
    hop = one frame by default, so that every sample costs one transform.  Half a frame lowers the variance
    where frames are few (Carter, Knapp and Nuttall, IEEE Trans. AU-21, 1973) at twice the cost; more than a
    frame samples a long take evenly: beyond some thousand frames more of them change nothing one can see.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from polaritykit.base.errors import InputError, UsageError
from polaritykit.base.hann import periodic_hann
from polaritykit.base.hearing import HEARING_HZ
from polaritykit.base.types import Complexes, Floats, Samples
from polaritykit.spectra.pair_sum import energy_band
from polaritykit.spectra.records import PairSpectra

#: Samples per track transformed at once: large enough for the matrix products, small enough for cache.
_BATCH_SAMPLES = 2**18
#: ... and of all tracks together: 128 MB.
_BATCH_OF_ALL = 2**25
#: Bins per matrix product: their products for 24 tracks (300 kB) stay in the second-level cache.
_BINS_PER_PRODUCT = 64
#: Sums up to this size are laid out pair by pair, which holds them twice for a moment: of up to 60 tracks.
_TURNED_BYTES = 2e8


@dataclass(frozen=True, kw_only=True)
class Spectra:
    """Pooled spectra of all tracks and pairs.

    Attributes
    ----------
    frequency_hz : ndarray, shape (n_bins,)
        Linear grid from 0 Hz.
    power : ndarray, shape (n_tracks, n_bins)
        One-sided power per bin; full scale is 1.
    matrix : ndarray of complex, shape (n_bins, n_tracks, n_tracks)
        ``matrix[:, a, b]`` is the mean of conj(X_a)·X_b.
    n_frames : int
        Frames averaged.
    """

    sample_rate_hz: int
    fft_size: int
    frequency_hz: Floats
    power: Floats
    matrix: Complexes
    n_frames: int

    @cached_property
    def energy_bands(self) -> tuple[tuple[float, float] | None, ...]:
        """Band that carries most of each track's energy (`energy_band`)."""
        return tuple(energy_band(power, self.frequency_hz) for power in self.power)

    @cached_property
    def sound_power(self) -> Floats:
        """Power of each track from 20 Hz on: a constant voltage is no sound, nor is what no one hears."""
        return np.asarray(self.power[:, self.frequency_hz >= HEARING_HZ[0]].sum(axis=1))

    def cross(self, a: int, b: int) -> Complexes:
        """Cross-spectrum of tracks ``a`` and ``b``; phase −2πfτ when b is late by τ."""
        cross: Complexes = self.matrix[:, a, b]
        return cross

    def pair(self, a: int, b: int) -> PairSpectra:
        """Spectra of one pair, for `summing`."""
        return PairSpectra(
            frequency_hz=self.frequency_hz,
            auto_a=self.power[a],
            auto_b=self.power[b],
            cross=self.cross(a, b),
        )

    def coherence(self, a: int, b: int) -> Floats:
        """Magnitude-squared coherence per bin, 0 where a track is silent; 1 by nature for one frame."""
        product = self.power[a] * self.power[b]
        squared = np.abs(self.cross(a, b)) ** 2
        coherence: Floats = np.divide(squared, product, out=np.zeros_like(product), where=product > 0.0)
        return coherence


class SpectrumPool:
    """Collects consecutive blocks of audio into pooled spectra.

    Parameters
    ----------
    n_tracks, sample_rate_hz, fft_size : int
        ``fft_size`` is the frame length in samples, even.
    hop_samples : int, optional
        Step from frame to frame; ``fft_size`` when left out, see `hop_for`.
    max_hz : float
        Bins above are not kept.

    Raises
    ------
    UsageError
        Sizes that make no sense.

    Examples
    --------
    Track 1 hears noise 10 samples later than track 0, so its phase at 1 kHz is −2π·1000·10/48000:

    >>> import numpy as np
    >>> noise = np.random.default_rng(1).standard_normal(96010).astype("float32")
    >>> pool = SpectrumPool(2, 48000, 4800)
    >>> pool.update(np.stack([noise[10:], noise[:-10]]))
    >>> spectra = pool.result()
    >>> round(float(np.angle(spectra.cross(0, 1)[100])), 1)
    -1.3
    """

    def __init__(
        self,
        n_tracks: int,
        sample_rate_hz: int,
        fft_size: int,
        *,
        hop_samples: int | None = None,
        max_hz: float = HEARING_HZ[1],
    ) -> None:
        if n_tracks < 1 or fft_size < 2 or fft_size % 2 or (hop_samples is not None and hop_samples < 1):
            raise UsageError(
                f"Cannot pool spectra of {n_tracks} tracks in frames of {fft_size} samples every "
                f"{hop_samples}; give at least one track, an even frame and a positive hop."
            )
        self._rate, self._fft_size = sample_rate_hz, fft_size
        self._hop = hop_samples or fft_size
        self._window = periodic_hann(fft_size).astype(np.float32)
        self._n_bins = min(fft_size // 2, int(max_hz * fft_size / sample_rate_hz)) + 1
        self._batch_frames = max(16, min(_BATCH_SAMPLES, _BATCH_OF_ALL // n_tracks) // fft_size)
        #: Frames of a batch under their window, and those that begin before its last has ended.
        n_held = self._batch_frames + (fft_size - 1) // self._hop
        self._frames = np.empty((n_tracks, n_held, fft_size), np.float32)
        #: Spectra of a batch; made once, for new memory costs time.
        self._bins = np.empty((self._n_bins, n_tracks, self._batch_frames), np.complex64)
        self._sum = np.zeros((self._n_bins, n_tracks, n_tracks), np.complex128)
        self._n_heard = self._n_frames = 0

    def update(self, block: Samples) -> None:
        """Add the next samples, shape ``(n_tracks, n)``, any ``n``; what does not fill a frame is kept.

        Raises
        ------
        UsageError
            The block has another number of tracks.
        """
        if block.ndim != 2 or len(block) != len(self._frames):
            raise UsageError(
                f"A block of shape {block.shape} does not hold {len(self._frames)} tracks, one row each."
            )
        start, size = self._n_heard, self._fft_size
        self._n_heard = stop = start + block.shape[1]
        number = max(self._n_frames, (start - size) // self._hop + 1)
        while (begin := number * self._hop) < stop:
            first, last = max(begin, start), min(begin + size, stop)
            there = slice(first - begin, last - begin)
            held = self._frames[:, number - self._n_frames, there]
            np.multiply(block[:, first - start : last - start], self._window[there], out=held)
            number += 1
            if last == begin + size and number == self._n_frames + self._batch_frames:
                self._transform(self._batch_frames)

    def result(self) -> Spectra:
        """Spectra of all whole frames; audio shorter than one frame is filled up with zeros.

        The last that is asked of a pool: its sums become the spectra, for of many tracks they are large.

        Raises
        ------
        InputError
            No audio was given.
        """
        if self._n_heard == 0:
            raise InputError("There is no audio to take spectra of; the tracks are empty.")
        self._frames[:, 0, self._n_heard :] = 0.0
        n_frames = max(1, (self._n_heard - self._fft_size) // self._hop + 1)
        if n_frames > self._n_frames:
            self._transform(n_frames - self._n_frames)
        scale = np.full(self._n_bins, 2.0)
        scale[0] = 1.0
        if self._n_bins == self._fft_size // 2 + 1:
            scale[-1] = 1.0
        # 2/(N·Σw²) per bin: Bendat and Piersol, Random Data, one-sided spectrum times its bandwidth.
        energy = float(np.sum(self._window.astype(np.float64) ** 2))
        matrix, self._sum = self._sum, np.zeros((0, 0, 0), np.complex128)
        matrix *= (scale / (self._n_frames * self._fft_size * energy))[:, None, None]
        if matrix.nbytes <= _TURNED_BYTES:
            # The bins of a pair lie side by side: pairs are what is asked for.
            matrix = np.ascontiguousarray(matrix.transpose(1, 2, 0)).transpose(2, 0, 1)
        power = np.ascontiguousarray(np.einsum("kii->ik", matrix).real)
        frequency_hz: Floats = np.arange(self._n_bins, dtype=np.float64) * (self._rate / self._fft_size)
        for array in (matrix, power, frequency_hz):
            array.setflags(write=False)
        return Spectra(
            sample_rate_hz=self._rate,
            fft_size=self._fft_size,
            frequency_hz=frequency_hz,
            power=power,
            matrix=matrix,
            n_frames=self._n_frames,
        )

    def _transform(self, n_frames: int) -> None:
        """Transform the first frames held, add their products, keep what has begun of later ones."""
        from scipy import fft

        bins = self._bins[:, :, :n_frames]
        for track, frames in enumerate(self._frames[:, :n_frames]):
            # Across the frames, not along them: scipy then works on several frames per instruction.
            bins[:, track] = fft.rfft(frames.T, axis=0)[: self._n_bins]
        for first in range(0, self._n_bins, _BINS_PER_PRODUCT):
            part = bins[first : first + _BINS_PER_PRODUCT]
            # Single precision within a batch, double across batches.
            self._sum[first : first + len(part)] += part.conj() @ part.transpose(0, 2, 1)
        self._n_frames += n_frames
        begun = self._frames.shape[1] - self._batch_frames
        self._frames[:, :begun] = self._frames[:, n_frames : n_frames + begun]


def pooled(parts: Sequence[Spectra]) -> Spectra:
    """Mean of the spectra of several parts of one take (same grid), weighted by their frames."""
    n_frames = sum(part.n_frames for part in parts)
    matrix = np.sum([part.matrix * (part.n_frames / n_frames) for part in parts], axis=0)
    power = np.sum([part.power * (part.n_frames / n_frames) for part in parts], axis=0)
    return replace(parts[0], matrix=matrix, power=power, n_frames=n_frames)


def hop_for(n_samples: int, fft_size: int, max_frames: int) -> int:
    """Hop that spreads frames evenly over a take, one frame at least.

    Parameters
    ----------
    n_samples : int
        Of the take.
    fft_size : int
        Of a frame.
    max_frames : int
        Most frames.
    """
    return max(fft_size, -(-n_samples // max_frames))
