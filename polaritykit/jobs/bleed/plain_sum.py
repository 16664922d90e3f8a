"""Levels of two sources in the sum of two microphones, for any polarity and delay, with their uncertainty.

Conventions: as in `judge`; spectra of one source alone come in groups of frames, and the uncertainty is the
spread over bootstrap draws of those groups (Efron, 1979).
"""

from collections.abc import Sequence
from typing import Any

import numpy as np

from polaritykit.base.octaves import a_weight_power
from polaritykit.base.types import Floats
from polaritykit.jobs.bleed.findings import BleedOption, BleedPassages, Goal
from polaritykit.jobs.bleed.passages import OCTAVES_HZ, Flags, bins_of_octaves
from polaritykit.spectra.pool import Spectra

_SEED = 1
#: Draws of the bootstrap: ±5 % of the uncertainty.
_DRAWS = 200
#: Longest delay tried either way; more than that is heard as a slap (common practice, no source).
_MOST_DELAY_MS = 10.0
#: An octave is clear of the noise from here.
_OVER_NOISE_DB = 6.0
#: A setting may cost no octave that matters more than this.
_MOST_COST_DB = 0.5
#: Of settings whose gain is alike within this the simplest is taken.
_ALIKE_DB = 0.3
#: Power left when the noise taken off would leave less: −30 dB of what was measured.
_LEAST_SHARE = 1e-3
#: Two sources are told apart when the isolations of both mics add up to 6 dB: 1 − 10^(−6/10).
_MIN_DETERMINANT = 0.75
#: Power over the whole take against the passages: rests make it less, louder parts somewhat more.
_LEAST_TURN, _MOST_TURN = 0.03, 4.0


class PlainSum:
    """The sum ``main ± leaky`` as each of the two sources is heard in it.

    Parameters
    ----------
    main_source, leaky_source : sequence of Spectra
        Groups of frames in which only the main mic's, or the leaky mic's, own source sounds.
    passages : BleedPassages
        Noise and whole-take powers of both mics.
    goal : {"isolation", "fullness"}
    """

    def __init__(
        self,
        main_source: Sequence[Spectra],
        leaky_source: Sequence[Spectra],
        passages: BleedPassages,
        goal: Goal,
    ) -> None:
        self._goal = goal
        self._first = main_source[0]
        self.frequency_hz = self._first.frequency_hz
        octaves = np.stack(bins_of_octaves(self.frequency_hz)).astype(np.float64)
        centres = a_weight_power(np.asarray(OCTAVES_HZ))
        # Rows: octaves as they are, then octaves A-weighted.
        self._bands = np.concatenate([octaves, octaves * a_weight_power(self.frequency_hz)])
        noise = np.asarray([passages.noise_main, passages.noise_leaky])
        self._noise = np.concatenate([noise, noise * centres], axis=1)
        self._sources = [_Groups(parts, _DRAWS) for parts in (main_source, leaky_source)]
        self._told_apart, self._share = self._whole_take(passages, noise)
        self._misfit_db = self._misfit(passages, noise)
        self._recorded = self._goal_db(self._levels(invert=False, delay_ms=0.0))

    def option(self, *, invert: bool, delay_ms: float = 0.0, doubt_db: Floats | None = None) -> BleedOption:
        """Levels, isolation and gain of one setting.

        Parameters
        ----------
        invert : bool
        delay_ms : float
        doubt_db : ndarray, shape (n_octaves,), optional
            Further uncertainty of what a change does.
        """
        levels = self._levels(invert=invert, delay_ms=delay_ms)
        before = self._levels(invert=False, delay_ms=0.0)
        isolation = levels[0] - levels[1]
        gain = self._goal_db(levels) - self._recorded
        misfit = self._misfit_db
        doubt = np.zeros(len(OCTAVES_HZ)) if doubt_db is None else doubt_db
        doubt = np.append(doubt, 0.0) if invert or delay_ms else np.zeros(len(OCTAVES_HZ) + 1)
        spread = np.hypot(np.std(isolation[1:], axis=0), misfit)
        changes = [new - old for new, old in zip(levels, before, strict=True)]
        unsure = [np.hypot(np.std(one[1:], axis=0), doubt) for one in (gain, *changes)]
        if invert or delay_ms:
            unsure = [np.hypot(one, misfit) for one in unsure]
        return BleedOption(
            invert=invert,
            delay_ms=delay_ms,
            main_level_db=_octaves(levels[0][0]),
            leaky_level_db=_octaves(levels[1][0]),
            isolation_db=_octaves(isolation[0]),
            isolation_std_db=_octaves(spread),
            gain_db=_octaves(gain[0]),
            gain_std_db=_octaves(unsure[0]),
            main_change_db=_octaves(changes[0][0]),
            main_change_std_db=_octaves(unsure[1]),
            leaky_change_db=_octaves(changes[1][0]),
            leaky_change_std_db=_octaves(unsure[2]),
            overall_main_level_db=float(levels[0][0, -1]),
            overall_leaky_level_db=float(levels[1][0, -1]),
            overall_isolation_db=float(isolation[0, -1]),
            overall_isolation_std_db=float(spread[-1]),
            overall_gain_db=float(gain[0, -1]),
            overall_gain_std_db=float(unsure[0][-1]),
        )

    def best(
        self, inverts: Sequence[bool], matters: Sequence[bool], preferred_ms: float = 0.0
    ) -> tuple[bool, float]:
        """Search flip and delay together for what serves the goal best, A-weighted.

        Parameters
        ----------
        inverts : sequence of bool
            Polarities that may be, the one that is preferred first.
        matters : sequence of bool
            Octaves that no setting may cost anything.
        preferred_ms : float
            Delay that is taken before others as good; none at all before it.

        Returns
        -------
        tuple of bool and float
            Whether the leaky mic is flipped, and its delay in ms: whole samples, or the one preferred.
        """
        rate = self._first.sample_rate_hz
        count = int(_MOST_DELAY_MS / 1000.0 * rate)
        delays = np.arange(-count, count + 1)
        chosen = np.asarray(matters)
        n = len(OCTAVES_HZ)
        candidates: list[tuple[float, int, float, bool, int]] = []
        for place, invert in enumerate(inverts):
            levels = [self._levels_over_delay(source, count, invert=invert) for source in (0, 1)]
            goal = self._goal_db((levels[0], levels[1])) - self._recorded[0][:, None]
            fair = np.all(goal[:n][chosen] >= -_MOST_COST_DB, axis=0)
            wanted = np.abs(delays / rate * 1e3 - preferred_ms) < 0.5e3 / rate
            peak = np.r_[False, (goal[n, 1:-1] >= goal[n, :-2]) & (goal[n, 1:-1] >= goal[n, 2:]), False]
            for k in np.flatnonzero(fair & (peak | wanted | (delays == 0))):
                told = abs(delays[k]) / rate * 1e3
                far_ms = 0.0 if wanted[k] else told
                candidates.append((float(goal[n, k]), place, far_ms, invert, int(delays[k])))
        if not candidates:
            return inverts[0], 0.0
        top = max(candidate[0] for candidate in candidates)
        good = [candidate for candidate in candidates if candidate[0] >= top - _ALIKE_DB]
        _, _, far_ms, invert, delay = min(good, key=lambda one: (one[4] != 0, one[1], one[2]))
        return invert, preferred_ms if delay and far_ms == 0.0 else delay * 1e3 / rate

    def extra_gain(self, better: BleedOption, than: BleedOption) -> tuple[float, float]:
        """Overall gain of one option over another, and its uncertainty."""
        goals = [
            self._goal_db(self._levels(invert=one.invert, delay_ms=one.delay_ms))[:, -1]
            for one in (better, than)
        ]
        gain = goals[0] - goals[1]
        return float(gain[0]), float(np.hypot(np.std(gain[1:]), self._misfit_db[-1]))

    def in_mic_db(self, mic: int) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Level of the mic's own source in that mic alone, and its isolation there, per octave."""
        n = len(OCTAVES_HZ)
        levels = []
        for source, share in zip(self._sources, self._share, strict=True):
            power = (source.draw(source.power[:, mic] @ self._bands.T))[0, :n]
            noise = self._noise[mic, :n]
            levels.append(10.0 * np.log10(np.maximum(power - noise, _LEAST_SHARE * power) * share + 1e-30))
        own, other = levels[mic], levels[1 - mic]
        return tuple(own.tolist()), tuple((own - other).tolist())

    def reliable(self) -> tuple[bool, ...]:
        """Octaves in which the two sources are told apart and both stand over the noise of both mics."""
        n = len(OCTAVES_HZ)
        noise_db = 10.0 * np.log10(self._noise[:, :n].sum(axis=0) + 1e-30)
        clear = self._told_apart.copy()
        for invert in (False, True):
            for levels in self._levels(invert=invert, delay_ms=0.0):
                clear &= levels[0, :n] > noise_db + _OVER_NOISE_DB
        return tuple(bool(one) for one in clear)

    def a_weighted_db(self, level_db: Sequence[float]) -> Floats:
        """Octave levels with the A-weighting of their centres."""
        return np.asarray(level_db) + 10.0 * np.log10(a_weight_power(np.asarray(OCTAVES_HZ)))

    def _levels(self, *, invert: bool, delay_ms: float) -> tuple[Floats, Floats]:
        """Levels of both sources, ``(draws + 1, octaves + 1)``: estimate first, overall level last."""
        turn = np.exp(-2j * np.pi * self.frequency_hz * (delay_ms / 1000.0)) * (-1.0 if invert else 1.0)
        noise = self._noise.sum(axis=0)
        n = len(OCTAVES_HZ)
        found = []
        for source, share in zip(self._sources, self._share, strict=True):
            power = source.power.sum(axis=1) + 2.0 * (source.cross * turn).real
            drawn = source.draw(power @ self._bands.T)
            left = np.maximum(drawn - noise, _LEAST_SHARE * np.abs(drawn)) * np.tile(share, 2)
            overall = left[:, n:].sum(axis=1, keepdims=True)
            found.append(10.0 * np.log10(np.concatenate([left[:, :n], overall], axis=1) + 1e-30))
        return found[0], found[1]

    def _goal_db(self, levels: tuple[Floats, Floats]) -> Floats:
        return levels[0] if self._goal == "fullness" else levels[0] - levels[1]

    def _levels_over_delay(self, source: int, count: int, *, invert: bool) -> Floats:
        """Levels for delays of −count…count samples, ``(octaves + 1, delays)``: the A-weighted whole last."""
        from scipy import fft

        groups, size, n = self._sources[source], self._first.fft_size, len(OCTAVES_HZ)
        power = self._bands @ groups.mean(groups.power.sum(axis=1))
        # Re Σ C·e^{−j2πfd} is the real part of Σ conj(C)·e^{+j2πfd}.
        one_sided = np.zeros((len(self._bands), size // 2 + 1), np.complex128)
        one_sided[:, : self._bands.shape[1]] = np.conj(groups.mean(groups.cross)) * self._bands
        crossing = fft.irfft(one_sided, size, axis=1) * size * (-1.0 if invert else 1.0)
        around = np.concatenate([crossing[:, size - count :], crossing[:, : count + 1]], axis=1)
        total = power[:, None] + around
        noise = self._noise.sum(axis=0)[:, None]
        share = np.tile(self._share[source], 2)[:, None]
        left = np.maximum(total - noise, _LEAST_SHARE * np.abs(total)) * share
        levels: Floats = 10.0 * np.log10(
            np.concatenate([left[:n], left[n:].sum(axis=0, keepdims=True)]) + 1e-30
        )
        return levels

    def _misfit(self, passages: BleedPassages, noise: Floats) -> Floats:
        """How far the two sources together miss the sum of the whole take, dB per octave and overall.

        The passages are a sample; both polarities of the whole take's sum are known without them.
        """
        n = len(OCTAVES_HZ)
        plain = np.asarray(passages.whole_main) + np.asarray(passages.whole_leaky) - noise.sum(axis=0)
        weight = a_weight_power(np.asarray(OCTAVES_HZ))
        misfit = np.zeros(n + 1)
        for invert, sign in ((False, 1.0), (True, -1.0)):
            heard = np.maximum(plain + sign * 2.0 * np.asarray(passages.whole_cross), 1e-30)
            levels = [10.0 ** (level[0] / 10.0) for level in self._levels(invert=invert, delay_ms=0.0)]
            together = levels[0][:n] + levels[1][:n]
            pairs = np.append(together, together @ weight), np.append(heard, heard @ weight)
            misfit = np.maximum(misfit, np.abs(10.0 * np.log10(pairs[0] / pairs[1])))
        return misfit

    def _whole_take(self, passages: BleedPassages, noise: Floats) -> tuple[Flags, Floats]:
        """Octaves that tell the sources apart, and each source's power over the whole take.

        The latter is against its passages, from two mics and two sources: P = A·g with A the powers of each
        source alone; 1 where that cannot be solved.
        """
        n = len(OCTAVES_HZ)
        alone = np.stack([source.mean(source.power) @ self._bands[:n].T for source in self._sources], axis=1)
        alone = np.maximum(alone - noise[:, None], _LEAST_SHARE * alone) + 1e-30
        whole = np.maximum(np.asarray([passages.whole_main, passages.whole_leaky]) - noise, 0.0)
        shares = np.ones((2, n))
        told_apart = np.zeros(n, bool)
        for octave in range(n):
            matrix = alone[:, :, octave]
            told_apart[octave] = np.linalg.det(matrix) > _MIN_DETERMINANT * matrix[0, 0] * matrix[1, 1]
            if not told_apart[octave]:
                continue
            solved = np.linalg.solve(matrix, whole[:, octave])
            # Far more, or less, than in its passages: that octave holds the other source's last sound.
            told_apart[octave] = np.all((solved > _LEAST_TURN) & (solved < _MOST_TURN))
            if told_apart[octave]:
                shares[:, octave] = solved
        return told_apart, shares


class _Groups:
    """Spectra of one source in groups of frames, and the draws of those groups."""

    def __init__(self, parts: Sequence[Spectra], draws: int) -> None:
        frames = np.asarray([part.n_frames for part in parts], np.float64)
        n = len(parts)
        # One group fewer than there are, or the spread comes out too small by √((n−1)/n) (Efron, 1982).
        counts = np.random.default_rng(_SEED).multinomial(max(1, n - 1), np.full(n, 1.0 / n), size=draws)
        weights = np.concatenate([np.ones((1, n)), counts]) * frames
        self._weights = weights / weights.sum(axis=1, keepdims=True)
        #: ``(n_parts, 2 mics, n_bins)`` and ``(n_parts, n_bins)``.
        self.power = np.stack([part.power for part in parts])
        self.cross = np.stack([part.cross(0, 1) for part in parts])

    def draw(self, values: Floats) -> Floats:
        """Weighted mean over the groups for the estimate and for every draw."""
        drawn: Floats = self._weights @ values
        return drawn

    def mean(self, values: Any) -> Any:
        """Weighted mean over the groups, along the first axis."""
        return np.tensordot(self._weights[0], values, axes=1)


def _octaves(values: Floats) -> tuple[float, ...]:
    return tuple(values[: len(OCTAVES_HZ)].tolist())
