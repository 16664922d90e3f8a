"""Take each unit's choice or leave it, against the session as recorded with its right flips.

The only step that sees how the session was recorded.  Mics that share sounds serve one another only once all
are set, so that sets of units are weighed, not units; and what corrected copies would still get is taken at
once.

Conventions: changes in dB of one source's octave; shifts in seconds against the recording.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.hearing import AUDIBLE_DB
from polaritykit.base.types import Floats
from polaritykit.decide.certainty import ROUNDING_DB, TOLD_FROM, chance_of_loss
from polaritykit.decide.choice import Choice, changes_db, close_up, mean_change_db, signed_gains
from polaritykit.decide.scene import Scene
from polaritykit.decide.setting import MOVED, Loss, Shift, ShiftReason
from polaritykit.decide.source_sums import JUDGED_HZ
from polaritykit.decide.unit_sums import UnitSums
from polaritykit.decide.units import Unit
from polaritykit.decide.worth import LEAST_SHIFT_S

#: The sum of mics on one source is to lose no more than half a dB in any octave: this much as foretold, for
#: strokes tell it to 0.2 dB (root mean square of small changes, development split).
OWN_SUM_LOSS_DB = 0.3
#: A mean gain of so many dB is worth an octave of a source that is sure to lose what is heard.
PRICE_DB = 2.0
#: A unit is taken for this much, by itself and for what its neighbours gain; less is told as optional.
LEAST_MERIT_DB = 0.5
#: Sets weighed at a time.
_AT_ONCE = 256
#: Price of a chance of that which would have to be told: no gain makes it good.
_FORBIDDEN_DB = 100.0


@dataclass(frozen=True, kw_only=True)
class _Tried:
    """What a unit's move does beside the others as they end."""

    gain_db: float
    #: The octave that is likeliest to lose what is heard.
    worst: Loss


def take(scene: Scene, units: Sequence[Unit], choices: Sequence[Choice]) -> dict[int, Shift]:
    """Decide on every unit.

    Parameters
    ----------
    scene : Scene
    units : sequence of Unit
    choices : sequence of Choice
        One per unit.

    Returns
    -------
    dict of track to Shift
        For every member of every unit; companions that stay are left out.
    """
    shifts = np.zeros(len(scene.signs))
    inner: dict[int, Shift] = {}
    for unit, choice in zip(units, choices, strict=True):
        for track, shift in _take_inner(scene, unit, choice).items():
            inner[track] = shift
            shifts[track] = shift.shift_s
    moves = [_moves(unit, choice, inner, len(shifts)) for unit, choice in zip(units, choices, strict=True)]
    pending = [number for number, move in enumerate(moves) if np.abs(move).max() >= LEAST_SHIFT_S]
    sums = UnitSums(scene, units, shifts, moves)
    taken = _settled(sums, pending)
    found: dict[int, Shift] = {}
    for number, unit in enumerate(units):
        tried = _tried(sums, number, taken, unit.reference) if number in pending else None
        outer = _told(
            scene, unit, choices[number], moves[number][unit.reference], tried, taken=number in taken
        )
        for track in unit.judged:
            outer_s = float(moves[number][track]) if number in taken else 0.0
            found[track] = _joined(outer, inner.get(track), track, unit, outer_s)
        for track in unit.companions if number in taken else ():
            found[track] = replace(outer, reason="along", shift_s=float(moves[number][track]), late_s=None)
    return found


def _settled(sums: UnitSums, pending: Sequence[int]) -> frozenset[int]:
    """Return the units to take: the best set, and what would be taken beside it by corrected copies."""
    taken: frozenset[int] = frozenset()
    while True:
        more = _best_set(sums, taken, [number for number in pending if number not in taken])
        if more == taken:
            return taken
        taken = more


def _best_set(sums: UnitSums, recorded: frozenset[int], free: Sequence[int]) -> frozenset[int]:
    """Find the units that serve together: from none and from all, one or two at a time in or out."""
    if not free:
        return recorded
    before = sums.of(recorded)

    def merits(here: frozenset[int], units: NDArray[np.int64], steps: Floats) -> Floats:
        looked = sums.near(here, units, steps)
        more = len(here - recorded) + steps.sum(axis=1)
        losing = chance_of_loss(*looked.changes_db(before), AUDIBLE_DB)
        over = np.maximum(losing - TOLD_FROM, 0.0).sum(axis=1)
        gain = (looked.own_db - before.own_db).sum(axis=1) - LEAST_MERIT_DB * more
        return np.asarray(gain - PRICE_DB * losing.sum(axis=1) - _FORBIDDEN_DB * over)

    # None changed, one, two.
    units = np.array([(free[0], free[0]), *zip(free, free, strict=True), *combinations(free, 2)])
    turned = np.ones(units.shape)
    turned[0] = turned[: 1 + len(free), 1] = 0.0
    best, most = recorded, -np.inf
    for start in (recorded, recorded | set(free)):
        here = start
        while True:
            steps = np.where(np.isin(units, list(here)), -turned, turned)
            parts = range(0, len(units), _AT_ONCE)
            merit = np.concatenate(
                [merits(here, units[at : at + _AT_ONCE], steps[at : at + _AT_ONCE]) for at in parts]
            )
            place = int(np.argmax(merit))
            if merit[place] <= merit[0] + ROUNDING_DB:
                break
            here ^= set(units[place][turned[place] > 0.0].tolist())
        if merit[0] > most:
            best, most = here, merit[0]
    return best


def _tried(sums: UnitSums, number: int, taken: frozenset[int], reference: int) -> _Tried:
    """Weigh a unit's move with all others as they end."""
    with_it, without = taken | {number}, taken - {number}
    after, before, recorded = (sums.of(moved) for moved in (with_it, without, frozenset[int]()))
    mean, std = (values[0] for values in after.changes_db(recorded))
    # A loss that others have made good is none, nor is one that others made.
    losing = np.minimum(
        chance_of_loss(*after.changes_db(before), AUDIBLE_DB)[0], chance_of_loss(mean, std, AUDIBLE_DB)
    )
    # Strokes that bring nothing over what was there before them have no octave that is heard.
    worst = Loss(home=reference, octave_hz=JUDGED_HZ[0], change_db=0.0)
    if len(losing):
        place = int(np.argmax(losing))
        home, octave_hz = sums.about[place]
        worst = Loss(home=home, octave_hz=octave_hz, change_db=float(mean[place]), std_db=float(std[place]))
    return _Tried(
        gain_db=float((after.own_db - before.own_db)[0, number]),
        worst=worst,
    )


def _moves(unit: Unit, choice: Choice, inner: dict[int, Shift], n_tracks: int) -> Floats:
    """Move of each track of a unit, beyond what its members were set to one another by."""
    moves = np.zeros(n_tracks)
    place = unit.members.index(unit.reference)
    whole = np.array(unit.coincide_s) + np.array(choice.inner_s) + choice.shift_s
    for member, own in zip(unit.members, whole, strict=True):
        said = inner.get(member)
        # What is worth little by itself goes along; what would cost their own sum stays.
        alone = said is not None and said.reason in ("own_sum", "harm")
        moves[member] = whole[place] if alone else own
    return moves


def _take_inner(scene: Scene, unit: Unit, choice: Choice) -> dict[int, Shift]:
    """Set mics on one source to one another where their own sum gains from it."""
    if not unit.one_source:
        return {}
    place = unit.members.index(unit.reference)
    whole = np.array(unit.coincide_s) + np.array(choice.inner_s)
    against = whole - whole[place]
    spectra = close_up(scene, unit)
    gains = signed_gains(scene, unit.judged)
    shifts = np.zeros(len(scene.signs))
    found = {}
    order = sorted(unit.judged, key=lambda track: abs(against[unit.members.index(track)]), reverse=True)
    for track in order:
        shift = float(against[unit.members.index(track)])
        if track == unit.reference or abs(shift) < LEAST_SHIFT_S:
            continue
        tried = np.array([0.0, shift])
        gain = float(mean_change_db(spectra, gains, shifts, moving=(track,), tried=tried)[1])
        changes, heard = changes_db(spectra, gains, shifts, moving=(track,), tried=tried)
        loss = float(changes[heard, 1].min(initial=0.0))
        reason: ShiftReason = "own_sum"
        if gain < AUDIBLE_DB or loss < -OWN_SUM_LOSS_DB:
            reason = "harm" if loss < -OWN_SUM_LOSS_DB else "small_gain"
        taken = reason == "own_sum"
        shifts[track] = shift if taken else 0.0
        found[track] = Shift(
            shift_s=float(shifts[track]),
            reason=reason,
            looked_at_s=shift,
            gain_db=gain,
            about=unit.reference,
        )
    return found


def _told(
    scene: Scene, unit: Unit, choice: Choice, move_s: float, tried: _Tried | None, *, taken: bool
) -> Shift:
    """Say what became of a unit."""
    late_s = -unit.coincide_s[unit.members.index(unit.reference)]
    if tried is not None and taken:
        reason: ShiftReason = "fuller" if choice.shift_s else "coincide"
        if scene.sounds[unit.sound].by_octave:
            reason = "octave"
        return Shift(
            shift_s=move_s,
            reason=reason,
            late_s=late_s,
            gain_db=tried.gain_db,
            about=unit.reference,
        )
    if tried is None:
        return Shift(shift_s=0.0, reason="together", late_s=late_s, about=unit.reference)
    small = tried.gain_db < LEAST_MERIT_DB
    return Shift(
        shift_s=0.0,
        reason="small_gain" if small else "harm",
        looked_at_s=move_s,
        late_s=late_s,
        gain_db=tried.gain_db,
        about=unit.reference if small else tried.worst.home,
        loss=tried.worst,
    )


def _joined(outer: Shift, inner: Shift | None, track: int, unit: Unit, outer_s: float) -> Shift:
    """One word for a member: the unit's move, and its own within the unit."""
    apart = inner is not None and inner.reason == "own_sum"
    if inner is not None and apart and outer.reason not in MOVED:
        return replace(inner, late_s=outer.late_s)
    own = inner.shift_s if inner is not None and apart else 0.0
    if outer.reason in MOVED and inner is not None and inner.reason == "harm":
        return replace(outer, reason="along", shift_s=outer_s, loss=inner.loss)
    if outer.reason in MOVED and not unit.one_source and track != unit.reference:
        return replace(outer, reason="image", shift_s=outer_s)
    return replace(outer, shift_s=outer_s + own)
