"""Take each unit's choice or leave it, against the session as recorded with its right flips.

The only step that sees how the session was recorded.  It begins with everything taken, since mics that
share sounds serve one another only once all are set, and ends where every unit taken serves beside the
others as they stand and every unit left would not: corrected copies checked again end at the same place.

Conventions: changes in dB of one source's octave; shifts in seconds against the recording.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from polaritykit.base.hearing import AUDIBLE_DB
from polaritykit.base.types import Floats
from polaritykit.decide.choice import Choice, changes_db, close_up, mean_change_db, signed_gains
from polaritykit.decide.scene import Scene
from polaritykit.decide.setting import MOVED, Loss, Shift, ShiftReason
from polaritykit.decide.source_sums import (
    JUDGED_HZ,
    GatedSpectra,
    energy_shares,
    heard_octaves,
    octave_levels_db,
    octave_powers,
    weights,
)
from polaritykit.decide.units import Unit
from polaritykit.decide.worth import LEAST_SHIFT_S

#: The sum of mics on one source loses no more than this in any octave.
OWN_SUM_LOSS_DB = 0.5
#: Units depend on one another; they are gone through this often at most.
MOST_ROUNDS = 4


@dataclass(frozen=True, kw_only=True)
class _Tried:
    """What a unit's move would do now."""

    gain_db: float
    #: The octave that would lose most, its change 0 or below.
    worst: Loss

    @property
    def merit_db(self) -> float:
        """What it gives beyond what it costs."""
        return self.gain_db + self.worst.change_db


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
        For every member of every unit.
    """
    shifts = np.zeros(len(scene.signs))
    inner: dict[int, Shift] = {}
    for unit, choice in zip(units, choices, strict=True):
        for track, shift in _take_inner(scene, unit, choice).items():
            inner[track] = shift
            shifts[track] = shift.shift_s
    moves = [_moves(unit, choice, inner, len(shifts)) for unit, choice in zip(units, choices, strict=True)]
    pending = [number for number, move in enumerate(moves) if np.abs(move).max() >= LEAST_SHIFT_S]
    for number in pending:
        shifts += moves[number]
    taken = set(pending)
    tried: dict[int, _Tried] = {}
    levels = _Levels()
    for _ in range(MOST_ROUNDS * len(pending)):
        tried = {
            number: _try(scene, units[number], moves[number], shifts, taken=number in taken, levels=levels)
            for number in pending
        }
        wrong = {number for number in pending if _serves(tried[number]) != (number in taken)}
        if not wrong:
            break
        # What is taken and does not serve goes first, the least useful of it; then what would serve is taken.
        out = min(wrong, key=lambda number: (number not in taken, tried[number].merit_db))
        shifts += -moves[out] if out in taken else moves[out]
        taken ^= {out}
    found: dict[int, Shift] = {}
    for number, unit in enumerate(units):
        outer = _told(
            scene,
            unit,
            choices[number],
            moves[number][unit.reference],
            tried.get(number),
            taken=number in taken,
        )
        for track in unit.members:
            outer_s = float(moves[number][track]) if number in taken else 0.0
            found[track] = _joined(outer, inner.get(track), track, unit, outer_s)
    return found


def _none(unit: Unit) -> Loss:
    return Loss(home=unit.reference, octave_hz=JUDGED_HZ[0], change_db=0.0)


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
    gains = signed_gains(scene, unit.members)
    shifts = np.zeros(len(scene.signs))
    found = {}
    order = sorted(unit.members, key=lambda track: abs(against[unit.members.index(track)]), reverse=True)
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


class _Levels:
    """Level per octave of a source in a sum, worked out once: many moves are tried against the same."""

    def __init__(self) -> None:
        self._known: dict[tuple[int, bytes, bytes], Floats] = {}

    def __call__(self, spectra: GatedSpectra, gains: Floats, shifts: Floats) -> Floats:
        """Return the levels; the spectra must outlive this object."""
        key = (id(spectra), gains.tobytes(), shifts.tobytes())
        if key not in self._known:
            powers = octave_powers(spectra, weights(spectra, gains, shifts))
            self._known[key] = octave_levels_db(powers)[:, 0]
        return self._known[key]


def _try(scene: Scene, unit: Unit, moves: Floats, shifts: Floats, *, taken: bool, levels: _Levels) -> _Tried:
    """Weigh a unit's move with all others as they stand."""
    without = shifts - moves if taken else shifts
    with_it = shifts if taken else shifts + moves
    sound = scene.sounds[unit.sound]
    mics = signed_gains(scene, (*unit.members, *scene.anchors))
    whole = signed_gains(scene, np.flatnonzero(scene.usable & scene.related).tolist())
    heard = heard_octaves(sound.spectra, mics, np.flatnonzero(mics).tolist())
    change = levels(sound.spectra, mics, with_it) - levels(sound.spectra, mics, without)
    losses = [_none(unit)]
    for home, spectra, gains in [
        (sound.home, sound.spectra, mics),
        *((s.home, s.spectra, whole) for s in scene.sounds),
    ]:
        now, before, recorded = (levels(spectra, gains, s) for s in (with_it, without, np.zeros(len(shifts))))
        # A loss that others have made good is none, nor is one that others made.
        cost = np.maximum(now - before, now - recorded)
        losses += [
            Loss(home=home, octave_hz=JUDGED_HZ[octave], change_db=float(cost[octave]))
            for octave in np.flatnonzero(heard_octaves(spectra, gains, np.flatnonzero(gains).tolist()))
        ]
    return _Tried(
        gain_db=float(energy_shares(sound.spectra, mics, heard) @ change),
        worst=min(losses, key=lambda loss: loss.change_db),
    )


def _serves(found: _Tried) -> bool:
    return found.gain_db >= AUDIBLE_DB and -found.worst.change_db <= found.gain_db


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
    small = tried.gain_db < AUDIBLE_DB
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


def losses_by_track(scene: Scene, shifts: Floats, flipped: Sequence[int]) -> dict[int, tuple[Loss, ...]]:
    """Find what all settings together cost, and the track whose setting costs it most.

    Parameters
    ----------
    scene : Scene
        Its signs hold the flips.
    shifts : ndarray, shape (n_tracks,)
    flipped : sequence of int
        Tracks that are flipped.

    Returns
    -------
    dict of track to tuple of Loss
        Octaves of sources that lose more than is heard: by the shifts, against the flips alone; by all,
        against the recording, where the shifts do not make good what a flip costs.
    """
    tracks = np.arange(len(shifts))
    signed = signed_gains(scene, np.flatnonzero(scene.usable & scene.related).tolist())
    turned = np.where(np.isin(tracks, list(flipped)), -signed, signed)
    moved = np.flatnonzero(shifts).tolist()
    unmoved = [(track, (signed, np.where(tracks == track, 0.0, shifts))) for track in moved]
    unflipped = [(track, (np.where(tracks == track, -signed, signed), shifts)) for track in flipped]
    found: dict[int, list[Loss]] = {}
    told = set()
    for before, others in (((signed, 0.0 * shifts), unmoved), ((turned, 0.0 * shifts), unflipped)):
        for loss, sound in _losses(scene, before, (signed, shifts)):
            if others and (sound, loss.octave_hz) not in told:
                told.add((sound, loss.octave_hz))
                octave = JUDGED_HZ.index(loss.octave_hz)
                levels = [_level(scene, sound, octave, *setting) for _, setting in others]
                found.setdefault(others[int(np.argmax(levels))][0], []).append(loss)
    return {track: tuple(losses) for track, losses in found.items()}


def _losses(
    scene: Scene, before: tuple[Floats, Floats], after: tuple[Floats, Floats]
) -> list[tuple[Loss, int]]:
    found = []
    for number, sound in enumerate(scene.sounds):
        heard = heard_octaves(sound.spectra, after[0], np.flatnonzero(after[0]).tolist())
        for octave in np.flatnonzero(heard):
            change = _level(scene, number, int(octave), *after) - _level(scene, number, int(octave), *before)
            if change < -AUDIBLE_DB:
                loss = Loss(home=sound.home, octave_hz=JUDGED_HZ[octave], change_db=change)
                found.append((loss, number))
    return found


def _level(scene: Scene, sound: int, octave: int, gains: Floats, shifts: Floats) -> float:
    spectra = scene.sounds[sound].spectra
    return float(octave_levels_db(octave_powers(spectra, weights(spectra, gains, shifts)))[octave, 0])
