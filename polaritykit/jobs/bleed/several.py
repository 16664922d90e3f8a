"""Three or more mics with a source each: how much of every other source each mic hears, and what flips do.

The sources are parted by how their levels move (`spectra/several_sources`); their shares in each mic then
give the isolation of its own source, and their level in the sum of all mics under any flips and delays.  How
the mics are wired is what a check says; where that stays open, a flip is weighed by what it gains.

Conventions: source k is that of mic k, mic 0 the main one; isolation as in `judge`, of the main source over
all others together in the sum of all mics as recorded; delays 0 or more.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from polaritykit.analysis import analyse
from polaritykit.base.errors import UsageError
from polaritykit.base.hearing import AUDIBLE_DB
from polaritykit.base.octaves import a_weight_power
from polaritykit.base.types import Complexes, Floats, Recording
from polaritykit.decide.findings import Findings
from polaritykit.jobs.bleed.advice import SIGMAS
from polaritykit.jobs.bleed.findings import Goal, Leak, MicsSetting, SeveralFindings
from polaritykit.jobs.bleed.passages import OCTAVES_HZ, Flags, bins_of_octaves
from polaritykit.spectra.coherent_offset import spectral_offset
from polaritykit.spectra.pool import Spectra
from polaritykit.spectra.several_sources import GROUPS, LEAST_APART, Parted, jackknife_std, parted

#: 20 ms is 7 m of air; delays tried either way, as for two mics.
_LONGEST_LEAK_MS, _MOST_DELAY_MS = 20.0, 10.0
#: A setting may cost no octave of the goal more than this; settings alike within that are alike.
_MOST_COST_DB, _ALIKE_DB = 0.5, 0.3
_TINY = 1e-30
#: More shapes than this need more moments than a song has, and minutes.
MOST_MICS = 6


def analyse_several(recording: Recording, *, goal: Goal = "isolation") -> SeveralFindings:
    """Judge how three or more mics with a source each leak into one another.

    Parameters
    ----------
    recording : Recording
        The main mic first.
    goal : {"isolation", "fullness"}
        The main source over all others, or the most of it, in the sum of all mics.

    Returns
    -------
    SeveralFindings
        Without leaks and settings where nothing tells the sources apart.

    Raises
    ------
    UsageError
        Too few mics or too many.
    """
    names = recording.track_names
    if not 2 < len(names) <= MOST_MICS:
        raise UsageError(f"Leaks are told apart between 3 to {MOST_MICS} mics at a time, not {len(names)}.")
    findings = analyse(recording)
    flips = tuple(track.name for track in findings.corrections.tracks if track.invert)
    parts = parted(recording)
    sums = _Sums(parts, goal)
    found = SeveralFindings(
        mics=names,
        goal=goal,
        centre_hz=OCTAVES_HZ,
        reason="found" if sums.told.any() else _why_not(parts),
        wiring_flips=flips,
        wiring_open=tuple(name for name in names[1:] if name in _open(findings)),
    )
    if found.reason != "found":
        return found
    mics = range(len(names))
    found = replace(
        found,
        told=tuple(tuple(row) for row in sums.told.tolist()),
        leaks=tuple(sums.leak(names, mic, source) for mic in mics for source in mics if mic != source),
    )
    if not sums.counted.any():
        return found
    alone = tuple(_does(sums, names, sums.plain.put(mic, -1, 0)) for mic in mics)
    return replace(found, flipped=alone, advised=_does(sums, names, _advised(sums, found)))


def _why_not(parts: Parted) -> Literal["too_short", "never_apart"]:
    return "too_short" if parts.reason == "too_short" else "never_apart"


def _open(findings: Findings) -> set[str]:
    """Tracks whose wiring against the main one a check leaves open."""
    main = findings.track_names[0]
    return {
        pair.other if pair.reference == main else pair.reference
        for pair in findings.pairs
        if main in (pair.reference, pair.other) and pair.polarity == "unclear"
    }


@dataclass(frozen=True)
class _Set:
    """Signs and shifts of all mics; shifts in samples, later ones positive."""

    signs: tuple[int, ...]
    shifts: tuple[int, ...]

    def put(self, mic: int, sign: int, shift: int) -> "_Set":
        signs, shifts = list(self.signs), list(self.shifts)
        signs[mic], shifts[mic] = sign, shift
        return _Set(tuple(signs), tuple(shifts))


class _Sums:
    """Every source's level in the sum of all mics; first axis: the estimate, then without a part each."""

    def __init__(self, parts: Parted, goal: Goal) -> None:
        self.rate, self.goal, self._parts = parts.sample_rate_hz, goal, parts
        self.n_mics = parts.brought.shape[2]
        self._turn = -2j * np.pi * parts.frequency_hz / parts.sample_rate_hz
        self.octaves = np.stack(bins_of_octaves(parts.frequency_hz)).astype(np.float64)
        self._weight = a_weight_power(parts.frequency_hz)
        self.counted: Flags = np.ones(len(OCTAVES_HZ), bool)
        #: Sources and octaves in which flips are known to what one just hears.
        self.told = self._told()
        self.counted = np.asarray(self.told.all(axis=0), bool)

    @property
    def plain(self) -> _Set:
        """All as recorded."""
        return _Set((1,) * self.n_mics, (0,) * self.n_mics)

    def _rows(self, counted: Flags) -> Floats:
        """Bins of each octave, then of all that count, A-weighted."""
        whole = (counted @ self.octaves > 0) * self._weight
        return np.concatenate([self.octaves, whole[None]])

    def _told(self) -> Flags:
        told = np.zeros((self.n_mics, len(OCTAVES_HZ)), bool)
        if self._parts.reason != "found":
            return told
        still = self.levels_db(self.plain)
        turned = [self.levels_db(self.plain.put(mic, -1, 0)) - still for mic in range(self.n_mics)]
        std = np.max([jackknife_std(one) for one in turned], axis=0)[:-1]
        for octave, inside in enumerate(self.octaves > 0):
            moves = np.median(self._parts.apart[inside], axis=0) if inside.any() else np.zeros(self.n_mics)
            told[:, octave] = (moves > LEAST_APART) & (std[octave] < AUDIBLE_DB)
        return told

    def levels_db(self, setting: _Set) -> Floats:
        """Level of every source, ``(1 + groups, octaves + 1, source)``."""
        weights = np.asarray(setting.signs) * np.exp(self._turn[:, None] * np.asarray(setting.shifts))
        powers = np.einsum("gbmns,bm,bn->gbs", self._parts.brought, weights, np.conj(weights), optimize=True)
        return np.asarray(10.0 * np.log10(np.maximum(self._rows(self.counted) @ powers.real, _TINY)))

    def goal_db(self, levels_db: Floats) -> Floats:
        """Level of the main source, or its isolation, from levels with the sources last."""
        if self.goal == "fullness":
            return levels_db[..., 0]
        others = 10.0 * np.log10(np.sum(10.0 ** (levels_db[..., 1:] / 10.0), axis=-1))
        return np.asarray(levels_db[..., 0] - others)

    def leak(self, names: Sequence[str], mic: int, source: int) -> Leak:
        """How far under the mic's own source another one lies in it."""
        both = self.told[mic] & self.told[source]
        powers = self._rows(both) @ self._parts.brought[:, :, mic, mic].real
        levels = 10.0 * np.log10(np.maximum(powers, _TINY))
        isolation = levels[..., mic] - levels[..., source]
        std = jackknife_std(isolation)
        return Leak(
            mic=names[mic],
            source=names[source],
            isolation_db=tuple(
                float(value) if known else None for value, known in zip(isolation[0, :-1], both, strict=True)
            ),
            isolation_std_db=tuple(
                float(value) if known else None for value, known in zip(std[:-1], both, strict=True)
            ),
            overall_isolation_db=float(isolation[0, -1]) if both.any() else None,
            overall_isolation_std_db=float(std[-1]) if both.any() else None,
            late_ms=self._late_ms(mic, source),
        )

    def _late_ms(self, mic: int, source: int) -> float | None:
        """How much later than its own mic another one hears a source."""
        whole, without = self._parts.brought[0], self._parts.brought[1:]
        pair = np.ix_(range(len(whole)), (source, mic), (source, mic))
        groups = [
            Spectra(
                sample_rate_hz=self.rate,
                fft_size=self._parts.fft_size,
                frequency_hz=self._parts.frequency_hz,
                power=np.einsum("bmm->mb", value[pair]).real,
                matrix=np.conj(value[pair]),
                n_frames=self._parts.n_frames // GROUPS,
            )
            for value in (whole + (GROUPS - 1) * (without.mean(axis=0) - without))[..., source]
        ]
        return spectral_offset(groups, max_offset_ms=_LONGEST_LEAK_MS).offset_ms

    def best_of(self, setting: _Set, mic: int, signs: Sequence[int]) -> _Set:
        """Search flip and delay of one mic together, the others as they are."""
        count = int(_MOST_DELAY_MS * self.rate / 1000)
        shifts = np.arange(-count, count + 1, dtype=np.float64)
        weights = np.asarray(setting.signs) * np.exp(self._turn[:, None] * np.asarray(setting.shifts))
        brought = self._parts.brought[0]
        alone = [place for place in range(self.n_mics) if place != mic]
        rest = (
            np.einsum(
                "bmns,bm,bn->bs",
                brought[:, alone][:, :, alone],
                weights[:, alone],
                np.conj(weights[:, alone]),
            ).real
            + brought[:, mic, mic].real
        )
        crossing = 2.0 * np.einsum("bns,bn->bs", brought[:, mic][:, alone], np.conj(weights[:, alone]))
        fixed, moved = self._rows(self.counted) @ rest, self._turned(crossing, shifts)
        begun = self.goal_db(self.levels_db(setting)[0])
        found: list[tuple[float, bool, int, int]] = []
        for sign in signs:
            powers = np.maximum(fixed[None] + sign * moved, _TINY)
            goal = self.goal_db(10.0 * np.log10(powers)) - begun
            fair = np.all(goal[:, :-1][:, self.counted] >= -_MOST_COST_DB, axis=1)
            found += [
                (float(goal[k, -1]), bool(shifts[k]), abs(int(shifts[k])), sign * (int(k) + 1))
                for k in np.flatnonzero(fair)
            ]
        if not found:
            return setting
        top = max(found)[0]
        # Of settings that are alike the one with no delay, or the shortest.
        *_, code = min((one for one in found if one[0] >= top - _ALIKE_DB), key=lambda one: one[1:3])
        return setting.put(mic, 1 if code > 0 else -1, int(shifts[abs(code) - 1]))

    def _turned(self, crossing: Complexes, shifts: Floats) -> Floats:
        """Real part of the crossing terms at all shifts, in bands: ``(shift, octaves + 1, source)``."""
        turning = np.exp(np.outer(shifts, self._turn))
        parts = [(turning * row) @ crossing for row in self._rows(self.counted)]
        return np.stack([part.real for part in parts], axis=1)


def _advised(sums: _Sums, found: SeveralFindings) -> _Set:
    """Flips of the wiring, and whatever else surely gains, mic by mic."""
    setting = sums.plain
    for flip in found.wiring_flips:
        setting = setting.put(found.mics.index(flip), -1, 0)
    for mic, name in enumerate(found.mics[1:], start=1):
        signs = (1, -1) if name in found.wiring_open else (setting.signs[mic],)
        tried = sums.best_of(setting, mic, signs)
        gains = sums.goal_db(sums.levels_db(tried))[:, -1] - sums.goal_db(sums.levels_db(setting))[:, -1]
        if gains[0] >= AUDIBLE_DB and gains[0] > SIGMAS * jackknife_std(gains):
            setting = tried
    return setting


def _does(sums: _Sums, names: tuple[str, ...], setting: _Set) -> MicsSetting:
    """Tell what a setting does to every source, against as recorded."""
    before, after = sums.levels_db(sums.plain), sums.levels_db(setting)
    change, gain = after - before, sums.goal_db(after) - sums.goal_db(before)
    std, gain_std = jackknife_std(change), jackknife_std(gain)
    earliest = min(setting.shifts)
    return MicsSetting(
        flips=tuple(name for name, sign in zip(names, setting.signs, strict=True) if sign < 0),
        delays_ms={
            name: (shift - earliest) * 1e3 / sums.rate
            for name, shift in zip(names, setting.shifts, strict=True)
            if shift > earliest
        },
        change_db={name: tuple(change[0, :-1, k].tolist()) for k, name in enumerate(names)},
        change_std_db={name: tuple(std[:-1, k].tolist()) for k, name in enumerate(names)},
        overall_gain_db=float(gain[0, -1]),
        overall_gain_std_db=float(gain_std[-1]),
    )
