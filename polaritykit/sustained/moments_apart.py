"""Two tracks at moments that are far apart: how high their correlation stands there, where nothing is shared.

Moments go round within a run of frames, so that the sums over its frames of all of them are one circular
correlation; in single precision, for their heights are only held against one another.

Conventions: as in `polaritykit.sustained.whole_take`.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.hann import BINS_ALIKE, INDEPENDENT_FRAMES
from polaritykit.base.types import Complexes, Floats
from polaritykit.sustained.take_frames import APART, FINE, TakePlan

#: What moments that are not simultaneous show above that counts so much.
_FAR_WORTH = 2.0
_FAR_DEVIATIONS = 3.5
#: Of the powers of moments far apart, what single precision leaves (1e-7) and some more.
_ROUNDED = 1e-6
#: Every so many-th moment is looked at first.
_IN_TURN = 3
#: Smallest number of single precision that is no denormal.
_LEAST = 1.2e-38

Spectra = NDArray[np.complex64]


@dataclass(frozen=True, kw_only=True)
class Turned:
    """Frames of one track, transformed along the frames of each run."""

    #: Of the spectra, (n_runs, run, n_bins).
    spectra: Spectra
    #: Of their powers, (n_runs, run // 2 + 1, n_bins).
    powers: Spectra

    @property
    def nbytes(self) -> int:
        """What it takes of memory."""
        return self.spectra.nbytes + self.powers.nbytes


def turned(spectra: Complexes | Spectra, run: int) -> Turned:
    """Transform the frames of one track.

    Parameters
    ----------
    spectra : ndarray, shape (n_frames, n_bins)
        Run after run.
    run : int
        Frames of one.

    Returns
    -------
    Turned
    """
    from scipy.fft import fft, rfft

    in_runs = np.asarray(spectra, np.complex64).reshape(-1, run, spectra.shape[-1])
    return Turned(spectra=fft(in_runs, axis=1), powers=rfft(np.square(np.abs(in_runs)), axis=1))


@dataclass(frozen=True, kw_only=True)
class MomentsApart:
    """Sums over the frames of moments far apart, (n_moments, n_bins), in units of chance (n_moments, …)."""

    plan: TakePlan
    total: Spectra
    #: Shape (n_moments, n_weightings).
    chance: Floats
    weights: Floats | NDArray[np.float32]
    #: Lags to a sample.
    fine: int

    @classmethod
    def of(
        cls,
        plan: TakePlan,
        one: Turned,
        other: Turned,
        weights: Floats | NDArray[np.float32],
        fine: int = FINE,
    ) -> "MomentsApart":
        """Add up two tracks at moments that are not simultaneous.

        Parameters
        ----------
        plan : TakePlan
        one, other : Turned
        weights : ndarray, shape (n_weightings, n_bins)
        fine : int
            Lags to a sample; with fewer, peaks between them are missed and less is asked for.
        """
        from scipy.fft import ifft, irfft

        moments = slice(APART, plan.run - APART + 1)
        total = ifft(_summed(one.spectra, other.spectra), axis=0)[moments]
        power = irfft(_summed(one.powers, other.powers), plan.run, axis=0)[moments]
        squared = power @ (weights.T**2) * (BINS_ALIKE / (2.0 * INDEPENDENT_FRAMES))
        # Where nothing sounds together at some distance, only rounding is left.
        chance = np.sqrt(np.maximum(squared, _ROUNDED * squared.max(axis=0)))
        return cls(plan=plan, total=total, chance=chance, weights=weights, fine=fine)

    def needed(self, by_chance: Floats, weighting: int, enough: float) -> float:
        """Height asked for in view of these moments.

        Held notes scatter more than independent frames would, and notes in one key make peaks of their own.

        Parameters
        ----------
        by_chance : ndarray, shape (n_weightings,)
            Heights that chance seldom exceeds.
        weighting : int
            Of the peak that is judged.
        enough : float
            Its height: more need not be told.

        Returns
        -------
        float
            Where it is above `enough`, perhaps less than it would be.
        """
        # The peak's own weighting asks for no more than all of them do.
        tall, spread = self.heights(weighting, enough)
        if tall.max() > enough:
            return float(tall.max())
        asked = float(by_chance[weighting]) * spread
        # In units of what each weighting asks for: the peak's own height is held against the highest of them.
        highest = tall / asked
        if asked * float(highest.mean()) > enough:
            return asked * float(highest.mean())
        for another in range(len(by_chance)):
            if asked * _beyond(highest) > enough:
                return asked * _beyond(highest)
            if another != weighting:
                tall, spread = self.heights(another)
                highest = np.maximum(highest, tall / (float(by_chance[another]) * spread))
        usual = float(highest.mean() + _FAR_DEVIATIONS * highest.std())
        return asked * max(_beyond(highest), usual)

    def heights(self, weighting: int, enough: float = math.inf) -> tuple[Floats, float]:
        """Highest peak of each moment under a weighting, and how much wider than chance all lags lie.

        Some moments are looked at first: where one of them has a peak above `enough`, the others are not.
        """
        from scipy.fft import irfft

        plan, chance, weight = self.plan, self.chance[:, weighting], self.weights[weighting]
        size, reach = plan.size * self.fine, plan.reach * self.fine // FINE
        tall, energy = np.zeros(len(chance)), 0.0
        for first in range(_IN_TURN):
            some = slice(first, None, _IN_TURN)
            spectra = np.zeros((len(chance[some]), size // 2 + 1), np.complex64)
            scaled = weight * (size / 2) / np.maximum(chance[some], _LEAST)[:, None]
            np.multiply(scaled, self.total[some], out=spectra[:, plan.low : plan.high], casting="same_kind")
            full = irfft(spectra, axis=-1, overwrite_x=True)
            for curves in (full[:, -reach:], full[:, : reach + 1]):
                energy += float(np.square(curves).sum(dtype=np.float64))
                highest = np.maximum(curves.max(axis=1), -curves.min(axis=1))
                tall[some] = np.maximum(tall[some], highest)
            if tall.max() > enough:
                break
        return tall, max(1.0, math.sqrt(energy / (len(chance) * (2 * reach + 1))))


def _beyond(far: Floats) -> float:
    return 1.0 + _FAR_WORTH * max(0.0, float(far.max()) - 1.0)


def _summed(one: Spectra, other: Spectra) -> Spectra:
    """Sum over runs of conj(one)·other: run by run, so that what is at hand stays in the cache."""
    total, held = np.zeros(one.shape[1:], np.complex64), np.empty(one.shape[1:], np.complex64)
    for first, second in zip(one, other, strict=True):
        np.conj(first, out=held)
        np.multiply(held, second, out=held)
        total += held
    return total
