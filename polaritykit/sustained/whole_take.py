"""Whether two tracks share sound at all: the whole take against the same two tracks at other moments.

Frames in runs spread over the take are correlated over a fine range of lags, under a few weightings of
the spectrum (all of it, its lower parts, as loud as it is).  A peak must stand above what chance gives, above
what frames of the two tracks give that were not recorded at the same moment (music in one key, on one beat),
and must be there in three parts of the take.

Conventions
-----------
lag
    seconds; positive when the second track hears the sound later.

References
----------
Carter, G. C., Nuttall, A. H. & Cable, P. G. (1973), Proc. IEEE 61(10), 1497-1498: the smoothed coherence
transform.  Spread of a correlation by chance: Bendat & Piersol, Random Data (page not read); its maximum
over many lags: extreme values of normal variates (from memory).
"""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.hann import BINS_ALIKE, INDEPENDENT_FRAMES
from polaritykit.base.types import Complexes, Floats
from polaritykit.sustained.mains import clear_of, resolved
from polaritykit.sustained.moments_apart import MomentsApart, turned
from polaritykit.sustained.take_frames import FINE, TakeFrames, TakePlan

#: Band in which all frequencies have the same say on a sign, or all octaves; so near to a known delay.
_PLAIN_HZ = (200.0, 4000.0)
_PLAIN_NEAR_S = 3e-3
RANGE_DB = 60.0
#: Upper ends of the weightings; the whole band and the plain power are two more.
UP_TO_HZ = (1200.0, 4000.0)
#: One pair of unrelated noises in a thousand passes.
CHANCE = 1e-3
#: Parts of the take whose heights are held against one another, within this of the lag (a drifting clock);
#: the standard deviation of eight normal values seldom exceeds this.
_PARTS = 8
_NEAR_S = 0.1e-3
_EVEN = 1.5


@dataclass(frozen=True, kw_only=True)
class Shared:
    """What the whole take shows of one pair."""

    related: bool
    lag_s: float
    sign: int
    #: Peak in units of chance, and what is asked for.
    height: float
    needed: float
    #: Largest height of the other sign, as a share of the peak.
    rival: float


def shared(take: TakeFrames, a: int, b: int) -> Shared:
    """Test one pair.

    Parameters
    ----------
    take : TakeFrames
    a, b : int

    Returns
    -------
    Shared
    """
    pair = TrackPair.of(take, a, b)
    peak = pair.highest()
    none = Shared(
        related=False, lag_s=peak.lag_s, sign=peak.sign, height=peak.height, needed=peak.needed, rival=1.0
    )
    if peak.height < peak.needed or not pair.without_mains(peak):
        return none
    # What takes less first: most pairs that stand by chance do not stand in all parts of the take.
    scatter = pair.scatter(peak)
    needed = peak.needed * scatter
    if peak.height >= needed:
        needed = pair.needed_beside(peak, peak.height / scatter) * scatter
    return Shared(
        related=peak.height >= needed,
        lag_s=peak.lag_s,
        sign=peak.sign,
        height=peak.height,
        needed=needed,
        rival=peak.rival,
    )


#: Mean agreement of an octave's phases with a sign, from -1 to 1, that speaks against it: half way between
#: none and steadily so would be one half; a source that moves seldom keeps half of that.
_AGAINST = 0.25


def plain_sign(take: TakeFrames, a: int, b: int, *, offset_s: float) -> tuple[int, float]:
    """Sign by the phase transform in which every frame and every frequency has the same say.

    A source that sounds from another place with every note (a wind instrument, a voice that turns) blurs the
    phase of what is coherent over the take; averaged over many notes the plain transform still has one sign.
    All frequencies alike and all octaves alike must give the same one.

    Parameters
    ----------
    take : TakeFrames
    a, b : int
    offset_s : float
        The peak is looked for within three milliseconds of it.

    Returns
    -------
    tuple
        Sign, 0 where the two disagree, and the largest height of the other sign as a share of the peak.
    """
    from scipy.fft import irfft

    plan = take.plan
    cross = np.conj(take.spectra_of(a)) * take.spectra_of(b)
    phasor = np.mean(cross / np.maximum(np.abs(cross), 1e-30), axis=0)
    frequency = plan.frequency_hz
    inside = (frequency >= _PLAIN_HZ[0]) & (frequency <= _PLAIN_HZ[1])
    everywhere = phasor * np.exp(2j * np.pi * frequency * offset_s)
    phasor = np.where(inside, everywhere, 0.0)
    reach = round(_PLAIN_NEAR_S * plan.sample_rate_hz)
    signs, rivals, lags = [], [], []
    for weight in (1.0, frequency[0] / frequency):
        spectrum = np.zeros(plan.size // 2 + 1, dtype=complex)
        spectrum[plan.low : plan.high] = weight * phasor
        full = irfft(spectrum)
        curve = np.concatenate([full[-reach:], full[: reach + 1]])
        top = int(np.argmax(np.abs(curve)))
        peak = float(curve[top])
        lags.append((top - reach) / plan.sample_rate_hz)
        signs.append(1 if peak > 0 else -1)
        rivals.append(max(0.0, float((-np.sign(peak) * curve).max()) / max(abs(peak), 1e-30)))
    aligned = (everywhere * np.exp(2j * np.pi * frequency * lags[0])).real
    agree = signs[0] == signs[1] and not _contradicted(signs[0] * aligned, frequency)
    return (signs[0] if agree else 0), rivals[0]


def _contradicted(agreement: Floats, frequency_hz: Floats) -> bool:
    """Whether an octave steadily has the other sign: no source that moves does that, a filter does."""
    octave = np.floor(np.log2(frequency_hz / frequency_hz[0])).astype(int)
    means = np.bincount(octave, weights=agreement) / np.bincount(octave)
    return bool((means < -_AGAINST).any())


@dataclass(frozen=True, kw_only=True)
class Peak:
    """Highest place of a pair's correlation under one weighting."""

    weighting: int
    lag_s: float
    sign: int
    height: float
    needed: float
    rival: float


@dataclass(frozen=True, kw_only=True)
class TrackPair:
    """The frames of two tracks, and what is asked of them."""

    plan: TakePlan
    one: Complexes
    other: Complexes
    powers: tuple[Floats, Floats]
    #: (n_weightings, n_bins), and the height that chance seldom exceeds under each.
    weights: Floats
    needed: Floats

    @classmethod
    def of(cls, take: TakeFrames, a: int, b: int) -> "TrackPair":
        """Take two of the tracks that were read.

        Parameters
        ----------
        take : TakeFrames
        a, b : int
        """
        plan = take.plan
        powers = take.power_of(a), take.power_of(b)
        inside = np.ones(len(plan.frequency_hz), dtype=bool)
        for power in powers:
            inside &= power >= power.max() * 10 ** (-RANGE_DB / 10)
        flat = inside.astype(np.float64)
        weights = [flat, np.sqrt(powers[0] * powers[1]) * flat]
        weights += [np.where(plan.frequency_hz <= up_to, flat, 0.0) for up_to in UP_TO_HZ]
        kept = [w / math.sqrt(float(np.sum(w**2))) for w in weights if np.count_nonzero(w) >= 4]
        stack = np.stack(kept) if kept else np.zeros((1, len(flat)))
        bin_hz = plan.sample_rate_hz / plan.size
        band_hz = stack.sum(axis=1) ** 2 * bin_hz
        lags = np.maximum(2.0 * 2.0 * plan.search_s * band_hz, 1.0)
        return cls(
            plan=plan,
            one=take.spectra_of(a),
            other=take.spectra_of(b),
            powers=powers,
            weights=stack,
            needed=normal_tail(CHANCE / (lags * len(stack))),
        )

    @cached_property
    def products(self) -> Complexes:
        """Cross-spectra of all frames."""
        return np.asarray(np.conj(self.one) * self.other)

    @cached_property
    def sizes(self) -> Floats:
        """Their powers."""
        return np.asarray(np.abs(self.products) ** 2)

    @cached_property
    def whole(self) -> tuple[Complexes, Floats]:
        """Sums of both over all frames."""
        return self.summed(slice(None))

    def summed(self, frames: slice | NDArray[np.bool_]) -> tuple[Complexes, Floats]:
        """Add up both over some frames, (n_bins,)."""
        power = np.asarray(np.sum(self.sizes[frames], axis=0, dtype=np.float64))
        return self.products[frames].sum(axis=0), power * (BINS_ALIKE / (2.0 * INDEPENDENT_FRAMES))

    def curves(self, sums: tuple[Complexes, Floats], weights: Floats) -> Floats:
        """Correlation under each weighting in units of chance, (n_weightings, n_lags)."""
        from scipy.fft import irfft

        plan, (total, power) = self.plan, sums
        size, reach = plan.size * FINE, plan.reach
        chance = np.sqrt(weights**2 @ power)
        spectrum = np.zeros((len(weights), size // 2 + 1), dtype=complex)
        spectrum[:, plan.low : plan.high] = weights * total
        full = irfft(spectrum, axis=-1) * (size / 2) / np.maximum(chance, 1e-300)[:, None]
        return np.concatenate([full[:, -reach:], full[:, : reach + 1]], axis=1)

    @cached_property
    def heights(self) -> Floats:
        """Correlation under each weighting in units of chance, (n_weightings, n_lags)."""
        return self.curves(self.whole, self.weights)

    def highest(self) -> Peak:
        """Peak of the weighting that chance explains least."""
        return self.peak(int(np.argmax(np.abs(self.heights).max(axis=1) / self.needed)))

    def peak(self, weighting: int) -> Peak:
        """Highest place under one weighting."""
        curve = self.heights[weighting]
        at = int(np.argmax(np.abs(curve)))
        sign, tall = 1 if curve[at] > 0 else -1, float(abs(curve[at]))
        return Peak(
            weighting=weighting,
            lag_s=(at - self.plan.reach) / (self.plan.sample_rate_hz * FINE),
            sign=sign,
            height=tall,
            needed=float(self.needed[weighting]),
            rival=max(0.0, float((-sign * curve).max() / tall)),
        )

    def needed_beside(self, peak: Peak, enough: float) -> float:
        """Height asked for in view of moments that are not simultaneous, or more than enough."""
        one, other = (turned(track, self.plan.run) for track in (self.one, self.other))
        apart = MomentsApart.of(self.plan, one, other, self.weights)
        return apart.needed(self.needed, peak.weighting, enough)

    def scatter(self, peak: Peak) -> float:
        """How much the peak owes to few parts of the take, alike in what both tracks have to say; 1 is even.

        Independent frames make parts that scatter by 1 in units of their own chance; one long note common to
        both by accident makes one part stand alone.
        """
        said = np.cumsum(np.sum(self.sizes, axis=1, dtype=np.float64))
        part = np.minimum((said / max(float(said[-1]), 1e-300) * _PARTS).astype(int), _PARTS - 1)
        at = self.plan.reach + round(peak.lag_s * self.plan.sample_rate_hz * FINE)
        near = max(1, round(_NEAR_S * self.plan.sample_rate_hz * FINE))
        weight = self.weights[peak.weighting : peak.weighting + 1]
        heights = []
        for number in range(_PARTS):
            curve = peak.sign * self.curves(self.summed(part == number), weight)[0]
            heights.append(float(curve[max(0, at - near) : at + near + 1].max()))
        return max(1.0, float(np.std(heights, ddof=1)) / _EVEN)

    def without_mains(self, peak: Peak, less: float = 1.0) -> bool:
        """Whether the peak stands without the bins that hum could fill, or so much of it."""
        bin_hz = self.plan.sample_rate_hz / self.plan.size
        if not resolved(bin_hz):
            return True
        first = self.plan.low
        pad = [np.concatenate([np.zeros(first), power]) for power in self.powers]
        at = self.plan.reach + round(peak.lag_s * self.plan.sample_rate_hz * FINE)
        for mains_hz in (50.0, 60.0):
            clear = clear_of(mains_hz, (pad[0], pad[1]), bin_hz)[first:]
            left = np.where(clear, self.weights[peak.weighting], 0.0)[None]
            if peak.sign * float(self.curves(self.whole, left)[0, at]) < 0.7 * less * peak.needed:
                return False
        return True


def normal_tail(probability: Floats) -> Floats:
    """Height that a normal value exceeds in size with this probability."""
    from scipy.special import erfcinv

    return np.asarray(math.sqrt(2.0) * erfcinv(np.minimum(probability, 1.0)))
